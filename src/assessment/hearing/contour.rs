//! Levels over frequency as a person or a table gives them, some of them bounds
//! or missing, and what lies between.

use super::super::person::Answer;
use super::DialZero;
use crate::diagnostic::{Diagnostic, Result};
use crate::quantity::{ForceLevel, Reading, Uncertainty};

/// How far a level is carried beyond the outermost frequency, in octaves.
const HELD_OCTAVES: f64 = 2.0 / 3.0;

/// Levels over frequency, some of them bounds or missing.
#[derive(Debug, Clone, PartialEq)]
pub struct Contour {
    /// Frequencies in Hz and answers, rising.
    pub points: Vec<(f64, Answer)>,
    /// That of every level.
    pub uncertainty: Uncertainty,
    /// What it is of, in messages.
    pub what: &'static str,
}

/// What a contour knows at a frequency.
pub enum Known {
    /// A level.
    Level(f64),
    /// A level above this one, because of the answer at a frequency.
    Above(f64, f64),
    /// No level, because there was no response at a frequency.
    NoResponse(f64),
    /// Nothing was asked near enough.
    Gap,
}

impl Contour {
    /// Answers as force levels; those whose frequency the zero of the dial does
    /// not reach cannot be carried over and are left out.
    pub fn new(
        mut points: Vec<(f64, Answer)>,
        zero: Option<&DialZero>,
        own: &Uncertainty,
        what: &'static str,
    ) -> Self {
        let mut uncertainty = own.clone();
        if let Some(zero) = zero {
            uncertainty = uncertainty.plus(zero.uncertainty());
            points.retain_mut(|(hz, answer)| match (zero.at(*hz), answer) {
                (Some(zero), Answer::At(db) | Answer::Above(db)) => {
                    *db += zero.db();
                    true
                }
                (Some(_), Answer::NoResponse) => true,
                (None, _) => false,
            });
        }
        Self {
            points,
            uncertainty,
            what,
        }
    }

    /// What is known at `hz`.
    pub fn known(&self, hz: f64) -> Known {
        let below = self.points.iter().rev().find(|(at, _)| *at <= hz);
        let above = self.points.iter().find(|(at, _)| *at >= hz);
        let octaves = |low: f64, high: f64| (high / low).log2();
        match (below, above) {
            (Some(low), Some(high)) if low.0 == high.0 => Known::of(*low),
            (Some(low), Some(high)) if octaves(low.0, high.0) <= 1.0 + 1e-9 => {
                let share = octaves(low.0, hz) / octaves(low.0, high.0);
                between(*low, *high, share, hz)
            }
            (Some(end), None) if octaves(end.0, hz) <= HELD_OCTAVES => Known::of(*end),
            (None, Some(end)) if octaves(hz, end.0) <= HELD_OCTAVES => Known::of(*end),
            _ => Known::Gap,
        }
    }

    /// The level at `hz`.
    pub fn at(&self, hz: f64) -> Reading<ForceLevel> {
        let what = self.what;
        match self.known(hz) {
            Known::Level(db) => {
                Reading::measured(ForceLevel::from_db(db), self.uncertainty.clone())
            }
            Known::Above(db, at) => Reading::AtLeast(
                ForceLevel::from_db(db),
                format!("the {what} at {at} Hz lies beyond the device’s limit"),
            ),
            Known::NoResponse(at) => Reading::not_measured(format!("no response at {at} Hz")),
            Known::Gap => Reading::not_measured(format!(
                "no {what} is given near enough: an octave at most between two, two thirds of one beyond the last"
            )),
        }
    }

    /// Refuses to lie at or below `thresholds` where both are levels.
    pub fn above(&self, thresholds: &Self) -> Result<()> {
        for (hz, answer) in &self.points {
            if let (Answer::At(db), Known::Level(threshold)) = (answer, thresholds.known(*hz))
                && *db <= threshold
            {
                return Err(Diagnostic::value(
                    &format!("person.uncomfortable.{hz}"),
                    format!("{:.0} dB at or below the threshold", threshold - db),
                    "a level above the threshold: one of the two is wrong",
                ));
            }
        }
        Ok(())
    }
}

impl Known {
    fn of((hz, answer): (f64, Answer)) -> Self {
        match answer {
            Answer::At(db) => Self::Level(db),
            Answer::Above(db) => Self::Above(db, hz),
            Answer::NoResponse => Self::NoResponse(hz),
        }
    }
}

/// Between two answers. Where one of them is no level, the other stands for the
/// third-octave band in which it lies.
fn between(low: (f64, Answer), high: (f64, Answer), share: f64, hz: f64) -> Known {
    use Answer::{Above, At, NoResponse};
    let mean = |a: f64, b: f64| a + share * (b - a);
    match (low.1, high.1) {
        (At(a), At(b)) => Known::Level(mean(a, b)),
        (At(a), Above(b)) => Known::Above(mean(a, b), high.0),
        (Above(a), At(b) | Above(b)) => Known::Above(mean(a, b), low.0),
        (NoResponse, _) | (_, NoResponse) => {
            let (silent, other) = if low.1 == NoResponse {
                (low, high)
            } else {
                (high, low)
            };
            let inside = (other.0 / hz).log10().abs() <= 0.05;
            if inside && other.1 != NoResponse {
                Known::of(other)
            } else {
                Known::NoResponse(silent.0)
            }
        }
    }
}
