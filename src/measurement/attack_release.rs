//! # Attack and release
//!
//! *Question.* How fast does the gain follow when the sound jumps?
//!
//! *Definition.* From the jump of the sound at the reference microphone to the moment
//! when the level of the force has come to within so many decibels of its steady level:
//! 3 dB after a jump up and 4 dB after one down (ANSI S3.22), or 2 dB after either (IEC
//! 60118-2). The delay of the device is part of it.
//!
//! *Method.* 1. Steps of one frequency at two levels are found in the microphone
//! channel; every jump of 10 dB and more between two usable ones counts. 2. Both
//! channels are followed under a Hann window of 2 ms, four periods at least; the sound
//! has jumped where its amplitude passes half-way. 3. Ripple crosses the criterion more
//! than once: the mean of the first and the last crossing counts, half their distance
//! stands in the uncertainty. 4. The mean over all jumps.
//!
//! *Source.* Jump of 55 dB SPL to 90 dB SPL at 2000 Hz and both criteria of ANSI
//! S3.22-1996 from public design notes; IEC 60118-2:1983 from memory.
//!
//! *Limits.* A device that is still moving at the end of a step has no steady level:
//! rest at either level for a second or two.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use crate::diagnostic::Result;
use crate::levels::steps::{self, Step};
use crate::levels::synchronous::{Moment, course};
use crate::levels::waveform::Waveform;
use crate::levels::{Levels, Needs};
use crate::quantity::{LevelDifference, Origin, Reading, Role, Seconds, Uncertainty};
use crate::trust::Check;

/// The samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up. Clipping is judged step by step.
pub const RELIES_ON: &[Check] = &[Check::ChannelOrder, Check::ChannelCopy, Check::Gaps];

/// Smallest jump, in dB.
const JUMP_DB: f64 = 10.0;
/// Longest time between two steps of one jump, in seconds.
const GAP_S: f64 = 0.06;
/// How far around the end of a step its jump is looked for, in seconds.
const AROUND_S: f64 = 0.06;
/// Share of a step, at its end, that tells the steady level.
const STEADY: f64 = 0.2;
/// Uncertainty of a crossing: a quarter of the window, in seconds.
const ANALYSIS_S: f64 = 0.0005;

/// Whose criterion.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Criterion {
    /// ANSI S3.22: 3 dB and 4 dB.
    #[default]
    #[serde(rename = "ansi_s3_22")]
    AnsiS322,
    /// IEC 60118-2: 2 dB.
    #[serde(rename = "iec_60118_2")]
    Iec601182,
}

impl Criterion {
    fn db(self, up: bool) -> f64 {
        match (self, up) {
            (Self::AnsiS322, true) => 3.0,
            (Self::AnsiS322, false) => 4.0,
            (Self::Iec601182, _) => 2.0,
        }
    }
}

/// By which rule.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "AttackReleaseOptions")]
pub struct Options {
    /// Whose criterion.
    pub criterion: Criterion,
}

impl Options {
    /// Nothing can be wrong.
    ///
    /// # Errors
    /// None.
    pub fn check(&self) -> Result<()> {
        Ok(())
    }
}

/// Both times, and the jumps behind them.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "AttackReleaseOutcome")]
pub struct Outcome {
    /// Whose criterion.
    pub criterion: Criterion,
    /// After jumps up.
    pub attack: Reading<Seconds>,
    /// After jumps down.
    pub release: Reading<Seconds>,
    /// Every jump that counted.
    pub jumps: Vec<Jump>,
}

/// One jump of the sound.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Jump {
    /// When, in the recording.
    pub at_s: f64,
    /// Frequency of the tone.
    pub frequency_hz: f64,
    /// By how much the sound jumped.
    pub height: Reading<LevelDifference>,
    /// How far the force went beyond its steady level.
    pub overshoot: Reading<LevelDifference>,
    /// From the jump to the criterion.
    pub time: Reading<Seconds>,
}

/// Times after every jump, and their means.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    let capture: &Levels = input.capture;
    capture.both_channels("attack_release")?;
    let waveform = capture.waveform()?;
    let steps = steps::find(capture)?;
    let pairs = steps.windows(2).filter_map(|pair| match pair {
        [before, after] if is_jump(before, after) => Some((before, after)),
        _ => None,
    });
    let jumps: Vec<Jump> = pairs
        .filter_map(|(before, after)| jump(waveform, before, after, options.criterion))
        .collect();
    let mean_of = |up: bool| {
        let of = |jump: &&Jump| jump.height.figure().is_some_and(|h| (h.db() > 0.0) == up);
        mean(jumps.iter().filter(of).map(|jump| &jump.time))
    };
    Ok(Outcome {
        criterion: options.criterion,
        attack: mean_of(true),
        release: mean_of(false),
        jumps,
    })
}

