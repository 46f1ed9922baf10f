//! # Total harmonic distortion
//!
//! *Question.* How much of the force is not the tone that was presented?
//!
//! *Definition.* 100 √(Σ Aₖ² / A₁²) per cent over the harmonics k = 2, 3 … of a tone,
//! in the force; by default at 500 Hz and 800 Hz with 70 dB SPL and at 1600 Hz with
//! 65 dB SPL.
//!
//! *Method.* 1. The steps are found in the microphone channel, frequency and all.
//! 2. Fundamental and harmonics of the force by correlation over the settled half; the
//! noise found beside each is taken off. 3. Harmonics above what the recording
//! carries are named, not guessed. 4. Octave-skip rule: where the response rises by
//! 12 dB or more from the tone to its second harmonic, the figure is left out; without
//! a step an octave above, it is said that the rule could not be applied.
//!
//! *Source.* Definition of ANSI S3.22 as a public code comment cites it; frequencies
//! and levels from public summaries, 65 dB SPL and the 12 dB of the rule from memory.
//!
//! *Limits.* Distortion of the loudspeaker passes for that of the device: what the
//! microphone hears of harmonics is told beside it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use super::presented::{Presented, check_deviation, presented};
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::synchronous::{Estimate, estimate};
use crate::levels::{Levels, Needs};
use crate::quantity::{LevelDifference, Origin, Percentage, Reading, Role};
use crate::trust::Check;

/// The samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up. Clipping is judged step by step.
pub const RELIES_ON: &[Check] = &[Check::ChannelOrder, Check::ChannelCopy, Check::Gaps];

/// Harmonics looked for.
const HIGHEST_ORDER: u32 = 10;
/// Rise of the response over an octave at which a figure is left out, in dB.
const RISE_DB: f64 = 12.0;

/// Tones, and the response where a capture of its own tells it.
pub struct Input<'a> {
    /// The tones at their levels.
    pub capture: &'a Levels,
    /// A sweep that tells the response.
    pub response: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            capture: captures.role("capture")?,
            response: captures.optional("force_level_response"),
        })
    }
}

/// At which tones.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "HarmonicDistortionOptions")]
pub struct Options {
    /// Pairs of frequency in Hz and presented level in dB SPL.
    pub tones: Vec<[f64; 2]>,
    /// How far from that level a step may be presented and count.
    pub largest_deviation_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            tones: vec![[500.0, 70.0], [800.0, 70.0], [1600.0, 65.0]],
            largest_deviation_db: 2.0,
        }
    }
}

impl Options {
    /// Refuses tones that no recording carries, and a deviation outside 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`].
    pub fn check(&self) -> Result<()> {
        let heard =
            |[hz, db]: &[f64; 2]| (100.0..=8000.0).contains(hz) && (20.0..=110.0).contains(db);
        if self.tones.is_empty() || !self.tones.iter().all(heard) {
            return Err(Diagnostic::value(
                "options.harmonic_distortion.tones",
                format!("{:?}", self.tones),
                "pairs of 100 Hz to 8000 Hz and 20 dB SPL to 110 dB SPL",
            ));
        }
        check_deviation("harmonic_distortion", self.largest_deviation_db)
    }
}

/// Distortion, tone by tone.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "HarmonicDistortionOutcome")]
pub struct Outcome {
    /// One item per tone asked for.
    pub tones: Vec<Distortion>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

/// Distortion at one tone.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Distortion {
    /// Frequency asked for.
    pub nominal_hz: f64,
    /// Level asked for.
    pub level_db: f64,
    /// Total harmonic distortion of the force.
    pub total: Reading<Percentage>,
    /// That of the sound at the reference microphone.
    pub of_sound: Reading<Percentage>,
    /// Each harmonic inside the band, re the fundamental.
    pub harmonics: Vec<Harmonic>,
    /// Orders up to the tenth that lie above what the recording carries.
    pub outside_band: Vec<u32>,
    /// Rise of the response over the octave above the tone.
    pub octave_rise: Reading<LevelDifference>,
}

/// One harmonic of the force.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
pub struct Harmonic {
    /// Its frequency.
    pub frequency_hz: f64,
    /// Amplitude over that of the fundamental, noise included.
    pub share_percent: f64,
}

/// Distortion at every tone asked for.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let steps = presented(input.capture, "harmonic_distortion")?;
    let response = match input.response {
        Some(capture) => presented(capture, "harmonic_distortion")?,
        None => Vec::new(),
    };
    let tones = options.tones.iter().map(|[hz, db]| {
        let near = |step: &&Presented| {
            let sound = step.sound.figure();
            step.step.is_near(*hz)
                && sound.is_some_and(|s| (s.db() - db).abs() <= options.largest_deviation_db)
        };
        let rise = octave_rise(*hz, &[&response, &steps]);
        match steps.iter().filter(|s| s.usable()).find(near) {
            Some(step) => distortion(input.capture, step, [*hz, *db], rise),
            None => Ok(absent([*hz, *db], rise, &why_absent(*hz, *db, &steps))),
        }
    });
    Ok(Outcome {
        tones: tones.collect::<Result<_>>()?,
        steps,
    })
}

