//! # Force level response and reference test setting
//!
//! *Question.* What force does the device make of each tone at conversational level,
//! which frequencies does it carry, and is its gain set as a data sheet takes it?
//!
//! *Definition.* Force level of each tone of 60 dB SPL, settled. Frequency range: where
//! that curve first and last lies at its high-frequency average less 20 dB. Reference
//! test setting: the gain at which the high-frequency average of the sensitivity is
//! that of OFL90 less 77 dB (ANSI S3.22), or at which the force at 1600 Hz lies 15 dB
//! below OFL90 (IEC 60118-9:1985); full on, if that is less.
//!
//! *Method.* 1. The steps are found in the microphone channel; the fundamental of both
//! channels by correlation over the settled half of each. 2. An end of the range lies
//! between two neighbouring steps, at most two fifths of an octave apart: straight line
//! of decibels over the logarithm of the frequency. Where the curve does not fall so far
//! the outermost step is a bound. 3. `setting_deviation` is the gain found minus the one
//! asked for, frequency by frequency against the OFL90 sweep of the session, so that the
//! calibration of the force cancels.
//!
//! *Source.* ANSI S3.22-2003 and AS 60118.9-2007 by public summaries: 60 dB SPL, 77 dB,
//! 20 dB, full on as a fallback; 15 dB and 1600 Hz from memory. Standards not opened.
//!
//! *Limits.* That the controls stood alike in both sweeps, but for the gain, no
//! recording tells. Between steps the curve is not known: a tenth of the distance of
//! both steps stands in the uncertainty of an end of the range.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::presented::Presented;
use super::sweep::{AVERAGE_HZ, Asked, Point, Sweep, mean};
use super::{Captures, full_on_sensitivity, output_force_level};
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::{Levels, Needs};
use crate::quantity::{
    Band, ForceLevel, Frequency, LevelDifference, Origin, Reading, SensitivityLevel, Uncertainty,
};
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

/// Presented level that the reference test setting refers to, in dB SPL.
const REFERENCE_DB: f64 = 60.0;
/// How far below the average the range ends, in dB.
const RANGE_DB: f64 = 20.0;
/// How far apart, in octaves, two steps may be for an end of the range between them.
const NEIGHBOURS: f64 = 0.4;

/// The sweep, and those that tell its setting.
pub struct Input<'a> {
    /// The sweep at 60 dB SPL.
    pub capture: &'a Levels,
    /// The sweep at 90 dB SPL, gain full on.
    pub output: Option<&'a Levels>,
    /// The sweep at 50 dB SPL, gain full on.
    pub full_on: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            capture: captures.role("capture")?,
            output: captures.optional("output_force_level"),
            full_on: captures.optional("full_on_sensitivity"),
        })
    }
}

/// By which rule the gain is set.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Rule {
    /// ANSI S3.22 from 2003 on: 77 dB below OFL90, on average.
    #[default]
    #[serde(rename = "ansi_s3_22")]
    AnsiS322,
    /// IEC 60118-9:1985: 15 dB below OFL90 at one frequency.
    #[serde(rename = "iec_60118_9_1985")]
    Iec601189,
}

/// At which level, what to take the average over, and by which rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "ForceLevelResponseOptions")]
pub struct Options {
    /// Presented level in dB SPL.
    pub level_db_spl: f64,
    /// Frequencies of the high-frequency average, or of the special-purpose average
    /// where that stands for the device.
    pub average_hz: Vec<f64>,
    /// How far from that level a step may be presented and count.
    pub largest_deviation_db: f64,
    /// By which rule the gain is set.
    pub setting: Rule,
    /// Frequency of the rule of IEC 60118-9:1985; 2500 Hz for high-tone devices.
    pub setting_hz: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            level_db_spl: 60.0,
            average_hz: AVERAGE_HZ.to_vec(),
            largest_deviation_db: 2.0,
            setting: Rule::AnsiS322,
            setting_hz: 1600.0,
        }
    }
}

