//! Faults of the microphones, from the patterns of all bands together.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::microphones::{Fitted, SOUND_M_PER_S, Shown};
use super::ring::Ring;
use crate::quantity::{Band, LevelDifference, Origin, Percentage, Reading, Seconds, Uncertainty};

/// Bands that take part, in Hz: below them the room, above them the case rules.
const FROM_HZ: f64 = 250.0;
const TO_HZ: f64 = 6300.0;
/// Fewer bands or angles tell nothing.
const LEAST_BANDS: usize = 6;
const LEAST_ANGLES: usize = 6;
/// A fit that leaves more of the amplitude is none.
const LARGEST_LEFT: f64 = 0.15;
/// An amplitude that varies less over the angles in every band is that of one
/// microphone.
const ALIKE: f64 = 0.1;
/// Exchanged microphones fit better by this factor.
const CLEARLY: f64 = 0.6;
/// Sound microphones differ by less, in dB. Own choice: 0.5 dB take the null of a
/// cardioid at 500 Hz to some 10 dB.
const MISMATCH_DB: f64 = 0.5;
/// From here on one of them counts as blocked, in dB.
const BLOCKED_DB: f64 = 15.0;
/// Sound delays differ by less, in seconds. Own choice: a fifteenth of the travel time
/// of 10 mm.
const MISMATCH_S: f64 = 2e-6;

/// The pattern that the device is set to: |a + (1 − a) cos θ|.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// a = 1: one microphone.
    Omnidirectional,
    /// a = 0.5.
    Cardioid,
    /// a = 0.366.
    Supercardioid,
    /// a = 0.25.
    Hypercardioid,
    /// a = 0.
    FigureOfEight,
}

impl Pattern {
    /// Delay of the rear microphone over the travel time: a / (1 − a); none for one
    /// microphone.
    fn delay_ratio(self) -> Option<f64> {
        match self {
            Self::Omnidirectional => None,
            Self::Cardioid => Some(1.0),
            Self::Supercardioid => Some(0.366 / 0.634),
            Self::Hypercardioid => Some(1.0 / 3.0),
            Self::FigureOfEight => Some(0.0),
        }
    }
}

/// What the patterns show of the two microphones.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Microphones {
    /// What is wrong with them; empty where nothing was recognised.
    pub faults: Vec<Fault>,
    /// What could not be told, and why.
    pub untold: Vec<String>,
    /// Size of the difference of the sensitivities.
    pub sensitivity_mismatch: Reading<LevelDifference>,
    /// Delay of the rear microphone beyond that of the stated pattern.
    pub delay_mismatch: Reading<Seconds>,
    /// What the fitted microphones leave of the amplitudes.
    pub misfit: Reading<Percentage>,
}

/// A fault and what shows it.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Fault {
    /// Which.
    pub fault: FaultKind,
    /// What shows it, in words.
    pub evidence: String,
}

/// A fault of two microphones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// The rear one is where the front one belongs.
    Exchanged,
    /// One of them hears nothing (or the directional mode is off).
    OneBlocked,
    /// Their sensitivities differ.
    SensitivityMismatch,
    /// Their delays differ.
    DelayMismatch,
}

impl Microphones {
    fn untold(why: &str) -> Self {
        Self {
            faults: Vec::new(),
            untold: vec![why.to_owned()],
            sensitivity_mismatch: Reading::not_measured(why),
            delay_mismatch: Reading::not_measured(why),
            misfit: Reading::not_measured(why),
        }
    }

    /// Of the rings of all bands, the device set to `pattern` as far as stated.
    pub(super) fn of(rings: &[(Band, &Ring)], pattern: Option<Pattern>) -> Self {
        if pattern == Some(Pattern::Omnidirectional) {
            return Self::untold("one microphone is stated: there is nothing to match");
        }
        let shown: Vec<Shown> = rings
            .iter()
            .filter_map(|(band, ring)| show(*band, ring))
            .collect();
        if shown.len() < LEAST_BANDS {
            return Self::untold(
                "six angles all around in six bands from 250 Hz to 6300 Hz are needed",
            );
        }
        let widest = shown.iter().map(variation).fold(0.0, f64::max);
        if widest < ALIKE {
            let mut found = Self::untold("one microphone alone has no mismatch");
            found.untold.clear();
            found.faults.push(Fault {
                fault: FaultKind::OneBlocked,
                evidence: format!(
                    "from everywhere alike: in no band do the amplitudes vary by more than {:.0} % over the angles; or the directional mode is off",
                    (100.0 * widest).ceil()
                ),
            });
            return found;
        }
        let Some(fitted) = Fitted::of(&shown) else {
            return Self::untold("too few gains to fit two microphones");
        };
        if fitted.left > LARGEST_LEFT {
            let mut found = Self::untold("no two microphones fit the patterns");
            found.misfit = misfit(&fitted);
            return found;
        }
        Self::told(&fitted, pattern)
    }

