//! The tone of a calibrator on one channel: frequency, level, how steady it is,
//! and all that is not the tone.
//!
//! Blocks of 0.25 s under a four-term Blackman–Harris window (Harris 1978; its
//! side lobes lie 92 dB down, coefficients from memory). The tone is what lies in
//! the main lobe around the strongest bin, four bins to either side: its power is
//! their sum, by Parseval, wherever between the bins it stands; its frequency is
//! their centre of gravity, which is exact because the autocorrelation of the
//! window ends in zero with zero slope. Noise counts only as far as it falls into
//! these 36 Hz.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;

use super::bands::Interval;
use crate::diagnostic::{Problem, Result};
use crate::quantity::Role;

/// Length of a block aimed at, in seconds.
const BLOCK_S: f64 = 0.25;
/// Blocks that overlap at any time: a new one begins every quarter.
const OVERLAP: usize = 4;
/// Bins of the main lobe to either side of the strongest.
const REACH: usize = 4;
/// Range of total distortion and noise, in Hz (IEC 60942:2017, 5.6; from a public
/// transcription).
const REST_HZ: (f64, f64) = (22.4, 22_400.0);
/// Time constant of the time weighting F, in seconds (IEC 61672-1).
const FAST_S: f64 = 0.125;
/// What must be recorded, in seconds.
const SHORTEST_S: f64 = 10.0;

/// What a calibrator is stated to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StatedTone {
    /// The channel that it drives.
    pub role: Role,
    /// Level in dB re 1 µN or re 20 µPa.
    pub level_db: f64,
    /// Frequency in Hz.
    pub frequency_hz: f64,
}

/// The strongest tone over the interval. Mean squares are in N² or Pa².
#[derive(Debug, Clone, Copy)]
pub struct Tone {
    /// What was stated.
    pub stated: StatedTone,
    /// Mean frequency in Hz.
    pub frequency_hz: f64,
    /// Mean square of the tone.
    pub mean_square: f64,
    /// Mean square of all else from 22.4 Hz to 22.4 kHz.
    pub rest: f64,
    /// The largest F-weighted mean square of the tone, and when.
    pub highest: Moment,
    /// The smallest, and when.
    pub lowest: Moment,
}

/// A mean square at a time in the recording.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// N² or Pa².
    pub mean_square: f64,
    /// In seconds.
    pub time_s: f64,
}

/// The fold that makes a [`Tone`].
pub struct ToneReduction {
    stated: StatedTone,
    rate_hz: f64,
    fft: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    /// Mean square that a squared bin stands for.
    scale: f64,
    pending: VecDeque<f64>,
    /// Frames still to be left out, and then to be taken in.
    skip: usize,
    take: usize,
    /// Start of the next block in frames.
    start: usize,
    blocks: f64,
    mean_square: f64,
    weighted_hz: f64,
    rest: f64,
    fast: Option<f64>,
    highest: Moment,
    lowest: Moment,
}

impl ToneReduction {
    /// At rest, for a recording of `frames` at `rate_hz`.
    ///
    /// # Errors
    /// [`Problem::Interval`]; [`Problem::TooShort`] for less than 10 s.
    pub fn new(stated: StatedTone, interval: Interval, rate_hz: u32, frames: u64) -> Result<Self> {
        let rate_hz = f64::from(rate_hz);
        let (from_s, to_s) = interval.within(frames as f64 / rate_hz)?;
        if to_s - from_s < SHORTEST_S {
            return Err(Problem::TooShort {
                available_s: to_s - from_s,
                needed_s: SHORTEST_S,
                why: "to see that the tone of a calibrator is steady".into(),
            }
            .into());
        }
        let length = 2 * (BLOCK_S * rate_hz / 2.0) as usize;
        let window = blackman_harris(length);
        let squares: f64 = window.iter().map(|w| w * w).sum();
        let skip = (from_s * rate_hz).round() as usize;
        Ok(Self {
            stated,
            rate_hz,
            fft: RealFftPlanner::new().plan_fft_forward(length),
            scale: 2.0 / (length as f64 * squares),
            window,
            pending: VecDeque::new(),
            skip,
            take: (to_s * rate_hz).round() as usize - skip,
            start: skip,
            blocks: 0.0,
            mean_square: 0.0,
            weighted_hz: 0.0,
            rest: 0.0,
            fast: None,
            highest: Moment {
                mean_square: 0.0,
                time_s: 0.0,
            },
            lowest: Moment {
                mean_square: f64::INFINITY,
                time_s: 0.0,
            },
        })
    }

