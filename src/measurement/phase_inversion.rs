//! # Signal-to-noise ratio, by phase inversion
//!
//! *Question.* Does the device raise speech out of noise, or does it turn down
//! both?
//!
//! *Definition.* Signal-to-noise ratio of the force minus that of the sound at the
//! reference microphone, with the feature on minus with it off. It is the noise
//! reduction (gain for the noise, off minus on) minus the speech loss (gain for the
//! speech, off minus on).
//!
//! *Method.* 1. With the feature off and on, the same speech in the same noise is
//! recorded twice, once with the noise inverted. Half the sum of a matched pair is
//! the speech, half the difference the noise ([`Parted`]). 2. Mean squares of both
//! in each band, in force and microphone channel: an unequal presentation cancels.
//! 3. Uncertainty: how the shares of speech and noise in force and sound scatter
//! against each other in time; and what gain and timing mismatch may leave of the
//! one in the other. 4. Where what may be left comes within 10 dB of what it is
//! left in, the figure is refused. 5. Where a capture without stimulus is given,
//! half its power stands in speech and noise alike: a part of the uncertainty, and
//! a refusal within 10 dB.
//!
//! *Source.* Hagerman and Olofsson 2004, Acta Acustica united with Acustica 90,
//! 356–361 (from memory). Importance: ANSI S3.5-1997.
//!
//! *Limits.* A device that treats the two recordings of a pair differently leaves
//! what the bound holds only as far as its gain in a band tells. What is not
//! linear within a frame is counted to speech or noise.

use ndarray::Array3;
use schemars::JsonSchema;
use serde::Serialize;

use super::Captures;
pub use super::NoOptions as Options;
use super::importance::Weighted;
use crate::diagnostic::Result;
use crate::levels::inversion::Parted;
use crate::levels::{Bands, Levels, Needs, scatter};
use crate::quantity::{Band, LevelDifference, Origin, Reading, Role, Seconds, Uncertainty};
use crate::trust::Check;

/// Third-octave levels for the noise alone, samples for the pairs.
pub const NEEDS: Needs = Needs {
    bands: true,
    waveform: true,
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
    Check::MicrophonePosition,
    Check::RoomNoise,
    Check::TestBox,
];

/// Two pairs with the noise upright and inverted, and no sound.
pub struct Input<'a> {
    /// Feature off: noise upright, noise inverted.
    pub off: [&'a Levels; 2],
    /// Feature on.
    pub on: [&'a Levels; 2],
    /// No stimulus.
    pub noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        let off = ["speech_plus_noise", "speech_minus_noise"];
        let on = ["speech_plus_noise_on", "speech_minus_noise_on"];
        Ok(Self {
            off: [captures.role(off[0])?, captures.role(off[1])?],
            on: [captures.role(on[0])?, captures.role(on[1])?],
            noise: captures.optional("equivalent_input_noise"),
        })
    }
}

/// What became of speech and noise.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "PhaseInversionOutcome")]
pub struct Outcome {
    /// All measured bands together.
    pub broadband: Change,
    /// The change of the signal-to-noise ratio, weighted by the importance of the
    /// bands for speech.
    pub importance_weighted: Weighted,
    /// The speech loss, weighted alike.
    pub speech_loss_weighted: Weighted,
    /// One item per band.
    pub bands: Vec<BandChange>,
    /// How the recordings with the feature off were matched.
    pub off: Match,
    /// With the feature on.
    pub on: Match,
}

/// The change in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "PhaseInversionBandChange")]
pub struct BandChange {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// What changed.
    #[serde(flatten)]
    pub change: Change,
    /// What an imperfect match may leave of speech in noise or of noise in speech,
    /// relative to the whole of it.
    pub left_over: Reading<LevelDifference>,
}

/// What the feature does.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "PhaseInversionChange")]
pub struct Change {
    /// Signal-to-noise ratio on minus off.
    pub signal_to_noise_change: Reading<LevelDifference>,
    /// Gain for the speech, off minus on.
    pub speech_loss: Reading<LevelDifference>,
    /// Gain for the noise, off minus on.
    pub noise_reduction: Reading<LevelDifference>,
}

/// How one pair of recordings was matched.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Match {
    /// By how much later the second recording holds the sound.
    pub delay: Reading<Seconds>,
    /// Gain of the second recording over the first, taken out.
    pub gain: Reading<LevelDifference>,
    /// Length of what both hold.
    pub overlap: Reading<Seconds>,
}

