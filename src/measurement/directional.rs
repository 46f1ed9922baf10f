//! # Front-to-back difference
//!
//! *Question.* Do the directional microphones favour the front?
//!
//! *Definition.* Force level with the sound from the front minus force level
//! with the same sound from the back, after removing the difference of the two
//! sounds at the reference microphone, band by band.
//!
//! *Method.* 1. Gain of each capture in each band: force level minus pressure
//! level over the interval. 2. Front gain minus back gain. 3. Its uncertainty
//! from how the gain scatters between blocks of 62.5 ms; the calibration of both
//! channels cancels. 4. Where a capture without stimulus is given and the back
//! force stands less than 3 dB above it, the difference is only a lower bound.
//!
//! *Source.* Own wording of the common definition; the correction by the
//! reference microphone is common practice, no source. Scatter of a ratio of
//! means: delta method (textbook).
//!
//! *Limits.* A box that is not closed, or a device that still adapts, changes
//! the figure. A front-to-back difference is not a directivity index.

use ndarray::Axis;
use serde::{Deserialize, Serialize};

use super::Captures;
use crate::diagnostic::{Problem, Result};
use crate::levels::{Levels, Needs};
use crate::quantity::{Band, LevelDifference, Origin, Reading, Role, Uncertainty};
use crate::trust::Check;

/// Third-octave levels.
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
    Check::Hum,
    Check::Impulses,
    Check::MicrophonePosition,
    Check::RoomNoise,
    Check::TestBox,
];

/// Below this distance from the noise, the back figure is the noise's, in dB.
const CLEAR_DB: f64 = 3.0;

/// A capture from the front, one from the back, and one without stimulus.
pub struct Input<'a> {
    /// Sound from the front.
    pub front: &'a Levels,
    /// Sound from the back.
    pub back: &'a Levels,
    /// No stimulus.
    pub noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            front: captures.role("front")?,
            back: captures.role("back")?,
            noise: captures.optional("equivalent_input_noise"),
        })
    }
}

/// Nothing to choose yet.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Options {}

impl Options {
    /// Nothing can be wrong.
    ///
    /// # Errors
    /// None.
    pub fn check(&self) -> Result<()> {
        Ok(())
    }
}

/// The differences.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// One item per band.
    pub bands: Vec<BandDifference>,
    /// Difference of the band sums.
    pub broadband: Reading<LevelDifference>,
}

/// The difference in one band.
#[derive(Debug, Clone, Serialize)]
pub struct BandDifference {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Front minus back.
    pub front_to_back: Reading<LevelDifference>,
}

/// Front minus back in every band that both captures hold.
///
/// # Errors
/// [`Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    for capture in [input.front, input.back] {
        for (slot, name) in ["force", "microphone"].into_iter().enumerate() {
            if capture.channels[slot].is_none() {
                return Err(Problem::ChannelMissing {
                    measurement: "directional",
                    channel: name,
                }
                .into());
            }
        }
    }
    let (front, back) = (input.front.bands()?, input.back.bands()?);
    let noise = match input.noise {
        Some(capture) => Some(capture.bands()?),
        None => None,
    };
    let mut bands = Vec::new();
    let mut sums = [Series::default(), Series::default()];
    for (column, band) in front.bands.iter().enumerate() {
        if back.bands.get(column) != Some(band) {
            continue;
        }
        let gap = input
            .front
            .channels
            .iter()
            .flatten()
            .find_map(|channel| channel.gap(*band));
        let pair = [front, back].map(|bands| Series {
            force: bands.course_of(Role::Force, column),
            pressure: bands.course_of(Role::Microphone, column),
            step_s: bands.step_s,
        });
        let floor = noise
            .filter(|n| n.bands.get(column) == Some(band))
            .map(|n| n.mean_square[(0, column)]);
        let reading = match gap {
            Some(gap) => Reading::not_measured(gap),
            None => {
                for (sum, one) in sums.iter_mut().zip(&pair) {
                    sum.add(one);
                }
                difference(&pair, floor, band.width_hz())
            }
        };
        bands.push(BandDifference {
            band: *band,
            front_to_back: reading,
        });
    }
    let floor = noise.map(|n| n.mean_square.index_axis(Axis(0), 0).sum());
    let width_hz = bands.iter().map(|b| b.band.width_hz()).sum();
    let broadband = difference(&sums, floor, width_hz);
    Ok(Outcome { bands, broadband })
}

/// Mean squares of both channels over time.
#[derive(Default)]
struct Series {
    force: Vec<f64>,
    pressure: Vec<f64>,
    step_s: f64,
}

impl Series {
    fn add(&mut self, other: &Self) {
        self.step_s = other.step_s;
        self.force.resize(other.force.len(), 0.0);
        self.pressure.resize(other.pressure.len(), 0.0);
        for (sum, x) in self.force.iter_mut().zip(&other.force) {
            *sum += x;
        }
        for (sum, x) in self.pressure.iter_mut().zip(&other.pressure) {
            *sum += x;
        }
    }

    /// Gain in dB and its standard uncertainty: delta method on the ratio of
    /// two means. Neighbouring blocks of a band narrower than a few times
    /// 1 / step are not independent; the number of blocks is reduced to that of
    /// independent ones, one per 1 / bandwidth at most.
    fn gain_db(&self, width_hz: f64) -> Option<(f64, f64)> {
        let count = self.force.len().min(self.pressure.len()) as f64;
        if count < 2.0 {
            return None;
        }
        let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
        let (force, pressure) = (mean(&self.force), mean(&self.pressure));
        let scatter: f64 = self
            .force
            .iter()
            .zip(&self.pressure)
            .map(|(f, p)| (f / force - p / pressure).powi(2))
            .sum();
        let independent = count * (self.step_s * width_hz).min(1.0);
        let relative = (scatter / (count - 1.0) / independent.max(1.0)).sqrt();
        let gain_db = 10.0 * (force / pressure).log10();
        gain_db.is_finite().then_some((gain_db, 4.343 * relative))
    }
}

fn difference(pair: &[Series; 2], floor: Option<f64>, width_hz: f64) -> Reading<LevelDifference> {
    let [front, back] = pair;
    let (Some(front_gain), Some(back_gain)) = (front.gain_db(width_hz), back.gain_db(width_hz))
    else {
        return Reading::not_measured("a channel is silent or the interval too short");
    };
    let figure = LevelDifference::from_db(front_gain.0 - back_gain.0);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let clear = 10f64.powf(CLEAR_DB / 10.0);
    if floor.is_some_and(|floor| mean(&back.force) < clear * floor) {
        return Reading::AtLeast(
            figure,
            "the back force stands less than 3 dB above the noise".into(),
        );
    }
    let standard = front_gain.1.hypot(back_gain.1);
    Reading::measured(figure, Uncertainty::of(Origin::Statistics, 2.0 * standard))
}
