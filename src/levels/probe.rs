//! A few long windows of both channels, spread over the recording: does the
//! mains hum in it, and by how much does the force lag behind the sound?
//!
//! *Source.* Lag: generalised cross-correlation with phase transform, Knapp and
//! Carter 1976, IEEE Trans. ASSP 24(4), 320–327. Line power under a Hann
//! window: Harris 1978; both from memory.

use std::ops::RangeInclusive;
use std::sync::Arc;

use rustfft::{Fft, FftPlanner, num_complex::Complex64};

use super::pair::Pair;

/// Windows at most, so that the cost does not grow with the recording.
const WINDOWS: u64 = 8;
/// Least length of a window: neighbouring lines of 50 Hz and 60 Hz are far apart.
const WINDOW_S: f64 = 1.3;
/// Mains frequencies in Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// A mains frequency wanders by this much at most, in Hz.
const WANDER_HZ: f64 = 0.5;
/// Hum stands this far above the density beside it in every window, in dB.
const HUM_DB: f64 = 15.0;
/// Both channels are compared within this range, in Hz.
const COMPARED_HZ: [f64; 2] = [150.0, 8000.0];
/// Lags are sought up to this, in seconds.
const REACH_S: f64 = 0.5;
/// The envelope of the correlation peaks this many times above its root mean
/// square; the greatest chance peak among some 50 000 lags reaches about 3.5.
const CLEAR: f64 = 6.0;
/// No other peak, this far away or further in seconds, reaches this share of the
/// highest: a periodic sound has as many as it has periods, and tells no lag.
const ALONE: f64 = 0.8;
const APART_S: f64 = 1e-3;

/// What the windows show.
#[derive(Debug, Clone, Default)]
pub struct Probes {
    /// Length of each window in seconds; 0 if the recording holds none.
    pub window_s: f64,
    /// Mains hum of the force and of the microphone channel.
    pub hum: [Option<Hum>; 2],
    /// Where a lag could be told, in the order of time.
    pub lags: Vec<Lag>,
}

/// The fundamental line of the mains, present in every window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hum {
    /// 50 Hz or 60 Hz.
    pub mains_hz: f64,
    /// Its mean square, in N² or Pa².
    pub mean_square: f64,
    /// Its share of the mean square of the channel.
    pub share: f64,
}

/// By how much the force lags behind the sound at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lag {
    /// Middle of the window, in seconds.
    pub at_s: f64,
    /// The lag in seconds; negative where the force comes first.
    pub lag_s: f64,
}

/// The fold that makes [`Probes`].
pub struct ProbeReduction {
    rate_hz: f64,
    pair: Pair,
    inverse: Arc<dyn Fft<f64>>,
    /// First frames of the windows still to come, the next one last.
    starts: Vec<u64>,
    at: u64,
    window: Vec<[f64; 2]>,
    windows: Vec<Window>,
    lags: Vec<Lag>,
}

/// One window of both channels.
struct Window {
    /// Mean square of each channel.
    total: [f64; 2],
    /// Mean square of the line, by channel and mains frequency; 0 where none
    /// stands out.
    lines: [[f64; 2]; 2],
}

impl ProbeReduction {
    /// Prepares for a recording of `frames` frames at `rate_hz`.
    pub fn new(rate_hz: u32, frames: u64) -> Self {
        let rate_hz = f64::from(rate_hz);
        let length = ((WINDOW_S * rate_hz).ceil() as usize).next_power_of_two();
        let count = (frames / length as u64).min(WINDOWS);
        let spare = frames.saturating_sub(length as u64);
        let starts = (0..count).rev().map(|i| spare * i / (count - 1).max(1));
        Self {
            rate_hz,
            pair: Pair::new(length, length),
            inverse: FftPlanner::new().plan_fft_inverse(length),
            starts: starts.collect(),
            at: 0,
            window: Vec::with_capacity(length),
            windows: Vec::new(),
            lags: Vec::new(),
        }
    }

