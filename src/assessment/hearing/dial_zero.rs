//! The force level at 0 dB on the dial of a device's own hearing test.

use super::super::person::Answer;
use super::super::sheet;
use super::contour::Contour;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{ForceLevel, Origin, Uncertainty};
use crate::table::bone_vibrator::mastoid;
use crate::table::dial_zero::{self, DeviceType, dial_zero};

/// Values of the audiometric vibrator that betray its table.
const BETRAYING: usize = 3;

/// The force level at 0 dB on the dial, over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct DialZero {
    contour: Contour,
    source: String,
}

impl DialZero {
    /// A published type of device: `type_1` or `type_2`.
    ///
    /// # Errors
    /// Another name; with the reason, where it names the audiometric vibrator.
    pub fn published(name: &str) -> Result<Self> {
        let device = match name {
            "type_1" => DeviceType::One,
            "type_2" => DeviceType::Two,
            _ => {
                let expected = match name {
                    "mastoid" | "forehead" | "bone_vibrator" | "retfl" | "iso_389_3" => {
                        ON_SKIN.to_owned()
                    }
                    _ => "type_1, type_2 or a table (a file ending in .csv)".to_owned(),
                };
                return Err(Diagnostic::value("person.dial_zero", name, &expected));
            }
        };
        Ok(Self {
            contour: zeros(&dial_zero(device), dial_zero::SPREAD_DB),
            source: format!(
                "{} of percutaneous devices: {}; two types differ by up to {} dB, which enters the uncertainty",
                name.replace('_', " "),
                dial_zero::SOURCE,
                dial_zero::SPREAD_DB
            ),
        })
    }

    /// A table of the device at hand, `frequency_hz,zero_db`; `name` is the
    /// file's.
    ///
    /// # Errors
    /// [`Problem::Document`] for a line that is not understood, fewer than two
    /// lines, or the values of the audiometric vibrator.
    pub fn table(name: &str, text: &str, expanded_uncertainty_db: Option<f64>) -> Result<Self> {
        let points: Vec<(f64, f64)> = sheet::rows(text, "frequency_hz,zero_db")?;
        let rising = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let sound = |(hz, db): &(f64, f64)| *hz > 0.0 && db.abs() < 200.0;
        if points.len() < 2 || !rising || !points.iter().all(sound) {
            let cause = "two or more rising frequencies with levels are needed".into();
            return Err(Problem::Document { cause }.into());
        }
        let betrays = mastoid().iter().filter(|p| points.contains(p)).count();
        if betrays >= BETRAYING {
            let cause = format!("these are the values of an audiometric vibrator: {ON_SKIN}");
            return Err(Problem::Document { cause }.into());
        }
        Ok(Self {
            contour: zeros(&points, expanded_uncertainty_db),
            source: match expanded_uncertainty_db {
                Some(u) => format!("table {name}, ± {u} dB (k = 2)"),
                None => format!("table {name}, its uncertainty not stated and not counted"),
            },
        })
    }

    /// Force level of 0 dB HL at `hz`, if the table reaches there.
    pub fn at(&self, hz: f64) -> Option<ForceLevel> {
        self.contour.at(hz).figure()
    }

    /// Where it comes from, to be printed.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// The frequencies that it is given at, rising.
    pub fn frequencies_hz(&self) -> impl Iterator<Item = f64> {
        self.contour.points.iter().map(|(hz, _)| *hz)
    }

    /// The uncertainty that it brings.
    pub fn uncertainty(&self) -> &Uncertainty {
        &self.contour.uncertainty
    }
}

fn zeros(points: &[(f64, f64)], expanded_db: impl Into<Option<f64>>) -> Contour {
    let points = points.iter().map(|(hz, db)| (*hz, Answer::At(*db)));
    Contour {
        points: points.collect(),
        uncertainty: Uncertainty::of(Origin::DialZero, expanded_db),
        what: "zero",
    }
}

const ON_SKIN: &str = "the zero of this device's own dial: reference levels of an audiometric vibrator hold for a vibrator pressed on skin, and an abutment has no skin to lose force in";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_vibrator_on_skin_is_no_zero_of_an_abutment() {
        for name in ["mastoid", "retfl", "forehead"] {
            let refused = DialZero::published(name).unwrap_err().to_string();
            assert!(refused.contains("pressed on skin"), "{refused}");
        }
        // Its values under another name.
        let table = "frequency_hz,zero_db\n250,67\n500,58\n1000,42.5\n2000,31\n";
        let refused = DialZero::table("z.csv", table, None)
            .unwrap_err()
            .to_string();
        assert!(refused.contains("audiometric vibrator"), "{refused}");
        let own = "# own\nfrequency_hz,zero_db\n500,53\n1000,40\n2000,30\n";
        let own = DialZero::table("z.csv", own, Some(1.0)).unwrap();
        assert!((own.at(1000.0).unwrap().db() - 40.0).abs() < 1e-9);
    }
}
