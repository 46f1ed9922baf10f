//! What the samples of a channel say about the recording itself: how strong
//! they are, how many bits they use, and where a recorder lost or repeated some.
//!
//! One fold per channel, in full-scale units, in the pass that reads them.
//! Nothing here needs a calibration. Every check states from what strength on
//! it finds, and is own method unless a source is named.

mod dropout;
mod history;
mod repeat;
mod splice;
#[cfg(test)]
mod tests;

use serde::Serialize;

use crate::diagnostic::{At, Diagnostic, Problem, Result};
use dropout::Dropouts;
use history::History;
use repeat::Repeats;
use splice::Splices;

/// This many samples in a row at full scale are called clipping; fewer may be
/// an honest peak (common practice, no source).
const CLIPPED_RUN: u64 = 3;
/// Samples that use fewer bits than this are not said to be clipped: such codes
/// are coarse enough to reach full scale honestly.
const FEWEST_BITS: u32 = 8;
/// Samples finer than this are taken as true floats.
const MOST_BITS: u32 = 32;

/// What one channel of a recording shows, in full-scale units (1.0 is the
/// recorder's digital full scale).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Integrity {
    /// Largest magnitude; 0 for a silent channel.
    #[serde(rename = "peak_fs")]
    pub peak: f64,
    /// Root mean square.
    #[serde(rename = "rms_fs")]
    pub rms: f64,
    /// Mean.
    #[serde(rename = "dc_fs")]
    pub dc: f64,
    /// Bits, sign included, that hold every sample exactly: 16 for a 16-bit
    /// recording that was stored in 24. `None` for silence and for floats finer
    /// than 32 bits.
    pub effective_bits: Option<u32>,
    /// Three samples or more in a row at full scale, the full scale of the
    /// effective bits (8 at least).
    pub clipped: Places,
    /// Stretches of exact zeros inside the signal, from 1 ms, that it enters or
    /// leaves abruptly: at more than a quarter of its RMS there, from an RMS of
    /// 64 steps. A signal that was gated without a ramp looks the same.
    pub dropouts: Places,
    /// Sudden steps, as where a block was lost: at least 8 times what the 5 ms
    /// before and after hold of the kind, and 16 quantising steps. Found in tones
    /// and speech, not in noise that is as strong as the step; a step that passed
    /// a converter's filter is no longer one. A digital square wave has them too.
    pub splices: Places,
    /// Blocks that are bit for bit the same as one up to 0.2 s before, from 64
    /// samples and an RMS of 16 steps on. What goes on repeating is a periodic
    /// signal and not counted; see `repeat.rs`.
    pub repeats: Places,
    /// An earlier channel, counted from 0 among those read together, that holds
    /// the very same samples; `None` for a silent one.
    pub same_as: Option<usize>,
}

impl Integrity {
    /// Whether every sample is zero.
    pub fn silent(&self) -> bool {
        self.peak == 0.0
    }

    /// Peak over RMS in dB (20 lg); `None` for silence.
    pub fn crest_factor_db(&self) -> Option<f64> {
        (!self.silent()).then(|| 20.0 * (self.peak / self.rms).log10())
    }
}

impl Integrity {
    /// Clipping as a problem, if there is any.
    pub fn clipping(&self) -> Option<Problem> {
        Some(Problem::Clipped {
            samples: self.clipped.samples,
            runs: self.clipped.count,
            first_s: *self.clipped.starts_s.first()?,
        })
    }

    /// Everything that puts the recording in doubt.
    pub fn doubts(&self) -> Vec<Problem> {
        let interrupted = |what, places: &Places| {
            let first_s = *places.starts_s.first()?;
            let places = places.count;
            Some(Problem::Interrupted {
                what,
                places,
                first_s,
            })
        };
        let channel = |position| Problem::SameSamples {
            channel: position + 1,
        };
        let doubts = [
            self.silent().then_some(Problem::NoSignal),
            self.same_as.map(channel),
            self.clipping(),
            interrupted("drop-outs", &self.dropouts),
            interrupted("splices", &self.splices),
            interrupted("blocks delivered twice", &self.repeats),
        ];
        doubts.into_iter().flatten().collect()
    }
}

/// Where something was found in a channel.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Places {
    /// How often.
    pub count: u64,
    /// Samples concerned, all together.
    pub samples: u64,
    /// Where the first [`Places::STARTS`] begin, in seconds.
    pub starts_s: Vec<f64>,
}

impl Places {
    /// Starts that are kept.
    pub const STARTS: usize = 16;

    fn add(&mut self, start: u64, samples: u64, rate_hz: f64) {
        self.count += 1;
        self.samples += samples;
        if self.starts_s.len() < Self::STARTS {
            self.starts_s.push(start as f64 / rate_hz);
        }
    }
}

/// The fold that makes the [`Integrity`] of one channel.
pub(super) struct IntegrityReduction {
    rate_hz: f64,
    read: u64,
    moments: Moments,
    bits: u32,
    clipped_run: u64,
    history: History,
    dropouts: Dropouts,
    splices: Splices,
    repeats: Repeats,
    found: [Places; 4],
}

const CLIPPED: usize = 0;
const DROPOUTS: usize = 1;
const SPLICES: usize = 2;
const REPEATS: usize = 3;