/// Separates both pairs and compares them.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    for capture in input.off.iter().chain(&input.on) {
        capture.both_channels("phase_inversion")?;
    }
    let bands = &input.off[0].bands()?.bands;
    let off = parted(input.off, bands)?;
    let on = parted(input.on, bands)?;
    let pairs = match (&off, &on) {
        (Ok(off), Ok(on)) => Ok([off, on]),
        (Err(why), _) | (_, Err(why)) => Err(*why),
    };
    let mut found = Vec::new();
    let mut measured = Vec::new();
    for (column, band) in bands.iter().enumerate() {
        let mut channels = input.off[0].channels.iter().flatten();
        let gap = channels.find_map(|channel| channel.gap(*band));
        let change = match (gap, &pairs) {
            (Some(gap), _) => Change::absent(&gap.to_string()),
            (None, Err(why)) => Change::absent(why),
            (None, Ok(pairs)) => {
                let floor = floor(input, column)?;
                Change::of(*pairs, &[column], &[floor])
            }
        };
        if change.signal_to_noise_change.figure().is_some() {
            measured.push(column);
        }
        found.push(BandChange {
            band: *band,
            change,
            left_over: left_over(&pairs, column),
        });
    }
    let broadband = match &pairs {
        Ok(pairs) if !measured.is_empty() => {
            let floors: Vec<[f64; 2]> = measured
                .iter()
                .map(|column| floor(input, *column))
                .collect::<Result<_>>()?;
            Change::of(*pairs, &measured, &floors)
        }
        Ok(_) => Change::absent("no band has a figure"),
        Err(why) => Change::absent(why),
    };
    let weighted = |of: fn(&Change) -> &Reading<LevelDifference>| {
        Weighted::over(found.iter().map(|b| (b.band, of(&b.change))))
    };
    Ok(Outcome {
        importance_weighted: weighted(|change| &change.signal_to_noise_change),
        speech_loss_weighted: weighted(|change| &change.speech_loss),
        broadband,
        bands: found,
        off: Match::of(&off),
        on: Match::of(&on),
    })
}

type Pairing = std::result::Result<Parted, &'static str>;

fn parted([plus, minus]: [&Levels; 2], bands: &[Band]) -> Result<Pairing> {
    Ok(Parted::of(plus.waveform()?, minus.waveform()?, bands))
}

/// Mean square that the noise of device and room has in either half of a pair,
/// force and microphone.
fn floor(input: &Input<'_>, column: usize) -> Result<[f64; 2]> {
    let Some(noise) = input.noise else {
        return Ok([0.0; 2]);
    };
    let band = input.off[0].bands()?.bands[column];
    let bands = noise.bands()?;
    Ok(Role::ALL.map(|role| 0.5 * bands.floor(band, role).unwrap_or(0.0)))
}

/// The worse of both pairs and channels.
fn left_over(
    pairs: &std::result::Result<[&Parted; 2], &'static str>,
    column: usize,
) -> Reading<LevelDifference> {
    match pairs {
        Err(why) => Reading::not_measured(*why),
        Ok(pairs) => {
            let left = pairs.iter().flat_map(|pair| pair.left[column]);
            let db = 10.0 * left.fold(0.0, f64::max).log10();
            if db.is_finite() {
                let why = "from what is unsure of gain and timing of the pairs";
                Reading::AtMost(LevelDifference::from_db(db), why.into())
            } else {
                Reading::not_measured("gain and timing of the pairs tell no bound")
            }
        }
    }
}

impl Match {
    fn of(pair: &Pairing) -> Self {
        match pair {
            Err(why) => Self {
                delay: Reading::not_measured(*why),
                gain: Reading::not_measured(*why),
                overlap: Reading::not_measured(*why),
            },
            Ok(pair) => {
                let matched = pair.matched;
                let statistics = |u: f64| Uncertainty::of(Origin::Statistics, u);
                Self {
                    delay: Reading::measured(
                        Seconds(matched.delay_s),
                        statistics(matched.delay_uncertainty_s),
                    ),
                    gain: Reading::measured(
                        LevelDifference::from_db(matched.gain_db),
                        statistics(matched.gain_uncertainty_db),
                    ),
                    overlap: Reading::measured(Seconds(matched.overlap_s), Uncertainty::EXACT),
                }
            }
        }
    }
}

impl Change {
    fn absent(why: &str) -> Self {
        Self {
            signal_to_noise_change: Reading::not_measured(why),
            speech_loss: Reading::not_measured(why),
            noise_reduction: Reading::not_measured(why),
        }
    }