    fn told(fitted: &Fitted, pattern: Option<Pattern>) -> Self {
        let (mut faults, mut untold) = (Vec::new(), Vec::new());
        let mut find = |fault, evidence: String| faults.push(Fault { fault, evidence });
        let [percent, otherwise] = [fitted.left, fitted.left_otherwise].map(|x| 100.0 * x);
        if fitted.exchanged && fitted.left < CLEARLY * fitted.left_otherwise {
            find(
                FaultKind::Exchanged,
                format!(
                    "turned round, the fitted microphones leave {percent:.1} % of the amplitudes, as they should stand {otherwise:.1} %"
                ),
            );
        } else if fitted.left >= CLEARLY * fitted.left_otherwise {
            untold.push(
                "which microphone is in front: the patterns are the same either way round".into(),
            );
        }
        let mismatch_db = fitted.sensitivity_db().abs();
        let sensitivity_mismatch = Reading::measured(
            LevelDifference::from_db(mismatch_db),
            Uncertainty::of(Origin::Statistics, fitted.expanded[1]),
        );
        if mismatch_db >= BLOCKED_DB {
            find(
                FaultKind::OneBlocked,
                format!("one microphone is {mismatch_db:.0} dB less sensitive than the other"),
            );
        } else if mismatch_db - fitted.expanded[1] > MISMATCH_DB {
            find(
                FaultKind::SensitivityMismatch,
                format!(
                    "the nulls fill up towards low frequencies as {mismatch_db:.1} dB between the microphones would have it"
                ),
            );
        }
        let delay_mismatch = match pattern.and_then(Pattern::delay_ratio) {
            None => {
                let why = "the pattern that the device is set to is not stated";
                untold.push(format!("the delay of the rear microphone: {why}"));
                Reading::not_measured(why)
            }
            Some(ratio) => {
                let off_s = (fitted.delay_ratio() - ratio) * fitted.travel_s();
                let expanded_s = fitted.expanded[0] * fitted.travel_s();
                if off_s.abs() - expanded_s > MISMATCH_S && mismatch_db < BLOCKED_DB {
                    find(
                        FaultKind::DelayMismatch,
                        format!(
                            "in all bands the nulls stand where {:+.1} µs would put them, with ports {:.0} mm apart",
                            1e6 * off_s,
                            1000.0 * fitted.travel_s() * SOUND_M_PER_S
                        ),
                    );
                }
                Reading::measured(
                    Seconds(off_s),
                    Uncertainty::of(Origin::Statistics, expanded_s),
                )
            }
        };
        Self {
            faults,
            untold,
            sensitivity_mismatch,
            delay_mismatch,
            misfit: misfit(fitted),
        }
    }
}

fn misfit(fitted: &Fitted) -> Reading<Percentage> {
    Reading::measured(Percentage(100.0 * fitted.left), Uncertainty::EXACT)
}

/// The amplitudes of a band that takes part, relative to their largest.
fn show(band: Band, ring: &Ring) -> Option<Shown> {
    let frequency_hz = band.exact_hz();
    let inside = (FROM_HZ * 0.99..TO_HZ * 1.01).contains(&frequency_hz);
    let clear = ring.points.iter().filter(|p| p.db.is_finite());
    let loudest = clear
        .clone()
        .map(|p| p.db)
        .fold(f64::NEG_INFINITY, f64::max);
    let amplitudes: Vec<(f64, f64)> = clear
        .map(|p| {
            let amplitude = 10f64.powf((p.db - loudest) / 20.0);
            (p.angle_deg.to_radians().cos(), amplitude)
        })
        .collect();
    let reaches = |sign: f64| amplitudes.iter().any(|(cosine, _)| sign * cosine > 0.85);
    let enough = amplitudes.len() >= LEAST_ANGLES && reaches(1.0) && reaches(-1.0);
    (inside && enough).then_some(Shown {
        frequency_hz,
        amplitudes,
    })
}

/// Standard deviation of the amplitudes over their mean.
fn variation(shown: &Shown) -> f64 {
    let count = shown.amplitudes.len() as f64;
    let mean = shown.amplitudes.iter().map(|(_, a)| a).sum::<f64>() / count;
    let squares = shown
        .amplitudes
        .iter()
        .map(|(_, a)| (a - mean).powi(2))
        .sum::<f64>();
    (squares / count).sqrt() / mean
}

#[cfg(test)]
mod tests;
