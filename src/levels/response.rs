//! The transfer over an interval, and its mean over a stretch of frequencies.
//!
//! A bin stands for the frequencies up to half a bin on either side; one that
//! lies in the stretch in part counts in part. Frequencies count evenly on a
//! logarithmic axis, whatever was played: the mean square gain is that for pink
//! noise. What chance adds to |H1|² is taken away: (1 − γ²)/(γ² (n − 1)) of it
//! (Bendat and Piersol, Random Data, 4th ed., by a public transcription).

use std::ops::Range;

use super::bands::Interval;
use super::pair::Cross;
use super::reduce::Levels;
use super::transfer::{Transfer, TransferReduction};
use crate::diagnostic::Result;
use crate::quantity::{Band, Number, Origin, Reading, SensitivityLevel, Uncertainty};

/// Neighbouring bins of Hann segments hold partly the same: the mean over many is
/// worth the mean over 18/35 of them. Squares of the correlations 2/3 and 1/6 of
/// the window's bins: 1 + 2 (4/9 + 1/36).
pub(super) const SHARED: f64 = 35.0 / 18.0;

/// A bin this far below the strongest of the microphone channel, in power, holds
/// what leaks from others or rounding, no sound: 90 dB.
const SILENT: f64 = 1e-9;
/// Sound that fills less of a stretch is tones: it tells nothing of what lies
/// between them. Noise fills 1.
const FILLED: f64 = 0.25;

/// Expanded uncertainty of lines of a finite breadth, in dB: within 0.01 dB on a
/// simulated resonance (docs/accuracy.md), and twice that.
const LINES_DB: f64 = 0.02;

/// Less of the force that follows the sound tells no sensitivity.
const COHERENT: f64 = 0.8;

/// The fold that makes the [`Transfer`] of an interval.
pub struct ResponseReduction {
    reduction: TransferReduction,
    interval: Range<u64>,
    frame: u64,
}

impl ResponseReduction {
    /// At rest, for a recording of `frames`.
    ///
    /// # Errors
    /// [`Problem::Interval`](crate::Problem::Interval) if the interval does not lie
    /// in the recording.
    pub fn new(interval: Interval, rate_hz: u32, frames: u64) -> Result<Self> {
        let rate = f64::from(rate_hz);
        let (from_s, to_s) = interval.within(frames as f64 / rate)?;
        let frame = |s: f64| (s * rate).round() as u64;
        Ok(Self {
            reduction: TransferReduction::as_recorded(rate_hz),
            interval: frame(from_s)..frame(to_s),
            frame: 0,
        })
    }

    /// Takes in a block of frames in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        let inside = |at: u64| (at.saturating_sub(self.frame) as usize).min(frames.len());
        let (from, to) = (inside(self.interval.start), inside(self.interval.end));
        self.frame += frames.len() as u64;
        if from < to {
            self.reduction.push(&frames[from..to]);
        }
    }

    /// The transfer found.
    pub fn finish(self) -> Transfer {
        self.reduction.finish()
    }
}

/// What a transfer says of a stretch of frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Mean square of the gain in N²/Pa².
    pub power_gain: f64,
    /// Share of the force's power that follows the sound, 0 to 1.
    pub coherence: f64,
    /// Relative standard deviation of `power_gain` by chance.
    pub random_error: f64,
    /// Whether sound fills the stretch: no silence, and no tones alone.
    pub filled: bool,
}

/// Force level minus sound pressure level of what follows the sound.
#[derive(Debug, Clone)]
pub struct Sensitivity {
    /// The level.
    pub level: Reading<SensitivityLevel>,
    /// Share of the force's power that follows the sound.
    pub coherence: Reading<Number>,
}

impl Sensitivity {
    /// Why there is none.
    pub const NOTHING: &'static str =
        "both channels share no broadband sound here, or for too short a time";

    fn absent(why: &str) -> Self {
        Self {
            level: Reading::not_measured(why),
            coherence: Reading::not_measured(why),
        }
    }
}