impl Options {
    /// Refuses frequencies of no third octave, a level outside 20 dB SPL to 110 dB SPL
    /// and a deviation outside 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`], [`crate::Problem::UnknownBand`].
    pub fn check(&self) -> Result<()> {
        self.asked().check(&self.average_hz, &[self.setting_hz])?;
        if self.level_db_spl <= 80.0 {
            return Ok(());
        }
        let key = "options.force_level_response.level_db_spl";
        let expected = "at most 80 dB SPL: above, the output is at its limit";
        Err(Diagnostic::value(key, self.level_db_spl, expected))
    }

    fn asked(&self) -> Asked {
        Asked {
            measurement: "force_level_response",
            level_db_spl: self.level_db_spl,
            largest_deviation_db: self.largest_deviation_db,
        }
    }
}

/// The curve, its range and its setting.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "ForceLevelResponseOutcome")]
pub struct Outcome {
    /// Mean force level in decibels at `average_hz`.
    pub high_frequency_average: Reading<ForceLevel>,
    /// Mean sensitivity level at `average_hz`: the reference test gain, if the setting
    /// is the reference one.
    pub average_sensitivity: Reading<SensitivityLevel>,
    /// Where the curve first rises above its average less 20 dB.
    pub range_from: Reading<Frequency>,
    /// Where it last falls below.
    pub range_to: Reading<Frequency>,
    /// By which rule the gain is set.
    pub setting: Rule,
    /// Gain found minus the gain of the reference test setting.
    pub setting_deviation: Reading<LevelDifference>,
    /// Full-on gain at the frequencies of the rule minus the gain asked for; below zero
    /// full on is the reference test setting.
    pub full_on_reserve: Reading<LevelDifference>,
    /// The curve, in ascending frequency.
    pub curve: Vec<Point>,
    /// Third-octave midbands without a usable step, and why, in words.
    pub missing: Vec<String>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

/// The curve of the usable steps, its range and its setting.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let sweep = Sweep::of(input.capture, options.asked())?;
    let at_hz = &options.average_hz;
    let average_sensitivity = sweep.average(at_hz, |p| &p.sensitivity, SensitivityLevel::from_db);
    let output = input.output.map(|capture| {
        let options = output_force_level::Options::default();
        Sweep::of(capture, options.asked())
    });
    let full_on = input.full_on.map(|capture| {
        let options = full_on_sensitivity::Options::default();
        Sweep::of(capture, options.asked())
    });
    let output = output.transpose()?.ok_or(
        "without a sweep at 90 dB SPL (`role = \"output_force_level\"`) the reference test setting is not known",
    );
    let full_on = full_on
        .transpose()?
        .ok_or("without a sweep at 50 dB SPL, gain full on (`role = \"full_on_sensitivity\"`)");
    let [range_from, range_to] = range(&sweep.curve, &average_sensitivity);
    Ok(Outcome {
        high_frequency_average: sweep.average(at_hz, |p| &p.force, ForceLevel::from_db),
        range_from,
        range_to,
        setting: options.setting,
        setting_deviation: over_reference(Ok(&sweep), output.as_ref(), options),
        full_on_reserve: over_reference(full_on.as_ref(), output.as_ref(), options),
        average_sensitivity,
        curve: sweep.curve,
        missing: sweep.missing,
        steps: sweep.steps,
    })
}

