//! # Feedback: is it feeding back, how near is it, and is it the bench or the device?
//!
//! *Question.* Is the device feeding back, how many decibels are left before it
//! would, and did a change on the bench change that?
//!
//! *Definition.* An oscillation is a narrow line of the force channel that
//! persists, that the sound at the reference microphone does not account for,
//! and that is neither a product of stronger lines nor hum nor an idle tone. The
//! margin is −20 lg |A F| at the worst frequency at which sound comes round the
//! loop of device A and feedback path F in phase.
//!
//! *Method.* 1. Lines of the force spectrum that stand 2 dB above the noise of their
//! critical band in two frames of three are followed through time; their mean power over
//! their whole time must reach the least tone-to-noise ratio within twice its random
//! error. 2. Where both channels share a
//! signal beside the line, their ratio there predicts what force the sound at
//! the line's frequency would make; the line's force above that is its excess.
//! 3. Where they do not, the microphone must show no line of its own, or one so
//! weak that no device could make that force of it. 4. Lines at multiples of a
//! stronger one, and lines where distortion of lines at least 20 dB stronger puts
//! one, or at least 40 dB stronger wherever, are products; a line that is coherent with a
//! microphone channel without one rings while sound feeds it; a line that stands
//! throughout, unchanged, is hum at multiples of 50 Hz or 60 Hz and an idle tone where it
//! is weaker than what limits a device. 5. What lasts long enough, stands out far
//! enough and exceeds the prediction is an event; every other lasting line is
//! listed with its explanation. 6. The margin: see [`loop_gain`]. 7. A pair of
//! captures: see [`change`](mod@change).
//!
//! *Source.* Tone-to-noise ratio, prominence ratio and critical bands after
//! ECMA-418-1 (public transcription); persistence as the most telling single
//! evidence: Mounir, Bernardi and van Waterschoot 2025, doi
//! 10.1186/s13636-025-00399-1 (seen). Loop and margin: van Waterschoot and Moonen
//! 2011, Proc. IEEE 99(2), 288–327. Excess over the microphone channel, and the
//! margin from the inverse response: own methods.
//!
//! *Limits.* The transfer between the channels holds what reaches the device's
//! microphone beyond what reaches the reference microphone. Feedback that both
//! hear alike is missed, and as far as the reference microphone hears it the
//! margin is overstated. An oscillation that runs through the whole recording
//! unchanged at a multiple of the mains frequency is called hum. A second oscillation
//! more than 40 dB below the first is called its product. The margin holds for this bench and for the gains that
//! the device had in the recording.

pub mod change;
pub mod conclusion;
pub mod events;
mod least_squares;
pub mod loop_gain;
pub mod map;
pub mod margin;
mod motion;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::levels::{Levels, Needs};
use crate::quantity::Role;
use crate::trust::Check;
pub use change::Change;
use change::Side;
pub use conclusion::Conclusion;
pub use events::{Event, Explained, Explanation};
use loop_gain::LoopGain;
pub use map::Map;
pub use margin::Margin;

/// Lines of the force spectrum, and the transfer from microphone to force.
pub const NEEDS: Needs = Needs {
    lines: true,
    transfer: true,
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

/// A device delays and colours its sound; channels more alike than this are one
/// signal twice.
const COPY: f64 = 0.999_999;

/// One capture, or one before and one after a change on the bench.
pub enum Input<'a> {
    /// One capture.
    Capture(&'a Levels),
    /// Before and after.
    Pair([&'a Levels; 2]),
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        match captures.optional("before") {
            Some(before) => Ok(Self::Pair([before, captures.role("after")?])),
            None => captures.role("capture").map(Self::Capture),
        }
    }
}

/// What counts as an event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Outcome {
    /// In one capture.
    Capture(Found),
    /// From before to after.
    Pair {
        /// What changed.
        change: Change,
    },
}

/// What was found in one capture.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Found {
    /// Oscillations, by start.
    pub events: Vec<Event>,
    /// Lasting lines that are not oscillations, and why.
    pub explained: Vec<Explained>,
    /// Decibels before oscillation.
    pub margin: Margin,
    /// Both channels over time and frequency, where there are events to see.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub map: Option<Map>,
}

/// Searches a capture, or compares two.
///
/// # Errors
/// [`Problem::ChannelMissing`] without both channels; [`Problem::Silent`] or
/// [`Problem::Copied`] where they hold nothing to compare; [`Problem::Value`] for
/// options below what lines are followed from.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    match input {
        Input::Capture(capture) => Ok(Outcome::Capture(search(capture, options)?.0)),
        Input::Pair([before, after]) => {
            let (before, after) = (search(before, options)?, search(after, options)?);
            let [before, after] = [&before, &after].map(|(found, loop_gain)| Side {
                events: &found.events,
                margin: &found.margin,
                found: loop_gain.as_ref(),
            });
            let change = change::change(&before, &after);
            Ok(Outcome::Pair { change })
        }
    }
}

fn search(capture: &Levels, options: &Options) -> Result<(Found, Option<LoopGain>)> {
    let measurement = "feedback";
    let force = capture.channel(Role::Force, measurement)?;
    capture.channel(Role::Microphone, measurement)?;
    let lines = capture.lines()?;
    for (slot, channel) in ["force", "microphone"].into_iter().enumerate() {
        if !lines.signal[slot] {
            return Err(Problem::Silent {
                measurement,
                channel,
            }
            .into());
        }
    }
    if lines.likeness > COPY {
        return Err(Problem::Copied { measurement }.into());
    }
    let transfer = capture.transfer()?;
    let (events, explained) = events::sorted(lines, transfer, force, options);
    let longest = events
        .iter()
        .max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)));
    let (margin, loop_gain) = match longest {
        Some(event) => {
            // Beside the line the sound may still tell path and device.
            let (_, loop_gain) = margin::margin(transfer);
            (Margin::oscillating(event.frequency_hz), loop_gain)
        }
        None => margin::margin(transfer),
    };
    let found = Found {
        map: (!events.is_empty()).then(|| Map::of(&lines.map)),
        events,
        explained,
        margin,
    };
    Ok((found, loop_gain))
}

fn at_least(key: &str, found: f64, least: f64) -> Result<()> {
    if found >= least {
        return Ok(());
    }
    Err(Diagnostic::value(key, found, &format!("{least} or more")))
}
