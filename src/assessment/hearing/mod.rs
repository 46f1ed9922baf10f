//! Which forces at the abutment a person hears, and which are uncomfortable.
//!
//! *Method.* 1. Force level = dial level + force level at 0 dB on the dial.
//! 2. Between audiometric frequencies at most an octave apart, linear in dB over
//! the logarithm of frequency; beyond the outermost, held for two thirds of an
//! octave. 3. An answer beyond the device's limit stays a bound, a missing one a
//! gap.
//!
//! *Source.* The conversion and the interpolation as in published analysis code
//! of two clinical studies (data doi 10.5281/zenodo.5573872), read; the limits of
//! an octave and of two thirds of one are our own. Average uncomfortable level:
//! 100 dB HL, Sherlock and Formby 2005 (n = 59, normal hearing, by air), abstract
//! read.
//!
//! *Limits.* Reference levels of an audiometric vibrator hold for a vibrator on
//! skin. They are refused: at an abutment the skin's loss is missing.

mod contour;
mod dial_zero;

use super::person::{Answer, HearingIn, Person, Uncomfortable, answers};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{Band, ForceLevel, Origin, Reading, Uncertainty};
use contour::{Contour, Known};
pub use dial_zero::DialZero;

/// Uncertainty (k = 2) of an answer: twice the step of 5 dB of an audiometer,
/// taken as the standard deviation of a retest; common practice, no source.
const PERSON_DB: f64 = 10.0;
/// Average uncomfortable level of normal hearing in dB HL.
const AVERAGE_DB_HL: f64 = 100.0;

/// The forces that a person hears, and those that are uncomfortable.
#[derive(Debug, Clone, PartialEq)]
pub struct Hearing {
    thresholds: Contour,
    uncomfortable: Option<Contour>,
    zero: Option<DialZero>,
    /// Whether the uncomfortable levels are those of others.
    pub average: bool,
    /// How the force levels came about, to be printed beside them.
    pub assumptions: Vec<String>,
}

impl Hearing {
    /// Carries what `person` answered to force levels; `None` without
    /// thresholds.
    ///
    /// # Errors
    /// Frequencies and levels that make no sense, a dial without its zero, an
    /// uncomfortable level at or below a threshold.
    pub fn of(person: &Person, zero: Option<DialZero>) -> Result<Option<Self>> {
        if person.thresholds.is_empty() {
            return match &person.uncomfortable {
                None => Ok(None),
                Some(_) => missing("person.thresholds"),
            };
        }
        let stated = person.expanded_uncertainty_db.unwrap_or(PERSON_DB);
        if !(0.0..=40.0).contains(&stated) {
            let key = "person.expanded_uncertainty_db";
            return Err(Diagnostic::value(key, stated, "0 to 40 dB"));
        }
        let own = Uncertainty::of(Origin::Person, stated);
        let dial = person.hearing_in == HearingIn::Dial;
        let needs_zero = dial || person.uncomfortable == Some(Uncomfortable::Average);
        if needs_zero && zero.is_none() {
            return missing("person.dial_zero");
        }
        let on_dial = zero.as_ref().filter(|_| dial);
        let contour = |key, what, by_hz| {
            let points = answers(key, by_hz)?;
            Ok::<_, Diagnostic>(Contour::new(points, on_dial, &own, what))
        };
        let thresholds = contour("thresholds", "threshold", &person.thresholds)?;
        let (uncomfortable, average) = match (&person.uncomfortable, &zero) {
            (None, _) => (None, false),
            (Some(Uncomfortable::Measured(by_hz)), _) => {
                let measured = contour("uncomfortable", "uncomfortable level", by_hz)?;
                (Some(measured), false)
            }
            (Some(Uncomfortable::Average), zero) => {
                let points = zero.iter().flat_map(|zero| zero.frequencies_hz());
                let points = points.map(|hz| (hz, Answer::At(AVERAGE_DB_HL)));
                let what = "uncomfortable level";
                let average = Contour::new(points.collect(), zero.as_ref(), &own, what);
                (Some(average), true)
            }
        };
        if let Some(uncomfortable) = &uncomfortable {
            uncomfortable.above(&thresholds)?;
        }
        let mut assumptions = vec![match &zero {
            Some(zero) if dial => format!(
                "force level = dial level + zero of the dial ({})",
                zero.source()
            ),
            _ => "thresholds are given as force levels".to_owned(),
        }];
        assumptions.push(format!(
            "what the person answered carries ± {stated} dB (k = 2): a retest moves by one step of 5 dB (common practice, no source)"
        ));
        assumptions.push("between audiometric frequencies at most an octave apart: linear in dB over the logarithm of frequency; beyond the outermost: held for two thirds of an octave".into());
        if average {
            assumptions.push(format!(
                "uncomfortable level: not this person’s, but {AVERAGE_DB_HL} dB HL, the average of normal hearing by air (Sherlock and Formby 2005, abstract read)"
            ));
        }
        Ok(Some(Self {
            thresholds,
            uncomfortable,
            zero,
            average,
            assumptions,
        }))
    }

    /// Threshold in `band`.
    pub fn threshold(&self, band: Band) -> Reading<ForceLevel> {
        self.thresholds.at(band.nominal_hz())
    }

    /// Whether nothing at all was heard at the frequency that decides in `band`.
    pub fn no_response(&self, band: Band) -> bool {
        matches!(
            self.thresholds.known(band.nominal_hz()),
            Known::NoResponse(_)
        )
    }

    /// Whether uncomfortable levels are given.
    pub fn has_uncomfortable(&self) -> bool {
        self.uncomfortable.is_some()
    }

    /// Uncomfortable level in `band`.
    pub fn uncomfortable(&self, band: Band) -> Reading<ForceLevel> {
        match &self.uncomfortable {
            Some(contour) => contour.at(band.nominal_hz()),
            None => Reading::not_measured("no uncomfortable level is given"),
        }
    }

    /// The zero of the dial.
    pub fn zero(&self) -> Option<&DialZero> {
        self.zero.as_ref()
    }
}

fn missing<T>(key: &str) -> Result<T> {
    let key = key.into();
    Err(Problem::MissingKey { key }.into())
}

#[cfg(test)]
mod tests;