/// Mean gain of a sweep minus the gain of the reference test setting.
fn over_reference(
    sweep: std::result::Result<&Sweep, &&str>,
    output: std::result::Result<&Sweep, &&str>,
    options: &Options,
) -> Reading<LevelDifference> {
    let (sweep, output) = match (sweep, output) {
        (Ok(sweep), Ok(output)) => (sweep, output),
        (Err(why), _) | (_, Err(why)) => return Reading::not_measured(*why),
    };
    // Below OFL90 with a sound of 60 dB SPL: 77 dB of gain less is 17 dB of force less.
    let (at_hz, below_db) = match options.setting {
        Rule::AnsiS322 => (options.average_hz.as_slice(), 17.0),
        Rule::Iec601189 => (std::slice::from_ref(&options.setting_hz), 15.0),
    };
    let each = at_hz.iter().map(|hz| {
        let (Some(point), Some(largest)) = (sweep.at(*hz), output.at(*hz)) else {
            return Reading::not_measured(format!("there is no figure at {hz} Hz in both sweeps"));
        };
        // The force moved to a sound of exactly 60 dB SPL.
        let beyond_db = sweep.asked.level_db_spl - REFERENCE_DB;
        let below = point.force.minus(&largest.force);
        below.and(&point.deviation, |(below, of_force), (sound, of_sound)| {
            let over = below.db() + below_db - beyond_db - sound.db();
            Reading::measured(LevelDifference::from_db(over), of_force.plus(of_sound))
        })
    });
    mean(&each.collect::<Vec<_>>(), LevelDifference::from_db)
}

/// Where the curve lies 20 dB below its average: lowest and highest crossing.
fn range(curve: &[Point], average: &Reading<SensitivityLevel>) -> [Reading<Frequency>; 2] {
    let Some(average) = average.figure() else {
        let why = "there is no average that the range refers to";
        return [Reading::not_measured(why), Reading::not_measured(why)];
    };
    let heights: Vec<Height> = curve
        .iter()
        .filter_map(|point| {
            let (level, budget) = match &point.sensitivity {
                Reading::Measured(level, budget) => (level, budget),
                _ => return None,
            };
            let own = |origin: Origin| budget.part(origin).unwrap_or(0.0);
            Some(Height {
                octaves: point.frequency_hz.log2(),
                db: level.db() - average.db() + RANGE_DB,
                // Of the calibrations only the response differs along the curve.
                error_db: own(Origin::Noise)
                    .hypot(own(Origin::Analysis))
                    .hypot(own(Origin::ForceResponse))
                    .hypot(own(Origin::MicrophoneResponse)),
            })
        })
        .collect();
    [
        crossing(heights.iter(), Reading::AtMost),
        crossing(heights.iter().rev(), Reading::AtLeast),
    ]
}

/// A point of the curve over the line.
#[derive(Clone, Copy)]
struct Height {
    octaves: f64,
    db: f64,
    error_db: f64,
}

/// The first crossing on the way from one end of the curve; `bound` where it lies
/// beyond that end.
fn crossing<'a>(
    mut heights: impl Iterator<Item = &'a Height>,
    bound: fn(Frequency, String) -> Reading<Frequency>,
) -> Reading<Frequency> {
    let Some(mut last) = heights.next() else {
        return Reading::not_measured("no step of the sweep can be used");
    };
    if last.db >= 0.0 {
        let stays = "the curve does not fall 20 dB below its average within the sweep";
        return bound(Frequency(last.octaves.exp2()), stays.into());
    }
    for next in heights {
        if next.db < 0.0 {
            last = next;
            continue;
        }
        let apart = next.octaves - last.octaves;
        let names = [last, next].map(|height| Band::containing(height.octaves.exp2()));
        if apart.abs() > NEIGHBOURS {
            let [a, b] = names.map(|band| band.map_or(0.0, Band::nominal_hz));
            return Reading::not_measured(format!(
                "it lies between {a} Hz and {b} Hz, and there is no step between them"
            ));
        }
        let slope = (next.db - last.db) / apart;
        let hz = (last.octaves - last.db / slope).exp2();
        let to_hz = hz * std::f64::consts::LN_2;
        let error_db = last.error_db.max(next.error_db);
        let budget = Uncertainty::of(Origin::Noise, to_hz * (error_db / slope).abs())
            .and(Origin::Analysis, to_hz * 0.1 * apart.abs());
        return Reading::measured(Frequency(hz), budget);
    }
    Reading::not_measured("the whole curve lies more than 20 dB below its average")
}
