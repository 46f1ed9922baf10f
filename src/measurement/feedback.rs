//! # Feedback: oscillations that the sound at the microphone does not explain
//!
//! *Question.* Is the device feeding back?
//!
//! *Definition.* An oscillation is a narrow line of the force channel that
//! persists, that the sound at the reference microphone does not account for,
//! and that is neither a product of a stronger line nor a mains frequency.
//!
//! *Method.* 1. Lines of the force spectrum that stand above the noise of their
//! critical band are followed through time. 2. Where both channels share a
//! signal beside the line, their ratio there predicts what force the sound at
//! the line's frequency would make; the line's force above that is its excess.
//! 3. Where they do not, the microphone must show no line of its own, or one so
//! weak that no device could make that force of it. 4. Lines at
//! multiples of a stronger one, and lines beside which one ran that was at least
//! 20 dB stronger, are products of its distortion. 5. What lasts long enough,
//! stands out far enough and exceeds the prediction is an event; every other
//! lasting line is listed with its explanation.
//!
//! *Source.* Tone-to-noise ratio and critical bands after ECMA-418-1 (public
//! transcription); persistence as the most telling single evidence: Mounir,
//! Bernardi and van Waterschoot 2025, doi 10.1186/s13636-025-00399-1 (seen).
//! Excess over the microphone channel: own method.
//!
//! *Limits.* Feedback sound that reaches the reference microphone as strongly
//! as the device's own microphone looks like room sound and is missed; so is an
//! oscillation 20 dB below another, or below a tone that plays all the time. The
//! margin before oscillation is not estimated.

use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::levels::Needs;
use crate::levels::lines::Line;
use crate::quantity::{ForceLevel, Origin, Reading, Uncertainty};
use crate::trust::Check;

/// Lines of the force spectrum.
pub const NEEDS: Needs = Needs {
    lines: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Clipping,
    Check::Gaps,
    Check::Hum,
    Check::Impulses,
    Check::Clocks,
];

/// A line this far above what the microphone explains is unexplained, in dB.
const EXCESS_DB: f64 = 6.0;
/// No device of this kind gives more force for its sound than this, in dB re
/// 1 µN/20 µPa: full-on figures reach 35 dB to 50 dB (from memory).
const GREATEST_GAIN_DB: f64 = 55.0;
/// A device delays and colours its sound; channels more alike than this are one
/// signal twice.
const COPY: f64 = 0.999_999;
/// Expanded uncertainty of a line's level from its bins, in dB.
const LINE_DB: f64 = 0.2;
/// A line within this of a multiple of 50 or 60 Hz is the mains', in Hz.
const MAINS_HZ: f64 = 1.5;

/// What counts as an event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Options {
    /// Shortest event in seconds, from 0.3.
    pub shortest_s: f64,
    /// Smallest tone-to-noise ratio in dB, from 6.
    pub tone_to_noise_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            shortest_s: 0.5,
            tone_to_noise_db: 6.0,
        }
    }
}

impl Options {
    /// Refuses values below what lines are followed from.
    ///
    /// # Errors
    /// [`Problem::Value`].
    pub fn check(&self) -> Result<()> {
        at_least("options.feedback.shortest_s", self.shortest_s, 0.3)?;
        at_least(
            "options.feedback.tone_to_noise_db",
            self.tone_to_noise_db,
            6.0,
        )
    }
}

/// What was found.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// Oscillations, by start.
    pub events: Vec<Event>,
    /// Lasting lines that are not oscillations, and why.
    pub explained: Vec<Explained>,
}

/// One oscillation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Force level of the line.
    pub level: Reading<ForceLevel>,
    /// Level above the noise of its critical band, in dB.
    pub tone_to_noise_db: f64,
    /// Force above what the sound at the microphone explains, in dB, at most 99; absent
    /// where the channels share no signal beside the line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excess_db: Option<f64>,
    /// From 0 to 1: rises with the tone-to-noise ratio (full at 15 dB), the
    /// duration (full at 1 s) and the excess (full at 12 dB; 0.8 where absent).
    pub confidence: f64,
}

/// A lasting line that is no oscillation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Explained {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// What it is.
    pub explanation: Explanation,
}

/// Why a line is no oscillation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Explanation {
    /// The sound at the microphone accounts for it.
    InTheRoom,
    /// It stands at a multiple of a stronger line.
    Harmonic,
    /// A line at least 20 dB stronger ran beside it all the time: a product of
    /// that line's distortion.
    Product,
    /// It stands at a multiple of 50 Hz or 60 Hz.
    Mains,
}