impl Levels {
    /// The sensitivity level between two frequencies that lie in `band`.
    ///
    /// Uncertainty: of both calibrations; of chance; as noise, the 1/γ² by which noise
    /// in the microphone channel may lower H1.
    ///
    /// # Errors
    /// [`Problem::Internal`](crate::Problem::Internal) without the response.
    pub fn sensitivity(&self, [from_hz, to_hz]: [f64; 2], band: Band) -> Result<Sensitivity> {
        let transfer = self.response()?;
        let [Some(force), Some(microphone)] = &self.channels else {
            return Ok(Sensitivity::absent("a channel is missing"));
        };
        if let Some(gap) = force.gap(band).or(microphone.gap(band)) {
            return Ok(Sensitivity::absent(&gap));
        }
        let whole = transfer.over(band.lower_hz(), band.upper_hz());
        let filled = whole.is_some_and(|band| band.filled) && transfer.bulk_delay_s.is_some();
        let Some(found) = transfer.over(from_hz, to_hz).filter(|_| filled) else {
            return Ok(Sensitivity::absent(Sensitivity::NOTHING));
        };
        let coherence = Reading::measured(Number(found.coherence), Uncertainty::EXACT);
        if found.coherence < COHERENT {
            let share = 100.0 * found.coherence;
            let why = format!("only {share:.0} % of the force's power follows the sound");
            let level = Reading::not_measured(why);
            return Ok(Sensitivity { level, coherence });
        }
        let hz = (from_hz * to_hz).sqrt();
        let statistics = 2.0 * found.random_error * 10.0 / std::f64::consts::LN_10;
        let budget = force
            .uncertainty_at(hz)
            .minus(&microphone.uncertainty_at(hz))
            .and(Origin::Analysis, LINES_DB)
            .and(Origin::Statistics, statistics)
            .and(Origin::Noise, -10.0 * found.coherence.log10());
        let level = SensitivityLevel::of_power_gain(found.power_gain);
        let level = Reading::measured(level, budget);
        Ok(Sensitivity { level, coherence })
    }
}

/// What both channels share over a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Common {
    /// Squared coherence, bins weighted by the force's power, without what chance
    /// adds; by chance it may be negative.
    pub coherence: f64,
    /// Its standard deviation.
    pub error: f64,
}

impl Transfer {
    /// What both channels share from `from_hz` to `to_hz`, however little; `None` where
    /// the force is silent or fewer than two averages tell nothing. Chance lends each
    /// bin (1 − γ²)/(n − 1) and scatters it by 1/n and √2 (1 − γ²) γ/√n.
    pub fn common(&self, from_hz: f64, to_hz: f64) -> Option<Common> {
        let freedom = self.averages - 1.0;
        let (mut force, mut shared, mut variance) = (0.0, 0.0, 0.0);
        for (bin, weight) in self.shares(from_hz, to_hz).filter(|_| freedom > 0.0) {
            let cross = self.bins().get(bin)?;
            let weight = weight * cross.force;
            let coherence = cross.coherence();
            let own = (coherence - (1.0 - coherence) / freedom).max(0.0);
            force += weight;
            shared += weight * (coherence - (1.0 - coherence) / freedom);
            let scatter = 1.0 + 2.0 * own * (1.0 - own).powi(2) * self.averages;
            variance += weight * weight * scatter / self.averages.powi(2);
        }
        (force > 0.0).then(|| Common {
            coherence: shared / force,
            error: (SHARED * variance).sqrt() / force,
        })
    }

    /// The mean from `from_hz` to `to_hz`; `None` where a bin of it is silent, or
    /// where fewer than two averages tell nothing.
    pub fn over(&self, from_hz: f64, to_hz: f64) -> Option<Stretch> {
        let freedom = self.averages - 1.0;
        if freedom <= 0.0 {
            return None;
        }
        let (mut weights, mut gain, mut variance) = (0.0, 0.0, 0.0);
        let (mut following, mut force) = (0.0, 0.0);
        let (mut sound, mut squares, mut count) = (0.0, 0.0, 0.0);
        let mut silent = false;
        for (bin, weight) in self.shares(from_hz, to_hz) {
            let cross = self.bins().get(bin)?;
            let own = self.gain(bin)?.norm_sqr();
            let apart = (cross.force - own * cross.microphone).max(0.0);
            sound += weight * cross.microphone;
            squares += weight * cross.microphone.powi(2);
            count += weight;
            silent |= !self.sounds(cross);
            let weight = weight / bin as f64;
            weights += weight;
            gain += weight * (own - apart / (cross.microphone * freedom));
            variance += (2.0 * weight * own * self.random_error(bin)?).powi(2);
            following += own * cross.microphone;
            force += cross.force;
        }
        (gain > 0.0).then(|| Stretch {
            power_gain: gain / weights,
            coherence: following / force,
            random_error: (SHARED * variance).sqrt() / gain,
            filled: !silent && sound * sound > FILLED * count * squares,
        })
    }

    /// Whether a bin holds sound of its own.
    pub(super) fn sounds(&self, cross: &Cross) -> bool {
        cross.microphone > SILENT * self.strongest()
    }

    /// The bins that reach into a stretch, and how much of each lies in it.
    fn shares(&self, from_hz: f64, to_hz: f64) -> impl Iterator<Item = (usize, f64)> {
        let [from, to] = [from_hz, to_hz].map(|hz| hz / self.resolution_hz());
        let bins = (from.round() as usize).max(1)..=to.round() as usize;
        let share = move |bin: usize| {
            let [low, high] = [-0.5, 0.5].map(|half| bin as f64 + half);
            (bin, high.min(to) - low.max(from))
        };
        bins.map(share).filter(|(_, share)| *share > 0.0)
    }
}