    /// Takes in a block of frames in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        let skipped = self.skip.min(frames.len());
        let taken = self.take.min(frames.len() - skipped);
        self.skip -= skipped;
        self.take -= taken;
        let inside = &frames[skipped..skipped + taken];
        let channel = self.stated.role as usize;
        self.pending
            .extend(inside.iter().map(|frame| frame[channel]));
        let length = self.window.len();
        while self.pending.len() >= length {
            self.analyse();
            self.pending.drain(..length / OVERLAP);
            self.start += length / OVERLAP;
        }
    }

    fn analyse(&mut self) {
        let samples = self.pending.iter().zip(&self.window);
        let mut block: Vec<f64> = samples.map(|(sample, weight)| sample * weight).collect();
        let mut spectrum = self.fft.make_output_vec();
        // The lengths come from the plan itself, so this cannot fail.
        let _ = self.fft.process(&mut block, &mut spectrum);
        let power = |bin: usize| Complex64::norm_sqr(&spectrum[bin]) * self.scale;

        let resolution_hz = self.rate_hz / self.window.len() as f64;
        let low = (REST_HZ.0 / resolution_hz).ceil() as usize;
        let high = ((REST_HZ.1 / resolution_hz) as usize).min(spectrum.len() - 1);
        let peak = (low..=high)
            .max_by(|a, b| power(*a).total_cmp(&power(*b)))
            .unwrap_or(low);
        let lobe = peak.saturating_sub(REACH)..=(peak + REACH).min(spectrum.len() - 1);
        let tone: f64 = lobe.clone().map(power).sum();
        let moment: f64 = lobe.clone().map(|bin| bin as f64 * power(bin)).sum();
        let outside = (low..=high).filter(|bin| !lobe.contains(bin));

        self.blocks += 1.0;
        self.mean_square += tone;
        self.weighted_hz += moment * resolution_hz;
        self.rest += outside.map(power).sum::<f64>();
        self.watch(tone);
    }

    /// Follows the F-weighted mean square; it begins settled, with the first block.
    fn watch(&mut self, tone: f64) {
        let step_s = (self.window.len() / OVERLAP) as f64 / self.rate_hz;
        let before = self.fast.unwrap_or(tone);
        let mean_square = tone + (before - tone) * (-step_s / FAST_S).exp();
        self.fast = Some(mean_square);
        let time_s = (self.start + self.window.len() / 2) as f64 / self.rate_hz;
        let now = Moment {
            mean_square,
            time_s,
        };
        if mean_square > self.highest.mean_square {
            self.highest = now;
        }
        if mean_square < self.lowest.mean_square {
            self.lowest = now;
        }
    }

    /// The tone found; zero throughout where the channel is silent.
    pub fn finish(self) -> Tone {
        Tone {
            stated: self.stated,
            frequency_hz: self.weighted_hz / self.mean_square.max(f64::MIN_POSITIVE),
            mean_square: self.mean_square / self.blocks,
            rest: self.rest / self.blocks,
            highest: self.highest,
            lowest: self.lowest,
        }
    }
}

fn blackman_harris(length: usize) -> Vec<f64> {
    const TERMS: [f64; 4] = [0.35875, -0.48829, 0.14128, -0.01168];
    let weight = |n: usize| {
        let terms = TERMS.iter().enumerate();
        let phase = TAU * n as f64 / length as f64;
        terms.map(|(k, a)| a * (k as f64 * phase).cos()).sum()
    };
    (0..length).map(weight).collect()
}