/// Sorts the lasting lines into oscillations and explained ones.
///
/// # Errors
/// [`Problem::ChannelMissing`] without both channels; [`Problem::Silent`] or
/// [`Problem::Copied`] where they hold nothing to compare; [`Problem::Value`] for
/// options below what lines are followed from.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    let [force, microphone] = &input.capture.channels;
    let missing = |channel| Problem::ChannelMissing {
        measurement: "feedback",
        channel,
    };
    let force = force.as_ref().ok_or_else(|| missing("force"))?;
    microphone.as_ref().ok_or_else(|| missing("microphone"))?;
    options.check()?;
    let lines = input.capture.lines()?;
    for (slot, channel) in ["force", "microphone"].into_iter().enumerate() {
        if !lines.signal[slot] {
            return Err(Problem::Silent {
                measurement: "feedback",
                channel,
            }
            .into());
        }
    }
    if lines.likeness > COPY {
        return Err(Problem::Copied {
            measurement: "feedback",
        }
        .into());
    }
    let lasting = lines.lines.iter().filter(|line| {
        line.end_s - line.start_s >= options.shortest_s
            && line.tone_to_noise_db >= options.tone_to_noise_db
    });
    let mut outcome = Outcome {
        events: Vec::new(),
        explained: Vec::new(),
    };
    for line in lasting {
        let uncertainty = force
            .uncertainty_at(line.frequency_hz)
            .and(Origin::Analysis, LINE_DB);
        match explanation(line) {
            None => outcome.events.push(event(line, uncertainty)),
            Some(explanation) => outcome.explained.push(Explained {
                frequency_hz: line.frequency_hz,
                start_s: line.start_s,
                end_s: line.end_s,
                explanation,
            }),
        }
    }
    Ok(outcome)
}

fn explanation(line: &Line) -> Option<Explanation> {
    let in_the_room = match excess_db(line) {
        Some(excess_db) => excess_db < EXCESS_DB,
        None => {
            let gain = line.mean_square / line.microphone_mean_square;
            line.microphone_tone_to_noise_db >= 0.0 && gain_db(gain) < GREATEST_GAIN_DB
        }
    };
    let mains = [50.0, 60.0].iter().any(|hz| {
        let order = (line.frequency_hz / hz).round();
        order <= 12.0 && (line.frequency_hz - order * hz).abs() < MAINS_HZ
    });
    if in_the_room {
        Some(Explanation::InTheRoom)
    } else if line.harmonic_share > 0.5 {
        Some(Explanation::Harmonic)
    } else if line.company_share > 0.8 {
        Some(Explanation::Product)
    } else if mains {
        Some(Explanation::Mains)
    } else {
        None
    }
}

/// A squared gain in (N/Pa)² as a level difference, dB re 1 µN/20 µPa.
fn gain_db(gain: f64) -> f64 {
    10.0 * (gain * (20e-6f64 / 1e-6).powi(2)).log10()
}

/// Force of a line above what its sound at the microphone would make, in dB.
/// A gain beside the line that no device has is that of the way back, from the
/// device's own sound to the microphone, and tells nothing.
fn excess_db(line: &Line) -> Option<f64> {
    let gain = line
        .gain_beside
        .filter(|gain| gain_db(*gain) < GREATEST_GAIN_DB)?;
    let excess_db = 10.0 * (line.mean_square / (gain * line.microphone_mean_square)).log10();
    // No trace at the microphone: as much as can be told.
    Some(excess_db.min(99.0))
}

fn event(line: &Line, uncertainty: Uncertainty) -> Event {
    let level = match ForceLevel::from_mean_square(line.mean_square) {
        Some(level) => Reading::measured(level, uncertainty),
        None => Reading::not_measured("no power in the line"),
    };
    let part = |figure: f64, full: f64| (figure / full).clamp(0.0, 1.0);
    let excess_db = excess_db(line);
    let excess = excess_db.map_or(0.8, |db| part(db, 12.0));
    Event {
        frequency_hz: line.frequency_hz,
        start_s: line.start_s,
        end_s: line.end_s,
        level,
        tone_to_noise_db: line.tone_to_noise_db,
        excess_db,
        confidence: part(line.tone_to_noise_db, 15.0)
            * part(line.end_s - line.start_s, 1.0)
            * excess,
    }
}

fn at_least(key: &str, found: f64, least: f64) -> Result<()> {
    if found >= least {
        return Ok(());
    }
    Err(Diagnostic::value(key, found, &format!("{least} or more")))
}
