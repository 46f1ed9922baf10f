//! The sound that is presented: its kinds and figures, as scenarios write them.

mod source;

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::spectrum::{Colour, exact_hz};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{Band, BandRange, InterleavedTones};

pub use source::Source;

/// 0 dB SPL in pascals.
pub const PASCALS_AT_0_DB: f64 = 20e-6;
/// 0 dB re 1 µN in newtons.
pub const NEWTONS_AT_0_DB: f64 = 1e-6;

/// What is presented, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Stimulus {
    /// Nothing.
    Silence {},
    /// Noise with the long-term average spectrum of speech.
    SpeechNoise {},
    /// A WAV file, mono, at the scenario's rate; repeated if too short.
    Speech { file: PathBuf },
    /// The same with speech-shaped noise; the level is that of the speech.
    SpeechInNoise {
        file: PathBuf,
        signal_to_noise_db: f64,
        #[serde(default)]
        inverted: bool,
    },
    /// Pink noise.
    Pink {
        #[serde(default = "pink_from_hz")]
        lowest_hz: f64,
        #[serde(default = "pink_to_hz")]
        highest_hz: f64,
    },
    /// White noise up to half the sampling rate; its level is that of all of it.
    White {},
    /// One tone.
    Tone { frequency_hz: f64 },
    /// Tones one after the other; without a list, the exact midband frequencies
    /// of the third octaves from 200 Hz to 8 kHz.
    SteppedTones {
        #[serde(default = "midbands_hz")]
        frequencies_hz: Vec<f64>,
        #[serde(default = "half_a_second")]
        step_s: f64,
    },
    /// Exponential sweep, repeated.
    Sweep {
        #[serde(default = "sweep_from_hz")]
        lowest_hz: f64,
        #[serde(default = "sweep_to_hz")]
        highest_hz: f64,
        length_s: f64,
    },
    /// A tone at the level for `on_s`, then at `rest_db_spl` (or silent) for
    /// `off_s`, and so on.
    Bursts {
        frequency_hz: f64,
        on_s: f64,
        off_s: f64,
        rest_db_spl: Option<f64>,
    },
    /// A tone at one level after the other.
    Staircase {
        frequency_hz: f64,
        levels_db_spl: Vec<f64>,
        step_s: f64,
    },
    /// Tones from the direction of the capture and, between them, tones from the
    /// opposite one, all periodic; the former at the level, the latter
    /// `opposite_db` above it.
    InterleavedTones {
        #[serde(default)]
        tones: InterleavedTones,
        #[serde(default)]
        opposite_db: f64,
    },
    /// A force of known level on the simulator; no device.
    ForceTone { frequency_hz: f64, level_db: f64 },
    /// A calibrator on the reference microphone; no device.
    MicrophoneTone {
        frequency_hz: f64,
        level_db_spl: f64,
    },
}

fn pink_from_hz() -> f64 {
    80.0
}
fn pink_to_hz() -> f64 {
    20_000.0
}
fn half_a_second() -> f64 {
    0.5
}
fn sweep_from_hz() -> f64 {
    100.0
}
fn sweep_to_hz() -> f64 {
    10_000.0
}
fn midbands_hz() -> Vec<f64> {
    let range = Band::named(200.0).and_then(|low| BandRange::new(low, Band::named(8000.0)?));
    range.map_or_else(|_| Vec::new(), |r| r.bands().map(exact_hz).collect())
}

impl Stimulus {
    /// The WAV file it plays.
    pub fn file(&self) -> Option<&Path> {
        match self {
            Self::Speech { file } | Self::SpeechInNoise { file, .. } => Some(file),
            _ => None,
        }
    }

    /// Level and frequency of a calibrator's tone.
    pub(super) fn calibrator(&self) -> Option<(f64, f64)> {
        match *self {
            Self::ForceTone {
                frequency_hz,
                level_db,
            } => Some((level_db, frequency_hz)),
            Self::MicrophoneTone {
                frequency_hz,
                level_db_spl,
            } => Some((level_db_spl, frequency_hz)),
            _ => None,
        }
    }

    /// Whether the capture's `level_db_spl` says how loud it is.
    pub fn needs_level(&self) -> bool {
        !matches!(
            self,
            Self::Silence {}
                | Self::Staircase { .. }
                | Self::ForceTone { .. }
                | Self::MicrophoneTone { .. }
        )
    }

    /// Power spectral density at `hz` up to a factor, for weighting in a band.
    pub fn density(&self, hz: f64, speech: &Colour, rate_hz: f64) -> f64 {
        match self {
            Self::White {} => 1.0,
            Self::SpeechNoise {} | Self::Speech { .. } | Self::SpeechInNoise { .. } => {
                speech.power(hz, rate_hz)
            }
            _ => 1.0 / hz,
        }
    }

    /// Checks the figures.
    pub fn check(&self, rate_hz: f64) -> Result<()> {
        let hz = |key: &str, found: f64| {
            within(&format!("stimulus.{key}"), found, 1.0, 0.5 * rate_hz, "Hz")
        };
        let seconds =
            |key: &str, found: f64| within(&format!("stimulus.{key}"), found, 1e-3, 3600.0, "s");
        match self {
            Self::Pink { lowest_hz, .. } => hz("lowest_hz", *lowest_hz),
            Self::Tone { frequency_hz }
            | Self::ForceTone { frequency_hz, .. }
            | Self::MicrophoneTone { frequency_hz, .. } => hz("frequency_hz", *frequency_hz),
            Self::SteppedTones {
                frequencies_hz,
                step_s,
            } => {
                if frequencies_hz.is_empty() {
                    let key = "stimulus.frequencies_hz".into();
                    return Err(Problem::MissingKey { key }.into());
                }
                frequencies_hz
                    .iter()
                    .try_for_each(|f| hz("frequencies_hz", *f))?;
                seconds("step_s", *step_s)
            }
            Self::Sweep {
                lowest_hz,
                highest_hz,
                length_s,
            } => {
                hz("lowest_hz", *lowest_hz)?;
                hz("highest_hz", *highest_hz)?;
                above("stimulus.highest_hz", *highest_hz, *lowest_hz)?;
                seconds("length_s", *length_s)
            }
            Self::Bursts {
                frequency_hz,
                on_s,
                off_s,
                ..
            } => {
                hz("frequency_hz", *frequency_hz)?;
                seconds("on_s", *on_s)?;
                seconds("off_s", *off_s)
            }
            Self::Staircase {
                frequency_hz,
                levels_db_spl,
                step_s,
            } => {
                if levels_db_spl.is_empty() {
                    let key = "stimulus.levels_db_spl".into();
                    return Err(Problem::MissingKey { key }.into());
                }
                hz("frequency_hz", *frequency_hz)?;
                seconds("step_s", *step_s)
            }
            Self::InterleavedTones { tones, opposite_db } => {
                tones.check()?;
                within("stimulus.opposite_db", *opposite_db, -40.0, 40.0, "dB")
            }
            _ => Ok(()),
        }
    }
}

/// Refuses `found` outside `least` to `most`.
pub fn within(key: &str, found: f64, least: f64, most: f64, unit: &str) -> Result<()> {
    if (least..=most).contains(&found) {
        return Ok(());
    }
    Err(Diagnostic::value(
        key,
        found,
        &format!("{least} to {most} {unit}"),
    ))
}

fn above(key: &str, found: f64, least: f64) -> Result<()> {
    if found > least {
        return Ok(());
    }
    Err(Diagnostic::value(key, found, &format!("more than {least}")))
}
