//! # Output force level for 90 dB SPL
//!
//! *Question.* What is the largest force that the device delivers, tone by tone?
//!
//! *Definition.* Level of the fundamental in the force while a tone of 90 dB SPL is
//! presented and the gain is full on, settled (OFL90); the largest of them; and their
//! mean in decibels at the average frequencies: 1000 Hz, 1600 Hz and 2500 Hz unless
//! others are chosen, and three special-purpose ones where the maker names them.
//!
//! *Method.* 1. The steps of the sweep are found in the microphone channel. 2. Over
//! the settled half of each, the fundamental of both channels by correlation. 3. A
//! step counts if the sound stands within 2 dB of 90 dB SPL; by how much it departs
//! is told, the force is not corrected for it: near the limit of the output it hardly
//! follows. 4. Third-octave midbands from 200 Hz to 8000 Hz without a usable step are
//! listed as missing; nothing is interpolated.
//!
//! *Source.* IEC 60118-9 and ANSI S3.22 by public summaries, the standards not
//! opened: frequencies of both averages, 90 dB SPL, measured range.
//!
//! *Limits.* A sweep without steps has no settled part. The gain must be full on: a
//! recording cannot tell.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use super::presented::Presented;
use super::sweep::{AVERAGE_HZ, Asked, Point, Summary, Sweep};
use crate::diagnostic::Result;
use crate::levels::Needs;
use crate::quantity::ForceLevel;
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

/// Presented level that the standards name, in dB SPL.
const PRESENTED_DB: f64 = 90.0;

/// What to take the averages over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "OutputForceLevelOptions")]
pub struct Options {
    /// Frequencies of the high-frequency average.
    pub average_hz: Vec<f64>,
    /// Frequencies of the special-purpose average; none: no such average.
    pub special_purpose_hz: Vec<f64>,
    /// How far from 90 dB SPL a step may be presented and count.
    pub largest_deviation_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            average_hz: AVERAGE_HZ.to_vec(),
            special_purpose_hz: Vec::new(),
            largest_deviation_db: 2.0,
        }
    }
}

impl Options {
    /// Refuses averages over no frequency of a third octave, and a deviation outside
    /// 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`], [`crate::Problem::UnknownBand`].
    pub fn check(&self) -> Result<()> {
        self.asked()
            .check(&self.average_hz, &self.special_purpose_hz)
    }

    pub(super) fn asked(&self) -> Asked {
        Asked {
            measurement: "output_force_level",
            level_db_spl: PRESENTED_DB,
            largest_deviation_db: self.largest_deviation_db,
        }
    }
}

/// The curve and what stands for it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "OutputForceLevelOutcome")]
pub struct Outcome {
    /// The largest force, and averages.
    #[serde(flatten)]
    pub summary: Summary<ForceLevel>,
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
    Ok(Outcome {
        summary: sweep.summary(averages, |p| &p.force, ForceLevel::from_db),
        curve: sweep.curve,
        missing: sweep.missing,
        steps: sweep.steps,
    })
}
