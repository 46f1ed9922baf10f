//! The real cepstrum of a gain, and the part of the gain that some of its quefrencies
//! make, with the least phase that goes with its magnitude (textbook).

use std::f64::consts::PI;
use std::ops::Range;

use rustfft::{FftPlanner, num_complex::Complex64};

/// Bins at either edge of the band whose mean goes on beyond it.
const EDGE: usize = 8;

/// The inverse transform of ln |H|, even, up to the inverse of the resolution.
pub struct Cepstrum {
    values: Vec<f64>,
    bins: usize,
    step_s: f64,
}

impl Cepstrum {
    /// Of `log`, the natural logarithm of a magnitude in each of `bins` bins up to half
    /// the sampling rate; only those in `band` are asked for.
    pub fn new(
        bins: usize,
        resolution_hz: f64,
        band: &Range<usize>,
        log: impl Fn(usize) -> f64,
    ) -> Self {
        let length = 2 * (bins - 1);
        let edge = |range: Range<usize>| {
            let count = range.len() as f64;
            range.map(&log).sum::<f64>() / count
        };
        let low = edge(band.start..band.start + EDGE);
        let high = edge(band.end - EDGE..band.end);
        let mut values: Vec<Complex64> = (0..length)
            .map(|n| match n.min(length - n) {
                bin if bin < band.start => low,
                bin if bin >= band.end => high,
                bin => log(bin),
            })
            .map(Complex64::from)
            .collect();
        FftPlanner::new()
            .plan_fft_inverse(length)
            .process(&mut values);
        Self {
            values: values.iter().map(|c| c.re / length as f64).collect(),
            bins,
            step_s: 1.0 / (resolution_hz * length as f64),
        }
    }

    /// Length of a step of quefrency in seconds.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// Amplitude of the cosine over frequency that step `n` stands for, in nepers.
    pub fn amplitude(&self, n: usize) -> f64 {
        2.0 * self.values[n]
    }

    /// The gain of least phase in every bin that the quefrencies make, each weighted.
    pub fn least_phase(&self, weight: impl Fn(f64) -> f64) -> Vec<Complex64> {
        let half = self.values.len() / 2;
        let folded = |(n, value): (usize, &f64)| match n {
            0 => Complex64::from(value * weight(0.0)),
            n if n < half => Complex64::from(2.0 * value * weight(n as f64 * self.step_s)),
            _ => Complex64::ZERO,
        };
        let mut values: Vec<Complex64> = self.values.iter().enumerate().map(folded).collect();
        FftPlanner::new()
            .plan_fft_forward(values.len())
            .process(&mut values);
        values.truncate(self.bins);
        values.into_iter().map(|value| value.exp()).collect()
    }
}

/// A one-sided spectrum with its impulse response weighted by time in seconds.
pub fn weighted_in_time(
    spectrum: &[Complex64],
    step_s: f64,
    weight: impl Fn(f64) -> f64,
) -> Vec<Complex64> {
    let length = 2 * (spectrum.len() - 1);
    let mut values: Vec<Complex64> = (0..length)
        .map(|n| match n {
            n if n < spectrum.len() => spectrum[n],
            n => spectrum[length - n].conj(),
        })
        .collect();
    let mut planner = FftPlanner::new();
    planner.plan_fft_inverse(length).process(&mut values);
    for (n, value) in values.iter_mut().enumerate() {
        *value *= weight(n as f64 * step_s) / length as f64;
    }
    planner.plan_fft_forward(length).process(&mut values);
    values.truncate(spectrum.len());
    values
}

/// From 0 at `from` to 1 at `to`, as half a cosine; the other way where `to` is less.
pub fn rising(at: f64, from: f64, to: f64) -> f64 {
    let share = ((at - from) / (to - from)).clamp(0.0, 1.0);
    0.5 - 0.5 * (PI * share).cos()
}
