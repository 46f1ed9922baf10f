//! # Tone of a calibrator
//!
//! *Question.* Does the channel still read what the calibrator makes, and may
//! the recording of it be believed?
//!
//! *Definition.* Level of the tone, by the calibration in force, minus the level
//! that the calibrator is stated to make. Short-term level fluctuation: the larger
//! of the departures of the largest and the smallest F-weighted level from the
//! mean. Total distortion and noise: r.m.s. of all but the tone, 22.4 Hz to
//! 22.4 kHz, over the r.m.s. of the whole. Drift: the deviation now minus that of
//! an earlier recording of the same calibrator.
//!
//! *Method.* 1. The tone is what lies within 18 Hz of the strongest line, so that
//! noise and harmonics do not count as level. 2. Its frequency, fluctuation and
//! distortion are held against the limits for calibrators of class 1; beyond one
//! of them there is no deviation, but a reason. 3. The fluctuation counts as
//! rectangular uncertainty of the level, U = 2 a/√3.
//!
//! *Source.* IEC 60942:2017, 5.3.3, 5.4.2, 5.6, Tables 2, 4 and 7, from a public
//! transcription. Its limits are the calibrator's own; here they hold for
//! calibrator, coupling, room and recorder together, for a force reference as for
//! sound. A series of measurements is void where the drift exceeds 0.5 dB: common
//! practice, no source.
//!
//! *Limits.* A calibrator at another level than stated looks like another
//! sensitivity. What the drift was in between is not known. The repeatability of
//! putting the microphone into the coupler is not in the uncertainty.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::levels::tone::{StatedTone, Tone};
use crate::levels::{Levels, Needs};
use crate::quantity::{
    ForceLevel, Frequency, LevelDifference, Origin, Percentage, PressureLevel, Reading, Role,
    Uncertainty,
};
use crate::table::calibrator::Limits;
use crate::trust::Check;

/// The tone.
pub const NEEDS: Needs = Needs {
    tone: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = &[Check::ChannelCopy, Check::Clipping, Check::Gaps];

/// Expanded uncertainty of the level of a tone amid noise 40 dB lower and
/// harmonics of 2 %, in dB (tests/reference/calibrator_tone.rs).
const ANALYSIS_DB: f64 = 0.01;
/// Expanded uncertainty of its frequency, in Hz (the same).
const ANALYSIS_HZ: f64 = 0.05;
/// Expanded uncertainty of distortion and noise, in percent (the same).
const ANALYSIS_PERCENT: f64 = 0.05;

/// A recording of a calibrator and, to know the drift, an earlier one.
pub struct Input<'a> {
    /// The recording.
    pub capture: &'a Levels,
    /// The earlier one.
    pub earlier: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            capture: captures.role("capture")?,
            earlier: captures.optional("earlier"),
        })
    }
}

/// What to hold the drift against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "CalibratorToneOptions")]
pub struct Options {
    /// Largest drift, in dB, at which what was measured in between is believed.
    pub largest_drift_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            largest_drift_db: 0.5,
        }
    }
}

impl Options {
    /// Refuses a drift that is not between 0 dB and 6 dB.
    ///
    /// # Errors
    /// [`Problem::Value`].
    pub fn check(&self) -> Result<()> {
        if self.largest_drift_db > 0.0 && self.largest_drift_db <= 6.0 {
            return Ok(());
        }
        Err(Diagnostic::value(
            "options.calibrator_tone.largest_drift_db",
            self.largest_drift_db,
            "more than 0 dB, at most 6 dB",
        ))
    }
}

/// What the recording of a calibrator says.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "CalibratorToneOutcome")]
pub struct Outcome {
    /// The channel.
    pub role: Role,
    /// Level that the calibrator is stated to make, dB re 1 µN or 20 µPa.
    pub stated_level_db: f64,
    /// Frequency that it is stated to make.
    pub stated_frequency_hz: f64,
    /// Level by the calibration in force minus the stated level.
    pub level_deviation: Reading<LevelDifference>,
    /// Frequency of the tone.
    pub frequency: Reading<Frequency>,
    /// Short-term level fluctuation.
    pub fluctuation: Reading<LevelDifference>,
    /// Total distortion and noise.
    pub distortion: Reading<Percentage>,
    /// Level deviation minus that of the earlier recording, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drift: Option<Reading<LevelDifference>>,
    /// Drift up to which what was measured in between is believed.
    pub largest_drift_db: f64,
    /// What keeps the recording from being believed, and the remedies.
    #[serde(skip)]
    faults: Vec<(String, &'static str)>,
}

impl Outcome {
    /// Whether the channel drifted further than allowed; `None` without an
    /// earlier recording, or where one of the two cannot be believed.
    pub fn drifted(&self) -> Option<bool> {
        let drift = self.drift.as_ref()?.figure()?;
        Some(drift.db().abs() > self.largest_drift_db)
    }

    /// Why no sensitivity may be taken from this recording.
    ///
    /// # Errors
    /// [`Problem::NotTheTone`].
    pub fn believable(&self) -> Result<()> {
        if self.faults.is_empty() {
            return Ok(());
        }
        let (faults, remedies) = self.faults.iter().cloned().unzip();
        Err(Problem::NotTheTone { faults, remedies }.into())
    }
}

/// Level, frequency and steadiness of the tone, and the drift since the earlier
/// recording.
///
/// # Errors
/// [`Problem::ChannelMissing`], [`Problem::Silent`]; [`Problem::Value`] for a
/// level or frequency of no calibrator.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let mut outcome = single(input.capture, options)?;
    if let Some(earlier) = input.earlier {
        let first = single(earlier, options)?;
        let same = earlier.tone()?.stated == input.capture.tone()?.stated;
        outcome.drift = Some(if same {
            drift(&first.level_deviation, &outcome.level_deviation)
        } else {
            Reading::not_measured("the earlier recording is stated to be of another tone")
        });
    }
    Ok(outcome)
}