impl IntegrityReduction {
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        let repeats = Repeats::new(rate_hz);
        Self {
            rate_hz,
            read: 0,
            moments: Moments::default(),
            bits: 1,
            clipped_run: 0,
            history: History::new(repeats.reach()),
            dropouts: Dropouts::new(rate_hz),
            splices: Splices::new(rate_hz),
            repeats,
            found: Default::default(),
        }
    }

    /// Takes in the next samples.
    ///
    /// # Errors
    /// [`Problem::NotFinite`] with its time, also for a sample whose square is
    /// not finite.
    pub fn push(&mut self, samples: &[f64]) -> Result<()> {
        let block = Moments::of(samples);
        if !block.squares.is_finite() {
            let odd = samples.iter().position(|x| !(x * x).is_finite());
            let position = self.read + odd.unwrap_or(0) as u64;
            let time_s = position as f64 / self.rate_hz;
            return Err(Diagnostic::from(Problem::NotFinite).at_time(time_s));
        }
        self.moments.add(&block);
        while self.bits <= MOST_BITS && !on_grid(samples, self.bits) {
            self.bits += 1;
        }
        self.clipping(samples, block.peak);
        self.history.push(samples);
        let step = self.step();
        self.dropouts.push(&self.history, step, |start, samples| {
            self.found[DROPOUTS].add(start, samples, self.rate_hz);
        });
        self.splices.push(&self.history, step, |start| {
            self.found[SPLICES].add(start, 1, self.rate_hz);
        });
        self.repeats.push(&self.history, step, |start, samples| {
            self.found[REPEATS].add(start, samples, self.rate_hz);
        });
        self.read += samples.len() as u64;
        Ok(())
    }

    /// One quantising step of what was seen so far; 0 for true floats.
    fn step(&self) -> f64 {
        if self.bits > MOST_BITS {
            0.0
        } else {
            0.5f64.powi(self.bits as i32 - 1)
        }
    }

    fn clipping(&mut self, samples: &[f64], peak: f64) {
        // The largest positive code is one step below 1.0.
        let full = 1.0 - 0.5f64.powi(self.bits.max(FEWEST_BITS) as i32 - 1);
        if self.bits > MOST_BITS || peak < full {
            self.end_clipped_run(self.read);
            return;
        }
        for (position, sample) in samples.iter().enumerate() {
            // A float beyond full scale went on rising.
            if (full..=1.0).contains(&sample.abs()) {
                self.clipped_run += 1;
            } else {
                self.end_clipped_run(self.read + position as u64);
            }
        }
    }

    fn end_clipped_run(&mut self, end: u64) {
        let run = std::mem::take(&mut self.clipped_run);
        if run >= CLIPPED_RUN {
            self.found[CLIPPED].add(end - run, run, self.rate_hz);
        }
    }

    pub fn finish(mut self) -> Integrity {
        self.end_clipped_run(self.read);
        let [clipped, dropouts, splices, repeats] = self.found;
        let count = self.read.max(1) as f64;
        let moments = self.moments;
        Integrity {
            peak: moments.peak,
            rms: (moments.squares / count).sqrt(),
            dc: moments.sum / count,
            effective_bits: (moments.peak > 0.0 && self.bits <= MOST_BITS).then_some(self.bits),
            clipped,
            dropouts,
            splices,
            repeats,
            same_as: None,
        }
    }
}

/// Whether every sample is a whole number of steps of `bits`.
fn on_grid(samples: &[f64], bits: u32) -> bool {
    // Adding this rounds to a whole number, for magnitudes below 2^51.
    const ROUND: f64 = 1.5 * (1u64 << 52) as f64;
    let scale = 2f64.powi(bits as i32 - 1);
    samples.chunks(64).all(|chunk| {
        let off = chunk.iter().map(|x| x * scale);
        off.map(|x| u32::from(((x + ROUND) - ROUND) != x))
            .sum::<u32>()
            == 0
    })
}

/// Peak, sum and sum of squares.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    peak: f64,
    sum: f64,
    squares: f64,
}

impl Moments {
    fn of(samples: &[f64]) -> Self {
        // Independent lanes let the compiler compute several at a time.
        const LANES: usize = 8;
        let mut lanes = [Self::default(); LANES];
        let (chunks, rest) = samples.as_chunks::<LANES>();
        for chunk in chunks {
            for (lane, x) in lanes.iter_mut().zip(chunk) {
                lane.take(*x);
            }
        }
        for (lane, x) in lanes.iter_mut().zip(rest) {
            lane.take(*x);
        }
        let mut all = Self::default();
        lanes.iter().for_each(|lane| all.add(lane));
        all
    }

    fn take(&mut self, x: f64) {
        self.peak = if x.abs() > self.peak {
            x.abs()
        } else {
            self.peak
        };
        self.sum += x;
        self.squares += x * x;
    }

    fn add(&mut self, other: &Self) {
        self.peak = self.peak.max(other.peak);
        self.sum += other.sum;
        self.squares += other.squares;
    }
}

/// Which channels hold the very same samples: for each, the earlier ones from
/// which it has not differed yet.
pub(super) struct Sameness(Vec<Vec<usize>>);

impl Sameness {
    pub fn new(channels: usize) -> Self {
        Self(
            (0..channels)
                .map(|channel| (0..channel).collect())
                .collect(),
        )
    }

    /// Takes in the next samples of every channel.
    pub fn push(&mut self, channels: &[Vec<f64>]) {
        for (channel, candidates) in channels.iter().zip(&mut self.0) {
            candidates.retain(|earlier| channels[*earlier] == *channel);
        }
    }

    /// The first of the earlier channels that is the same as `channel`.
    pub fn of(&self, channel: usize) -> Option<usize> {
        self.0.get(channel)?.first().copied()
    }
}
