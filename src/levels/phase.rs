//! Delay and sign of a transfer, from the straight line through its phase.
//!
//! *Method.* Bins of enough coherence, weighted by the inverse variance of their
//! phase, (1 − γ²)/(2 γ² n) (Bendat and Piersol, by a public transcription), give
//! a least-squares line: its slope is the group delay, τ = −dφ/dω, and its value
//! at 0 Hz tells whether the force goes with the sound or against it.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

use super::response::SHARED;
use super::transfer::Transfer;

/// Bins of less coherence do not take part.
const COHERENT: f64 = 0.5;
/// A phase known better than this, in radians, counts no more: what bends the
/// line then is the device, not chance.
const FINEST: f64 = 0.02;
/// Bins that a line needs, at least, and at least so much of the stretch.
const FEWEST: usize = 6;
const FILLED: f64 = 0.5;

/// The line through the phase, with standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseLine {
    /// Group delay in seconds, the bulk delay with it.
    pub delay_s: f64,
    /// Its standard deviation.
    pub delay_error_s: f64,
    /// Where the line meets 0 Hz, in radians from −π to π.
    pub origin: f64,
    /// Its standard deviation.
    pub origin_error: f64,
}

/// One bin: frequency in Hz, phase in radians, its variance.
struct Point {
    hz: f64,
    phase: f64,
    variance: f64,
}

impl Transfer {
    /// The line from `from_hz` to `to_hz`; `None` where less than half of the bins
    /// follow the sound.
    pub fn phase_line(&self, from_hz: f64, to_hz: f64) -> Option<PhaseLine> {
        let points = self.phases(from_hz, to_hz);
        let filled = points.len() as f64 * self.resolution_hz() / (to_hz - from_hz);
        if points.len() < FEWEST || filled < FILLED {
            return None;
        }
        let weight = |p: &Point| 1.0 / p.variance.max(FINEST * FINEST);
        let total: f64 = points.iter().map(weight).sum();
        let mean = |of: &dyn Fn(&Point) -> f64| {
            points.iter().map(|p| weight(p) * of(p)).sum::<f64>() / total
        };
        let (hz, phase) = (mean(&|p| p.hz), mean(&|p| p.phase));
        let spread = mean(&|p| (p.hz - hz).powi(2));
        let slope = mean(&|p| (p.hz - hz) * (p.phase - phase)) / spread;
        // What the phase strays from the line counts where it is more than chance.
        let variance = |of: &dyn Fn(&Point) -> f64| {
            let each = points.iter().map(|p| {
                let strayed = p.phase - phase - slope * (p.hz - hz);
                (weight(p) / total * of(p)).powi(2) * p.variance.max(strayed * strayed)
            });
            SHARED * each.sum::<f64>()
        };
        let origin = phase - slope * hz;
        Some(PhaseLine {
            delay_s: self.bulk_delay_s.unwrap_or(0.0) - slope / TAU,
            delay_error_s: variance(&|p| (p.hz - hz) / spread).sqrt() / TAU,
            origin: origin - TAU * (origin / TAU).round(),
            origin_error: variance(&|p| 1.0 - hz * (p.hz - hz) / spread).sqrt(),
        })
    }

    /// The phases of the bins that take part, without jumps.
    fn phases(&self, from_hz: f64, to_hz: f64) -> Vec<Point> {
        let step_hz = self.resolution_hz();
        let bins = (from_hz / step_hz).ceil().max(1.0) as usize..=(to_hz / step_hz) as usize;
        let known: Vec<_> = bins
            .filter(|bin| {
                let cross = self.bins().get(*bin).filter(|cross| self.sounds(cross));
                cross.is_some_and(|cross| cross.coherence() > COHERENT)
            })
            .filter_map(|bin| Some((bin, self.gain(bin)?, self.random_error(bin)?.powi(2))))
            .collect();
        // From bin to bin at first, that no jump can hide.
        let next = known.windows(2).filter(|pair| pair[1].0 == pair[0].0 + 1);
        let turns: Complex64 = next.map(|pair| pair[1].1 * pair[0].1.conj()).sum();
        let per_bin = turns.arg();
        let mut before = 0.0;
        let point = |(bin, gain, variance): &(usize, Complex64, f64)| {
            let line = per_bin * *bin as f64;
            let apart = gain.arg() - line - before;
            before += apart - TAU * (apart / TAU).round();
            Point {
                hz: *bin as f64 * step_hz,
                phase: line + before,
                variance: *variance,
            }
        };
        known.iter().map(point).collect()
    }
}

impl PhaseLine {
    /// Whether the force goes with the sound (`true`) or against it; `None` where
    /// the line, give or take twice its standard deviation, lies nearer to a
    /// quarter turn than a twelfth of a turn to either.
    pub fn with_the_sound(&self) -> Option<bool> {
        let reach = PI / 3.0 - 2.0 * self.origin_error;
        let off = self.origin.abs();
        if off <= reach {
            Some(true)
        } else {
            (PI - off <= reach).then_some(false)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::transfer::TransferReduction;
    use super::*;

    /// Noise, and the same `delay` frames later, times `gain`.
    fn line(delay: usize, gain: f64) -> PhaseLine {
        let mut state = 5u64;
        let mut draw = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 32) as f64 / 2f64.powi(32) - 0.5
        };
        let sound: Vec<f64> = (0..160_000).map(|_| draw()).collect();
        let late = |n: usize| n.checked_sub(delay).map_or(0.0, |at| gain * sound[at]);
        let frames: Vec<[f64; 2]> = (0..sound.len())
            .map(|n| [late(n) + 0.05 * draw(), sound[n]])
            .collect();
        let mut reduction = TransferReduction::new(16_000);
        reduction.push(&frames);
        reduction.finish().phase_line(1000.0, 6000.0).unwrap()
    }

    #[test]
    fn delay_and_sign_come_back() {
        for (delay, gain) in [(96, 0.5), (101, -0.5)] {
            let found = line(delay, gain);
            let error = found.delay_s - delay as f64 / 16_000.0;
            assert!(error.abs() < 1e-7, "{found:?}");
            assert!(error.abs() < 3.0 * found.delay_error_s, "{found:?}");
            assert_eq!(found.with_the_sound(), Some(gain > 0.0));
        }
    }

    #[test]
    fn a_quarter_turn_is_neither() {
        let found = PhaseLine {
            origin: PI / 2.0,
            ..line(96, 0.5)
        };
        assert_eq!(found.with_the_sound(), None);
    }
}
