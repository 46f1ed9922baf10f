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
//! margin from the inverse response and from the ripple: own methods.
//!
//! *Limits.* The transfer between the channels holds what reaches the device's
//! microphone beyond what reaches the reference microphone. Feedback that both
//! hear alike is missed, and as far as the reference microphone hears it the
//! margin is overstated, unless a substitution capture tells what plays. An oscillation that runs through the whole recording
//! unchanged at a multiple of the mains frequency is called hum. A second oscillation
//! more than 40 dB below the first is called its product. The margin holds for this bench and for the gains that
//! the device had in the recording.

mod cepstrum;
pub mod change;
pub mod conclusion;
pub mod events;
mod least_squares;
pub mod loop_gain;
pub mod map;
pub mod margin;
mod motion;
pub mod ripple;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::levels::{Levels, Needs};
use crate::trust::Check;
pub use change::Change;
use change::Side;
pub use conclusion::Conclusion;
pub use events::{Event, Explained, Explanation};
use loop_gain::LoopGain;
pub use map::Map;
pub use margin::Margin;
pub use ripple::{Ripple, Substitution};

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
    /// One capture, perhaps beside the same sound without the device's output.
    Capture(&'a Levels, Option<&'a Levels>),
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
            None => Ok(Self::Capture(
                captures.role("capture")?,
                captures.optional("substitution"),
            )),
        }
    }
}

/// What counts as an event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "FeedbackOptions")]
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
#[schemars(rename = "FeedbackOutcome")]
pub enum Outcome {
    /// In one capture.
    Capture(Box<Found>),
    /// From before to after.
    Pair {
        /// What changed.
        change: Box<Change>,
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
    /// What the magnitude of the transfer shows of the loop, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ripple: Option<Ripple>,
    /// The margin beside a substitution capture, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub substitution: Option<Substitution>,
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
        Input::Capture(capture, substitution) => {
            let (found, _) = search(capture, *substitution, options)?;
            Ok(Outcome::Capture(Box::new(found)))
        }
        Input::Pair([before, after]) => {
            let (before, after) = (
                search(before, None, options)?,
                search(after, None, options)?,
            );
            let [before, after] = [&before, &after].map(|(found, loop_gain)| Side {
                events: &found.events,
                margin: &found.margin,
                found: loop_gain.as_ref(),
            });
            let change = Box::new(change::change(&before, &after));
            Ok(Outcome::Pair { change })
        }
    }
}

fn search(
    capture: &Levels,
    substitution: Option<&Levels>,
    options: &Options,
) -> Result<(Found, Option<LoopGain>)> {
    let measurement = "feedback";
    let [force, _] = capture.both_channels(measurement)?;
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
    let (mut events, mut explained) = events::sorted(lines, transfer, force, options);
    let (margin, loop_gain) = margin::margin(transfer);
    if let Some(found) = &loop_gain {
        events::ring(&mut events, &mut explained, &margin.rings_at(found));
    }
    let longest = events
        .iter()
        .max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)));
    let (mut margin, loop_gain) = match longest {
        // Beside the line the sound may still tell path and device.
        Some(event) => (Margin::oscillating(event.frequency_hz), loop_gain),
        None => (margin, loop_gain),
    };
    // Only where a loop was found: one echo ripples, too.
    let loop_found = events.is_empty() && margin.frequency_hz.is_some();
    let quiet = loop_gain.as_ref().filter(|_| loop_found);
    let ripple = quiet.and_then(|found| Ripple::new(transfer, &found.band));
    if let Some(ripple) = &ripple {
        margin.checked_by(&ripple.margin);
    }
    let substitution = match (quiet, substitution) {
        (Some(found), Some(sound)) => {
            let sound = sound.transfer()?;
            Some(Substitution::new(transfer, sound, &found.band, &margin))
        }
        _ => None,
    };
    if let Some(heard) = substitution.as_ref().filter(|s| s.hears()) {
        margin.gain_margin = heard.margin.clone();
        margin.at_loud = None;
    }
    let found = Found {
        ripple,
        substitution,
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
