//! # Onset of the noise reduction
//!
//! *Question.* How fast does the device turn steady noise down?
//!
//! *Definition.* In one capture in which steady noise sets in and goes on: the
//! fall of the gain from what it is when the noise begins to what it settles at;
//! the time constant of that fall in dB; and the time from the beginning of the
//! noise to 90 % of the fall.
//!
//! *Method.* 1. The noise sets in where the level at the microphone, all bands
//! together, comes within 3 dB of its later median for good. 2. From 30 ms later
//! on, when filters and compression have followed, the gain over time, force level
//! minus pressure level, is fitted by `L(t) = L_end + D exp(−(t − t0 − hold)/τ)`
//! ([`Approach`]): what the noise does by chance stands in both channels and
//! cancels. The hold is the time that the device waits before it acts; where it is
//! none, t0 is the beginning of the noise. 3. The uncertainty is that of the fit,
//! from residuals that may be correlated in time, and of t0.
//!
//! *Source.* The exponential in dB and 90 % of the final reduction are common
//! practice, no source.
//!
//! *Limits.* A fall that has not settled gives no figure; one that leaves a
//! lasting misfit is no exponential and has no time constant. Gain changes of
//! compression that are slower than 30 ms are part of what is seen.

use schemars::JsonSchema;
use serde::Serialize;

pub use super::NoOptions as Options;
use super::OneCapture;
use crate::diagnostic::Result;
use crate::levels::{Approach, Bands, Needs};
use crate::quantity::{Band, LevelDifference, Origin, Reading, Role, Seconds, Uncertainty};
use crate::trust::Check;

/// Third-octave levels over time.
pub const NEEDS: Needs = Needs {
    bands: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Clipping,
    Check::Gaps,
    Check::Impulses,
    Check::MicrophonePosition,
];

/// One capture in which noise sets in.
pub type Input<'a> = OneCapture<'a>;

/// What is left out after the beginning of the noise, in seconds.
const TRANSIENT_S: f64 = 0.03;
/// The fall counts as settled after so many time constants: 5 % are left.
const SETTLED_TAUS: f64 = 3.0;
/// Largest lasting misfit of an exponential, as a share of the fall.
const MISFIT: f64 = 0.1;
/// A smaller change than this is not timed, in dB.
const LEAST_DB: f64 = 0.5;
/// Points of the course told at most.
const COURSE_POINTS: usize = 240;
/// How far the beginning of the noise may be off, in steps of the course.
const ONSET_STEPS: f64 = 0.25;

/// The onset.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "NoiseReductionOnsetOutcome")]
pub struct Outcome {
    /// When the noise sets in, in the recording.
    pub noise_begins: Reading<Seconds>,
    /// All bands together.
    pub broadband: Onset,
    /// One item per band.
    pub bands: Vec<BandOnset>,
    /// The broadband gain over time and the fitted curve.
    pub course: Vec<Point>,
}

/// The onset in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandOnset {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// What was found.
    #[serde(flatten)]
    pub onset: Onset,
}

/// A fall and how fast it was.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Onset {
    /// Gain at the beginning minus settled gain.
    pub noise_reduction: Reading<LevelDifference>,
    /// Time constant of the fall in dB.
    pub time_constant: Reading<Seconds>,
    /// From the beginning of the noise to 90 % of the fall.
    pub time_to_90_percent: Reading<Seconds>,
}

/// The broadband gain at one time.
#[derive(Debug, Clone, Copy, Serialize, JsonSchema)]
#[schemars(rename = "NoiseReductionOnsetPoint")]
pub struct Point {
    /// Time in the recording, in seconds.
    pub time_s: f64,
    /// Force over sound pressure, in dB relative to where it settles.
    pub gain_db: f64,
    /// The fitted curve at that time.
    pub fitted_db: f64,
}