    /// Takes in a block of frames, in N and Pa.
    pub fn push(&mut self, mut frames: &[[f64; 2]]) {
        while let Some(start) = self.starts.last() {
            let skipped = start.saturating_sub(self.at).min(frames.len() as u64);
            self.at += skipped;
            frames = &frames[skipped as usize..];
            let taken = frames.len().min(self.pair.length() - self.window.len());
            self.window.extend_from_slice(&frames[..taken]);
            self.at += taken as u64;
            frames = &frames[taken..];
            if self.window.len() < self.pair.length() {
                return;
            }
            self.close();
        }
    }

    /// What the windows show.
    pub fn finish(self) -> Probes {
        Probes {
            window_s: match self.windows.len() {
                0 => 0.0,
                _ => self.pair.length() as f64 / self.rate_hz,
            },
            hum: [0, 1].map(|channel| hum(&self.windows, channel)),
            lags: self.lags,
        }
    }

    fn close(&mut self) {
        self.starts.pop();
        self.pair.transform(self.window.drain(..));
        let window = self.lines();
        let silent = window.total.contains(&0.0);
        self.windows.push(window);
        if !silent && let Some(lag_s) = self.lag_s() {
            let middle = self.at as f64 - 0.5 * self.pair.length() as f64;
            self.lags.push(Lag {
                at_s: middle / self.rate_hz,
                lag_s,
            });
        }
    }

    fn lines(&self) -> Window {
        let (length, scale) = (self.pair.length(), self.pair.scale());
        let power = |bin: usize| self.pair.bin(bin).map(|value| value.norm_sqr() * scale);
        let bin_of = |hz: f64| (hz / self.rate_hz * length as f64).round() as usize;
        let mut total = [0.0; 2];
        for bin in 1..length / 2 {
            let here = power(bin);
            total = [total[0] + here[0], total[1] + here[1]];
        }
        let line = |channel: usize, mains_hz: f64| {
            let of = |bins: RangeInclusive<usize>| bins.map(|bin| power(bin)[channel]);
            // A Hann line fills its bin and two to either side.
            let inside = bin_of(mains_hz - WANDER_HZ) - 2..=bin_of(mains_hz + WANDER_HZ) + 2;
            let width = inside.clone().count();
            let (low, high) = (*inside.start(), *inside.end());
            let mut beside: Vec<f64> = of(low - width..=low - 1)
                .chain(of(high + 1..=high + width))
                .collect();
            beside.sort_by(f64::total_cmp);
            // The median of an exponential distribution lies at ln 2 of its mean.
            let noise = beside[width] / std::f64::consts::LN_2;
            let peak = of(inside.clone()).fold(0.0, f64::max);
            let clear = peak > noise * 10f64.powf(HUM_DB / 10.0);
            if clear { of(inside).sum() } else { 0.0 }
        };
        Window {
            total,
            lines: [0, 1].map(|channel| MAINS_HZ.map(|hz| line(channel, hz))),
        }
    }

    /// The lag of the window last transformed, if it is clear.
    fn lag_s(&self) -> Option<f64> {
        let length = self.pair.length();
        let bin_of = |hz: f64| (hz / self.rate_hz * length as f64) as usize;
        let compared = bin_of(COMPARED_HZ[0])..bin_of(COMPARED_HZ[1].min(0.45 * self.rate_hz));
        let count = compared.len();
        let mut correlation = vec![Complex64::ZERO; length];
        for bin in compared {
            let [force, microphone] = self.pair.bin(bin);
            let cross = force * microphone.conj();
            correlation[bin] = cross / cross.norm().max(f64::MIN_POSITIVE);
        }
        self.inverse.process(&mut correlation);
        let reach = (REACH_S * self.rate_hz) as i64;
        let at = |lag: i64| correlation[lag.rem_euclid(length as i64) as usize].norm();
        let peak = (-reach..=reach).max_by(|a, b| at(*a).total_cmp(&at(*b)))?;
        // Random phases add up to the root of their number.
        if at(peak) < CLEAR * (count as f64).sqrt() {
            return None;
        }
        let apart = (APART_S * self.rate_hz) as i64;
        let mut others = (-reach..=reach).filter(|lag| (lag - peak).abs() > apart);
        if others.any(|lag| at(lag) > ALONE * at(peak)) {
            return None;
        }
        let [before, here, after] = [peak - 1, peak, peak + 1].map(at);
        let shift = 0.5 * (before - after) / (before - 2.0 * here + after);
        Some((peak as f64 + shift.clamp(-0.5, 0.5)) / self.rate_hz)
    }
}

