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
use super::transfer::{Transfer, TransferReduction};
use crate::diagnostic::Result;

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

impl Transfer {
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