/// Finds the beginning of the noise and fits the fall of every band.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let channels = input.capture.both_channels("noise_reduction_onset")?;
    let bands = input.capture.bands()?;
    let fall = Fall::of(bands);
    let gap = |band: Band| channels.iter().find_map(|channel| channel.gap(band));
    let mut measured = Vec::new();
    let mut found = Vec::new();
    for (column, band) in bands.bands.iter().enumerate() {
        let onset = match gap(*band) {
            Some(gap) => Onset::absent(&gap.to_string()),
            None => {
                measured.push(column);
                fall.onset(bands, &[column])
            }
        };
        found.push(BandOnset { band: *band, onset });
    }
    Ok(Outcome {
        noise_begins: fall.begins.clone(),
        broadband: fall.onset(bands, &measured),
        course: fall.course(bands, &measured),
        bands: found,
    })
}

/// Where the noise begins and from which point on the gain is read.
struct Fall {
    begins: Reading<Seconds>,
    first: usize,
    /// From the beginning of the noise to the start of the first point.
    waited_s: f64,
}

impl Fall {
    fn of(bands: &Bands) -> Self {
        let all: Vec<usize> = (0..bands.bands.len()).collect();
        let sound = bands.course_of(Role::Microphone, &all);
        let later = median(&sound[sound.len() / 2..]);
        let onset = sound.iter().rposition(|p| *p < 0.5 * later);
        let absent = |why: &str| Self {
            begins: Reading::not_measured(why),
            first: 0,
            waited_s: 0.0,
        };
        let Some(before) = onset else {
            return absent("the noise is there from the beginning: start recording 2 s before it");
        };
        // The noise fills a part of the point across its beginning; that point is
        // the last one below half, or the one after it.
        let quiet = median(&sound[..=before]);
        if quiet >= 0.1 * later || before + 1 >= sound.len() {
            let why = "no noise sets in: the microphone does not rise by 10 dB and stay there";
            return absent(why);
        }
        let share = |i: usize| ((sound[i] - quiet) / (later - quiet)).clamp(0.0, 1.0);
        let filled = share(before) + share(before + 1);
        let since_start_s = (before as f64 + 2.0 - filled) * bands.step_s;
        let first = ((since_start_s + TRANSIENT_S) / bands.step_s).ceil() as usize;
        let uncertainty = Uncertainty::of(Origin::Analysis, ONSET_STEPS * bands.step_s);
        Self {
            begins: Reading::measured(Seconds(bands.from_s + since_start_s), uncertainty),
            first,
            waited_s: first as f64 * bands.step_s - since_start_s,
        }
    }

    fn onset(&self, bands: &Bands, columns: &[usize]) -> Onset {
        let gain = self.gain(bands, columns);
        let Some(fit) = Approach::fit(&gain, bands.step_s) else {
            return Onset::absent("the noise goes on for too short a time, or a channel is silent");
        };
        let force = bands.course_of(Role::Force, columns);
        let mean = |course: &[f64]| course.iter().sum::<f64>() / course.len() as f64;
        let quiet = self
            .first
            .saturating_sub((self.waited_s / bands.step_s).ceil() as usize + 1);
        let floor = 10f64.powf(Bands::CLEAR_DB / 10.0) * mean(&force[..quiet.max(1)]);
        let length_s = gain.len() as f64 * bands.step_s;
        if self.begins.figure().is_some() && mean(&force[force.len() - gain.len() / 4..]) < floor {
            return Onset::absent(
                "the settled force stands less than 10 dB above that before the noise",
            );
        }
        Onset::told(&fit, length_s, &self.begins, self.waited_s, bands.step_s)
    }

    /// Force over sound pressure in dB from the first point on.
    fn gain(&self, bands: &Bands, columns: &[usize]) -> Vec<f64> {
        let [force, sound] = Role::ALL.map(|role| bands.course_of(role, columns));
        let pairs = force.iter().zip(&sound).skip(self.first);
        pairs.map(|(f, p)| 10.0 * (f / p).log10()).collect()
    }