fn hum(windows: &[Window], channel: usize) -> Option<Hum> {
    let strongest = |which: usize| {
        let lines = windows.iter().map(|w| w.lines[channel][which]);
        let least = lines.clone().fold(f64::INFINITY, f64::min);
        let mean_square = lines.sum::<f64>() / windows.len() as f64;
        let total: f64 = windows.iter().map(|w| w.total[channel]).sum();
        (least > 0.0).then(|| Hum {
            mains_hz: MAINS_HZ[which],
            mean_square,
            share: mean_square * windows.len() as f64 / total,
        })
    };
    if windows.is_empty() {
        return None;
    }
    let found = (0..MAINS_HZ.len()).filter_map(strongest);
    found.max_by(|a, b| a.mean_square.total_cmp(&b.mean_square))
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    /// White noise of r.m.s. 1 by a linear congruential generator: the sum of
    /// twelve uniform numbers.
    fn noise(seed: u64) -> impl Iterator<Item = f64> {
        let mut state = seed;
        std::iter::repeat_with(move || {
            (0..12)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (state >> 11) as f64 / (1u64 << 53) as f64
                })
                .sum::<f64>()
                - 6.0
        })
    }

    fn probes(frames: &[[f64; 2]]) -> Probes {
        let mut reduction = ProbeReduction::new(16_000, frames.len() as u64);
        for block in frames.chunks(1000) {
            reduction.push(block);
        }
        reduction.finish()
    }

    fn delayed(samples: usize, own: f64) -> Vec<[f64; 2]> {
        let sound: Vec<f64> = noise(1).take(96_000).collect();
        let frame = |(i, noise): (usize, f64)| {
            let late = i.checked_sub(samples).map_or(0.0, |i| sound[i]);
            [late + own * noise, sound[i]]
        };
        noise(2).take(96_000).enumerate().map(frame).collect()
    }

    #[test]
    fn the_lag_of_the_force_is_found_with_noise_as_loud_as_the_signal() {
        let found = probes(&delayed(80, 1.0)).lags;
        assert_eq!(found.len(), 2);
        for lag in found {
            assert!((lag.lag_s - 0.005).abs() < 10e-6, "{lag:?}");
        }
    }

    #[test]
    fn exchanged_channels_have_a_negative_lag_and_strangers_none() {
        let mut frames = delayed(80, 0.0);
        frames.iter_mut().for_each(|frame| frame.swap(0, 1));
        assert!(probes(&frames).lags[0].lag_s < -0.004);
        let strangers: Vec<[f64; 2]> = noise(1)
            .zip(noise(2))
            .take(96_000)
            .map(|(a, b)| [a, b])
            .collect();
        assert!(probes(&strangers).lags.is_empty());
    }

    #[test]
    fn hum_is_measured_where_it_lasts_and_noise_has_none() {
        let with = |volume: f64, until: usize| {
            let mut frames = delayed(80, 0.1);
            for (n, frame) in frames.iter_mut().enumerate().take(until) {
                frame[1] += volume * (TAU * 50.13 * n as f64 / 16_000.0).sin();
            }
            probes(&frames).hum
        };
        let [force, microphone] = with(0.2, 96_000);
        assert!(force.is_none());
        let hum = microphone.unwrap();
        assert_eq!(hum.mains_hz, 50.0);
        assert!((hum.mean_square / 0.02 - 1.0).abs() < 0.05, "{hum:?}");
        assert!(with(0.0, 96_000)[1].is_none());
        assert!(with(0.2, 48_000)[1].is_none(), "gone halfway");
    }
    #[test]
    fn a_periodic_sound_tells_no_lag() {
        let pulse = |n: usize| if n.is_multiple_of(32) { 1.0 } else { 0.0 };
        let frames: Vec<[f64; 2]> = (0..96_000).map(|n| [pulse(n), pulse(n + 7)]).collect();
        assert!(probes(&frames).lags.is_empty());
    }
}