fn why_absent(hz: f64, db: f64, steps: &[Presented]) -> String {
    let near = steps.iter().filter(|step| step.step.is_near(hz));
    let told = near.map(|step| match &step.sound {
        Reading::Measured(sound, _) => format!("presented at {:.1} dB SPL", sound.db()),
        Reading::AtMost(_, why) | Reading::AtLeast(_, why) | Reading::NotMeasured(why) => {
            why.clone()
        }
    });
    let told: Vec<String> = told.collect();
    match told.is_empty() {
        true => format!("no step of {hz} Hz was found"),
        false => format!(
            "no usable step of {hz} Hz at {db} dB SPL: {}",
            told.join("; ")
        ),
    }
}

fn absent(
    [nominal_hz, level_db]: [f64; 2],
    rise: Reading<LevelDifference>,
    why: &str,
) -> Distortion {
    Distortion {
        nominal_hz,
        level_db,
        total: Reading::not_measured(why),
        of_sound: Reading::not_measured(why),
        harmonics: Vec::new(),
        outside_band: Vec::new(),
        octave_rise: rise,
    }
}

/// Gain an octave above minus gain at the tone, from the first list that holds both
/// at levels within 1.5 dB.
fn octave_rise(hz: f64, lists: &[&[Presented]]) -> Reading<LevelDifference> {
    for steps in lists {
        let at = |hz: f64| {
            steps
                .iter()
                .filter(move |s| s.usable() && s.step.is_near(hz))
        };
        for low in at(hz) {
            for high in at(2.0 * hz) {
                let apart = low.sound.figure().zip(high.sound.figure());
                if apart.is_some_and(|(a, b)| (a - b).db().abs() < 1.5) {
                    let (force, sound) =
                        (high.force.minus(&low.force), high.sound.minus(&low.sound));
                    return force.and(&sound, |(f, of_force), (s, of_sound)| {
                        let rise = LevelDifference::from_db(f.db() - s.db());
                        Reading::measured(rise, of_force.plus(of_sound))
                    });
                }
            }
        }
    }
    let octave_hz = 2.0 * hz;
    Reading::not_measured(format!(
        "no steps of {hz} Hz and {octave_hz} Hz at one level: the octave-skip rule could not be applied"
    ))
}

fn distortion(
    capture: &Levels,
    step: &Presented,
    [nominal_hz, level_db]: [f64; 2],
    octave_rise: Reading<LevelDifference>,
) -> Result<Distortion> {
    let waveform = capture.waveform()?;
    let frames = step.step.settled(waveform);
    let hz = step.frequency_hz;
    let harmonic_of = |order: u32, role: Role| {
        estimate(
            frames,
            role as usize,
            hz * f64::from(order),
            waveform.rate_hz,
        )
    };
    let carried = |order: &u32| f64::from(*order) * hz <= waveform.highest_hz;
    let (inside, outside_band): (Vec<u32>, Vec<u32>) = (2..=HIGHEST_ORDER).partition(carried);
    let of = |role: Role| -> (Estimate, Vec<Estimate>) {
        let each = inside.iter().map(|order| harmonic_of(*order, role));
        (harmonic_of(1, role), each.collect())
    };
    let (fundamental, harmonics) = of(Role::Force);
    let channel = capture.channel(Role::Force, "harmonic_distortion")?;
    let response = channel
        .uncertainty_at(2.0 * hz)
        .minus(&channel.uncertainty_at(hz));
    let total = match octave_rise.figure().map(LevelDifference::db) {
        Some(rise_db) if rise_db >= RISE_DB => Reading::not_measured(format!(
            "left out: the response rises by {rise_db:.1} dB over the octave above (12 dB or more)"
        )),
        _ if inside.is_empty() => Reading::not_measured("every harmonic lies outside the band"),
        _ => match total(fundamental, &harmonics) {
            Reading::Measured(percent, noise) => {
                let of_response = response.through(|db| percent.0 * 10f64.powf(db / 20.0));
                Reading::measured(percent, noise.plus(&of_response))
            }
            other => other,
        },
    };
    let (sound, of_sound) = of(Role::Microphone);
    let each = inside.iter().zip(&harmonics);
    Ok(Distortion {
        nominal_hz,
        level_db,
        total,
        of_sound: self::total(sound, &of_sound),
        harmonics: each
            .map(|(order, found)| Harmonic {
                frequency_hz: hz * f64::from(*order),
                share_percent: 100.0 * (found.mean_square / fundamental.mean_square).sqrt(),
            })
            .collect(),
        outside_band,
        octave_rise,
    })
}

/// The noise is taken off; where no more than noise is left, it is a bound.
fn total(fundamental: Estimate, harmonics: &[Estimate]) -> Reading<Percentage> {
    if !fundamental.clear() {
        return Reading::not_measured("the tone stands less than 10 dB above the noise beside it");
    }
    let power: f64 = harmonics.iter().map(|h| h.mean_square).sum();
    let noise: f64 = harmonics.iter().map(|h| h.noise).sum();
    let percent = |mean_square: f64| 100.0 * (mean_square / fundamental.mean_square).sqrt();
    if power < 2.0 * noise {
        return Reading::AtMost(
            Percentage(percent(power + 2.0 * noise)),
            "the harmonics do not stand out from the noise".into(),
        );
    }
    // Each is off by its own noise; k = 2, half of it in phase.
    let spread = 2.0 * percent(0.5 * noise);
    let budget = crate::quantity::Uncertainty::of(Origin::Noise, spread);
    Reading::measured(Percentage(percent(power - noise)), budget)
}