fn is_jump(before: &Step, after: &Step) -> bool {
    before.whole()
        && after.whole()
        && before.is_near(after.frequency_hz)
        && (after.begin_s - before.end_s).abs() < GAP_S
        && (after.level_db - before.level_db).abs() >= JUMP_DB
}

fn jump(waveform: &Waveform, before: &Step, after: &Step, criterion: Criterion) -> Option<Jump> {
    let (hz, up) = (after.frequency_hz, after.level_db > before.level_db);
    let from_s = before.end_s - AROUND_S;
    let follow = |role: Role, to_s: f64| {
        let frames = steps::between(waveform, from_s, to_s);
        course(frames, role as usize, hz, waveform.rate_hz)
    };
    // Half-way in amplitude between both levels.
    let half = 0.5
        * [before, after]
            .map(|s| pascals(s.level_db))
            .iter()
            .sum::<f64>();
    let sound = follow(Role::Microphone, after.begin_s + AROUND_S);
    let jumped_s = crossing(&sound, |m| (m.mean_square.sqrt() - half) * sign(up))?;
    let force = follow(Role::Force, after.end_s - 0.01);
    let steady_from_s = after.end_s - STEADY * (after.end_s - after.begin_s) - from_s;
    let steady: Vec<f64> = (force.iter())
        .filter(|m| m.at_s >= steady_from_s)
        .map(|m| m.mean_square)
        .collect();
    let steady = steady.iter().sum::<f64>() / steady.len() as f64;
    // Beyond the steady level in the direction of the jump.
    let beyond = |m: &Moment| 10.0 * (m.mean_square / steady).log10() * sign(up);
    let limit_db = criterion.db(up);
    let after_jump: Vec<&Moment> = force.iter().filter(|m| m.at_s > jumped_s).collect();
    let (peak, overshoot_db) = (after_jump.iter().enumerate())
        .map(|(index, m)| (index, beyond(m)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let outside = |m: &&Moment| beyond(m).abs() > limit_db;
    let last = after_jump.iter().rposition(outside).map_or(0, |i| i + 1);
    let first = match overshoot_db > limit_db {
        true => peak + after_jump[peak..].iter().position(|m| !outside(m))?,
        false => last,
    };
    let [first_s, last_s] = [first, last].map(|i| after_jump.get(i).map(|m| m.at_s - jumped_s));
    let time = first_s.zip(last_s).map_or_else(
        || Reading::not_measured("the force had not settled at the end of the step"),
        |(first_s, last_s)| {
            let apart_s = 0.5 * (last_s - first_s).abs();
            let budget = Uncertainty::of(Origin::Analysis, ANALYSIS_S.hypot(apart_s));
            Reading::measured(Seconds(0.5 * (first_s + last_s)), budget)
        },
    );
    let difference = |db: f64| {
        Reading::measured(
            LevelDifference::from_db(db),
            Uncertainty::of(Origin::Analysis, 0.1),
        )
    };
    Some(Jump {
        at_s: from_s + jumped_s,
        frequency_hz: hz,
        height: difference(after.level_db - before.level_db),
        overshoot: difference(overshoot_db),
        time,
    })
}

fn sign(up: bool) -> f64 {
    if up { 1.0 } else { -1.0 }
}

fn pascals(level_db: f64) -> f64 {
    20e-6 * 10f64.powf(level_db / 20.0)
}

/// Where `of` first passes zero from below, between two moments.
fn crossing(course: &[Moment], of: impl Fn(&Moment) -> f64) -> Option<f64> {
    course.windows(2).find_map(|pair| {
        let [a, b] = [of(&pair[0]), of(&pair[1])];
        let share = -a / (b - a);
        (a < 0.0 && b >= 0.0).then(|| pair[0].at_s + share * (pair[1].at_s - pair[0].at_s))
    })
}

/// The mean of what was measured; chance from how the times scatter.
fn mean<'a>(times: impl Iterator<Item = &'a Reading<Seconds>>) -> Reading<Seconds> {
    let all: Vec<&Reading<Seconds>> = times.collect();
    if all.is_empty() {
        return Reading::not_measured(
            "no jump of 10 dB between two steps of one frequency was found",
        );
    }
    let (mut sum, mut squares, mut apart, mut count) = (0.0, 0.0, 0.0f64, 0.0);
    for reading in all {
        match reading {
            Reading::Measured(time, budget) => {
                sum += time.0;
                squares += time.0 * time.0;
                apart = apart.max(budget.expanded().unwrap_or(0.0));
                count += 1.0;
            }
            other => return other.clone(),
        }
    }
    let mean = sum / count;
    let budget = Uncertainty::of(Origin::Analysis, apart);
    let scatter = (squares / count - mean * mean).max(0.0);
    let budget = match count > 1.0 {
        true => budget.and(Origin::Statistics, 2.0 * (scatter / (count - 1.0)).sqrt()),
        false => budget,
    };
    Reading::measured(Seconds(mean), budget)
}
