//! # Full-on sensitivity
//!
//! *Question.* How much force does the device make of a soft tone, the gain full on?
//!
//! *Definition.* Full-on acousto-mechanical sensitivity level: force level minus sound
//! pressure level of a tone of 50 dB SPL, settled, in dB re 1 µN/20 µPa; the largest of
//! them; and their mean at the average frequencies.
//!
//! *Method.* 1. The steps of the sweep are found in the microphone channel. 2. Over the
//! settled half of each, the fundamental of both channels by correlation; the level
//! that was presented is the one taken off. 3. Average frequencies more than 15 dB
//! below the maximum are named: with one of them, the special-purpose average stands
//! for the device.
//!
//! *Source.* 50 dB SPL (60 dB SPL in older editions), average frequencies and the
//! 15 dB of the special-purpose rule: ANSI S3.22 by public summaries; as force over
//! sound: IEC 60118-9 (title and terms seen, standards not opened).
//!
//! *Limits.* The gain must be full on and adaptive features off: a recording cannot
//! tell. Near feedback, the loop is part of the figure.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use super::presented::Presented;
use super::sweep::{AVERAGE_HZ, Asked, Point, Summary, Sweep};
use crate::diagnostic::Result;
use crate::levels::Needs;
use crate::quantity::SensitivityLevel;
use crate::trust::Check;

/// The samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up. Clipping is judged step by step.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Gaps,
    Check::MicrophonePosition,
];

/// How far below the maximum an average frequency may lie, in dB.
const BELOW_DB: f64 = 15.0;

/// At which level, and what to take the averages over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "FullOnSensitivityOptions")]
pub struct Options {
    /// Presented level in dB SPL: 50, or 60 as older standards have it.
    pub level_db_spl: f64,
    /// Frequencies of the high-frequency average.
    pub average_hz: Vec<f64>,
    /// Frequencies of the special-purpose average; none: no such average.
    pub special_purpose_hz: Vec<f64>,
    /// How far from that level a step may be presented and count.
    pub largest_deviation_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            level_db_spl: 50.0,
            average_hz: AVERAGE_HZ.to_vec(),
            special_purpose_hz: Vec::new(),
            largest_deviation_db: 2.0,
        }
    }
}

impl Options {
    /// Refuses averages over no frequency of a third octave, a level outside 20 dB SPL
    /// to 110 dB SPL and a deviation outside 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`], [`crate::Problem::UnknownBand`].
    pub fn check(&self) -> Result<()> {
        self.asked()
            .check(&self.average_hz, &self.special_purpose_hz)
    }

    pub(super) fn asked(&self) -> Asked {
        Asked {
            measurement: "full_on_sensitivity",
            level_db_spl: self.level_db_spl,
            largest_deviation_db: self.largest_deviation_db,
        }
    }
}

/// The curve and what stands for it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "FullOnSensitivityOutcome")]
pub struct Outcome {
    /// The largest sensitivity, and averages.
    #[serde(flatten)]
    pub summary: Summary<SensitivityLevel>,
    /// Frequencies of `average_hz` more than 15 dB below the maximum: if there is one,
    /// the special-purpose average stands for the device.
    pub far_below_maximum_hz: Vec<f64>,
    /// The curve, in ascending frequency.
    pub curve: Vec<Point>,
    /// Third-octave midbands without a usable step, and why, in words.
    pub missing: Vec<String>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

/// The curve of the usable steps.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let sweep = Sweep::of(input.capture, options.asked())?;
    let averages: [&[f64]; 2] = [&options.average_hz, &options.special_purpose_hz];
    let summary = sweep.summary(averages, |p| &p.sensitivity, SensitivityLevel::from_db);
    let db_at = |hz: f64| Some(sweep.at(hz)?.sensitivity.figure()?.db());
    let far_below = |hz: &&f64| {
        let apart = summary.maximum.figure().zip(db_at(**hz));
        apart.is_some_and(|(most, db)| most.db() - db > BELOW_DB)
    };
    Ok(Outcome {
        far_below_maximum_hz: options
            .average_hz
            .iter()
            .filter(far_below)
            .copied()
            .collect(),
        summary,
        curve: sweep.curve,
        missing: sweep.missing,
        steps: sweep.steps,
    })
}