    /// Of the bands at `columns` together, over the noise of device and room.
    fn of(pairs: [&Parted; 2], columns: &[usize], floors: &[[f64; 2]]) -> Self {
        let [off, on] = pairs.map(|pair| Halves::of(pair, columns, floors));
        let (off, on) = match (off, on) {
            (Ok(off), Ok(on)) => (off, on),
            (Err(why), _) | (_, Err(why)) => return Self::absent(&why),
        };
        let reading = |db: f64, off: &Course, on: &Course| {
            let uncertainty = off.uncertainty().zip(on.uncertainty());
            match uncertainty {
                Some((off, on)) => Reading::measured(LevelDifference::from_db(db), off.plus(&on)),
                None => Reading::not_measured("the recordings are too short"),
            }
        };
        Self {
            signal_to_noise_change: reading(on.ratio.db - off.ratio.db, &off.ratio, &on.ratio),
            speech_loss: reading(off.speech.db - on.speech.db, &off.speech, &on.speech),
            noise_reduction: reading(off.noise.db - on.noise.db, &off.noise, &on.noise),
        }
    }
}

/// Gains of the two halves of one pair.
struct Halves {
    speech: Course,
    noise: Course,
    /// Speech gain over noise gain: force over sound of the signal-to-noise ratio.
    ratio: Course,
}

/// A ratio of mean squares and what is unsure of it.
struct Course {
    db: f64,
    /// How its parts scatter against each other.
    apart: Vec<f64>,
    step_s: f64,
    left_db: f64,
    noise_db: f64,
}

impl Course {
    fn uncertainty(&self) -> Option<Uncertainty> {
        let statistics = scatter::expanded_db(&self.apart, self.step_s)?;
        let budget = Uncertainty::of(Origin::Statistics, statistics);
        Some(
            budget
                .and(Origin::Analysis, self.left_db)
                .and(Origin::Noise, self.noise_db),
        )
    }
}

impl Halves {
    fn of(
        pair: &Parted,
        columns: &[usize],
        floors: &[[f64; 2]],
    ) -> std::result::Result<Self, String> {
        let speech = [0, 1].map(|channel| Half::of(&pair.signal, channel, columns));
        let noise = [0, 1].map(|channel| Half::of(&pair.noise, channel, columns));
        let (mut left_db, mut noise_db) = (0.0f64, 0.0f64);
        for channel in 0..2 {
            let left = columns.iter().map(|column| pair.left[*column][channel]);
            let left = left.fold(0.0, f64::max);
            let floor: f64 = floors.iter().map(|floor| floor[channel]).sum();
            let [own, other] = [&speech, &noise].map(|halves| halves[channel].mean);
            for (own, other, name) in [(own, other, "speech"), (other, own, "noise")] {
                let place = Role::ALL[channel].name();
                let near = |share: f64| 10.0 * share.log10();
                let clear = 10f64.powf(-Bands::CLEAR_DB / 10.0);
                let (share, of_floor) = (left * other / own, floor / own);
                if !share.is_finite() || share > clear {
                    return Err(format!(
                        "{place}: what gain and timing of the pair may leave in the {name} comes as near as {:.0} dB to it",
                        near(share)
                    ));
                }
                if of_floor > clear {
                    return Err(format!(
                        "{place}: the {name} stands less than 10 dB above the noise without stimulus"
                    ));
                }
                left_db = left_db.hypot(added_db(share));
                noise_db = noise_db.hypot(added_db(of_floor));
            }
        }
        let course = |db: f64, apart: Vec<f64>| Course {
            db,
            apart,
            step_s: pair.step_s,
            left_db,
            noise_db,
        };
        let gain = |halves: &[Half; 2]| {
            let apart = halves[0].shares.iter().zip(&halves[1].shares);
            let db = 10.0 * (halves[0].mean / halves[1].mean).log10();
            course(db, apart.map(|(force, sound)| force - sound).collect())
        };
        let (speech, noise) = (gain(&speech), gain(&noise));
        let apart = speech.apart.iter().zip(&noise.apart);
        let ratio = course(speech.db - noise.db, apart.map(|(s, n)| s - n).collect());
        Ok(Self {
            speech,
            noise,
            ratio,
        })
    }
}

/// By how much a share of power that may be there raises a level, in dB.
fn added_db(share: f64) -> f64 {
    10.0 * (1.0 + share).log10()
}

/// Mean and course of speech or noise in one channel.
struct Half {
    mean: f64,
    /// Over time, relative to the mean, less one.
    shares: Vec<f64>,
}

impl Half {
    fn of(power: &Array3<f64>, channel: usize, columns: &[usize]) -> Self {
        let steps = power.shape()[2];
        let at = |step: usize| -> f64 {
            let of_band = |column: &usize| power[(channel, *column, step)];
            columns.iter().map(of_band).sum()
        };
        let course: Vec<f64> = (0..steps).map(at).collect();
        let mean = course.iter().sum::<f64>() / steps as f64;
        Self {
            mean,
            shares: course.iter().map(|x| x / mean - 1.0).collect(),
        }
    }
}