fn single(capture: &Levels, options: &Options) -> Result<Outcome> {
    let tone = capture.tone()?;
    let StatedTone {
        role,
        level_db,
        frequency_hz,
    } = tone.stated;
    let (measurement, name) = ("calibrator_tone", role.name());
    let channel = capture.channel(role, measurement)?;
    let level = match role {
        Role::Force => ForceLevel::from_mean_square(tone.mean_square).map(|level| level.db()),
        Role::Microphone => PressureLevel::from_mean_square(tone.mean_square).map(|l| l.db()),
    };
    let Some(measured_db) = level else {
        let channel = name;
        return Err(Problem::Silent {
            measurement,
            channel,
        }
        .into());
    };
    let limits = Limits::class_1(frequency_hz)
        .ok_or_else(|| Diagnostic::value("frequency_hz", frequency_hz, "31.5 Hz to 16000 Hz"))?;
    let fluctuation_db = fluctuation_db(tone);
    let distortion_percent = 100.0 * (tone.rest / (tone.rest + tone.mean_square)).sqrt();
    let faults = faults(tone, fluctuation_db, distortion_percent, &limits);
    let sentences: Vec<&str> = faults.iter().map(|(fault, _)| fault.as_str()).collect();
    Ok(Outcome {
        role,
        stated_level_db: level_db,
        stated_frequency_hz: frequency_hz,
        level_deviation: match faults.is_empty() {
            true => Reading::measured(
                LevelDifference::from_db(measured_db - level_db),
                channel
                    .uncertainty_at(frequency_hz)
                    .and(Origin::Analysis, ANALYSIS_DB)
                    .and(Origin::Statistics, 2.0 * fluctuation_db / 3f64.sqrt()),
            ),
            false => Reading::not_measured(sentences.join("; ")),
        },
        frequency: Reading::measured(
            Frequency(tone.frequency_hz),
            Uncertainty::of(Origin::Analysis, ANALYSIS_HZ),
        ),
        fluctuation: Reading::measured(
            LevelDifference::from_db(fluctuation_db),
            Uncertainty::of(Origin::Analysis, ANALYSIS_DB),
        ),
        distortion: Reading::measured(
            Percentage(distortion_percent),
            Uncertainty::of(Origin::Analysis, ANALYSIS_PERCENT),
        ),
        drift: None,
        largest_drift_db: options.largest_drift_db,
        faults,
    })
}

/// The larger of the departures of the F-weighted extremes from the mean.
fn fluctuation_db(tone: &Tone) -> f64 {
    let above = tone.highest.mean_square / tone.mean_square;
    let below = tone.mean_square / tone.lowest.mean_square.max(f64::MIN_POSITIVE);
    10.0 * above.max(below).log10()
}

fn faults(
    tone: &Tone,
    fluctuation_db: f64,
    distortion_percent: f64,
    limits: &Limits,
) -> Vec<(String, &'static str)> {
    let mut faults = Vec::new();
    let stated_hz = tone.stated.frequency_hz;
    let departure = 100.0 * (tone.frequency_hz / stated_hz - 1.0);
    if departure.abs() > limits.frequency_percent {
        faults.push((
            format!(
                "its frequency is {:.1} Hz, {:+.2} % from the stated {stated_hz} Hz (± {} % are allowed)",
                tone.frequency_hz, departure, limits.frequency_percent
            ),
            "check that the calibrator sounds, and that the frequency stated is the one on its label",
        ));
    }
    if fluctuation_db > limits.fluctuation_db {
        let above = tone.highest.mean_square / tone.mean_square;
        let moment = match 10.0 * above.log10() < fluctuation_db {
            true => tone.lowest,
            false => tone.highest,
        };
        faults.push((
            format!(
                "its level fluctuates by {fluctuation_db:.2} dB, most at {:.1} s ({} dB are allowed)",
                moment.time_s, limits.fluctuation_db
            ),
            "seat the microphone firmly in the coupler and wait for the tone to settle, \
             or leave the unsteady part out with --from and --to (from_s, to_s in a session)",
        ));
    }
    if distortion_percent > limits.distortion_percent {
        faults.push((
            format!(
                "distortion and noise are {distortion_percent:.1} % ({} % are allowed)",
                limits.distortion_percent
            ),
            "close the door, keep the cable from mains hum, lower the gain if the recorder \
             clips, change the battery of the calibrator",
        ));
    }
    faults
}

/// Later minus earlier. What both share cancels; putting the force reference on
/// again does not.
fn drift(
    earlier: &Reading<LevelDifference>,
    later: &Reading<LevelDifference>,
) -> Reading<LevelDifference> {
    let (Reading::Measured(first, of_first), Reading::Measured(last, of_last)) = (earlier, later)
    else {
        return Reading::not_measured("one of the two recordings cannot be believed");
    };
    let remounting = of_last
        .parts()
        .find(|(origin, _)| *origin == Origin::Remounting)
        .map_or(Uncertainty::EXACT, |(origin, part)| {
            Uncertainty::of(origin, part.map(|u| u * 2f64.sqrt()))
        });
    Reading::measured(*last - *first, of_last.minus(of_first).plus(&remounting))
}