    fn course(&self, bands: &Bands, columns: &[usize]) -> Vec<Point> {
        let gain = self.gain(bands, columns);
        let Some(fit) = Approach::fit(&gain, bands.step_s) else {
            return Vec::new();
        };
        let point = |(i, db): (usize, &f64)| {
            let since_s = (i as f64 + 0.5) * bands.step_s;
            Point {
                time_s: bands.from_s + self.first as f64 * bands.step_s + since_s,
                gain_db: db - fit.end_db,
                fitted_db: fit.db_at(since_s) - fit.end_db,
            }
        };
        let thin = gain.len().div_ceil(COURSE_POINTS);
        gain.iter().enumerate().step_by(thin).map(point).collect()
    }
}

impl Onset {
    /// What `fit` tells of a course of `length_s` that begins `waited_s` after the
    /// noise.
    fn told(
        fit: &Approach,
        length_s: f64,
        begins: &Reading<Seconds>,
        waited_s: f64,
        step_s: f64,
    ) -> Self {
        let difference = LevelDifference::from_db;
        let statistics = |u| Uncertainty::of(Origin::Statistics, u);
        if length_s - fit.hold_s < SETTLED_TAUS * fit.tau_s {
            let seen = fit.db_at(0.0) - fit.db_at(length_s);
            let why = format!(
                "the gain has not settled: go on for {:.0} s after the noise sets in",
                2.0 * SETTLED_TAUS * fit.tau_s + fit.hold_s
            );
            let timeless = Self::absent(&why);
            let noise_reduction = Reading::AtLeast(difference(seen), why);
            return Self {
                noise_reduction,
                ..timeless
            };
        }
        let misfit = fit.misfit_db > MISFIT * fit.drop_db.abs();
        let held = fit.hold_s > 0.0;
        let earlier = waited_s / fit.tau_s;
        let known = begins.figure().is_some();
        let noise_reduction = if held || misfit {
            let lasting = if misfit { 2.0 * fit.misfit_db } else { 0.0 };
            let uncertainty = statistics(fit.drop_uncertainty_db).and(Origin::Analysis, lasting);
            Reading::measured(difference(fit.drop_db), uncertainty)
        } else if known && earlier < 1.0 {
            let grown = earlier.exp();
            // The device may have waited as long as nothing was read.
            let unseen = (fit.drop_db * (grown - 1.0)).abs();
            let uncertainty = statistics(grown * fit.drop_uncertainty_db);
            Reading::measured(
                difference(fit.drop_db * grown),
                uncertainty.and(Origin::Analysis, unseen),
            )
        } else {
            let why = "the fall began before the gain could be read";
            Reading::AtLeast(difference(fit.drop_db), why.into())
        };
        let timeless = |why: &str| Self {
            noise_reduction: noise_reduction.clone(),
            ..Self::absent(why)
        };
        if fit.drop_db.abs() <= fit.drop_uncertainty_db.max(LEAST_DB) {
            return timeless("the gain does not change: there is nothing to time");
        }
        if misfit {
            return timeless("the gain does not follow one exponential");
        }
        let time_constant =
            Reading::measured(Seconds(fit.tau_s), statistics(fit.tau_uncertainty_s));
        let time_to_90_percent = if known {
            let wait_s = if held { waited_s } else { 0.0 };
            let uncertainty = statistics(fit.ninety_uncertainty_s);
            Reading::measured(
                Seconds(wait_s + fit.ninety_s()),
                uncertainty.and(Origin::Analysis, ONSET_STEPS * step_s),
            )
        } else {
            Reading::not_measured("when the noise began was not seen")
        };
        Self {
            noise_reduction,
            time_constant,
            time_to_90_percent,
        }
    }

    fn absent(why: &str) -> Self {
        Self {
            noise_reduction: Reading::not_measured(why),
            time_constant: Reading::not_measured(why),
            time_to_90_percent: Reading::not_measured(why),
        }
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}
