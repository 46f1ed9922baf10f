//! Finite impulse responses: fractions of a sample of delay, and magnitudes
//! drawn freely over frequency.

use std::f64::consts::TAU;

use realfft::num_complex::Complex64;

use super::filter::{lag, sinc};

/// The last `length` samples, in one piece, newest last.
struct History {
    samples: Vec<f64>,
    length: usize,
    next: usize,
}

impl History {
    fn new(length: usize) -> Self {
        Self {
            samples: vec![0.0; 2 * length],
            length,
            next: 0,
        }
    }

    fn push(&mut self, x: f64) -> &[f64] {
        self.samples[self.next] = x;
        self.samples[self.next + self.length] = x;
        self.next = (self.next + 1) % self.length;
        &self.samples[self.next..self.next + self.length]
    }
}

/// Half the length of the interpolating pulse, in samples.
const REACH: f64 = 16.0;
/// Shape of its Kaiser window; side lobes near −80 dB.
const KAISER_BETA: f64 = 8.0;

/// A delay of any length from [`FractionalDelay::LEAST`] on: windowed sinc,
/// flat within 0.01 dB to 0.8 of half the sampling rate (tested).
pub struct FractionalDelay {
    history: History,
    taps: Vec<f64>,
}

impl FractionalDelay {
    /// Shortest delay in samples.
    pub const LEAST: f64 = REACH;

    /// A delay of `samples`, not less than [`Self::LEAST`].
    pub fn new(samples: f64) -> Self {
        let samples = samples.max(Self::LEAST);
        let last = libm::floor(samples + REACH) as usize;
        let window = |x: f64| {
            let inside = 1.0 - (x / REACH) * (x / REACH);
            bessel_i0(KAISER_BETA * libm::sqrt(inside.max(0.0))) / bessel_i0(KAISER_BETA)
        };
        let tap = |k: usize| {
            let x = k as f64 - samples;
            if x.abs() > REACH {
                0.0
            } else {
                sinc(x) * window(x)
            }
        };
        // Oldest first, as in the history; leading zeros are never stored.
        let first = libm::ceil(samples - REACH) as usize;
        Self {
            history: History::new(last + 1),
            taps: (first..=last).rev().map(tap).collect(),
        }
    }

    /// Takes a sample in and gives the delayed one.
    pub fn step(&mut self, x: f64) -> f64 {
        dot(&self.taps, self.history.push(x))
    }

    /// Complex gain at `hz`.
    pub fn response(&self, hz: f64, rate_hz: f64) -> Complex64 {
        let oldest = self.history.length - 1;
        let angle = TAU * hz / rate_hz;
        let each = self.taps.iter().enumerate();
        each.map(|(i, tap)| lag(angle * (oldest - i) as f64) * *tap)
            .sum()
    }
}

/// Sum of products over the length of `taps`; four sums side by side, in an
/// order that no compiler setting changes.
fn dot(taps: &[f64], samples: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (taps4, samples4) = (taps.chunks_exact(4), samples[..taps.len()].chunks_exact(4));
    let rest: f64 = taps4
        .remainder()
        .iter()
        .zip(samples4.remainder())
        .map(|(t, s)| t * s)
        .sum();
    for (t, s) in taps4.zip(samples4) {
        for lane in 0..4 {
            sums[lane] += t[lane] * s[lane];
        }
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

/// Modified Bessel function of order 0, by its series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        let factor = x / (2.0 * f64::from(k));
        term *= factor * factor;
        sum += term;
    }
    sum
}

/// Several linear-phase filters that share one input and one delay.
pub struct LinearPhase {
    history: History,
    folded: Vec<f64>,
    /// Per filter: the taps from the middle outwards.
    halves: Vec<Vec<f64>>,
}

impl LinearPhase {
    /// Filters of 2 `half` + 1 taps whose gains follow `gains` (one function of
    /// frequency in Hz each), by frequency sampling and a Hann window.
    pub fn new(half: usize, rate_hz: f64, gains: &[&dyn Fn(f64) -> f64]) -> Self {
        let points = 16 * half;
        let cosines: Vec<f64> = (0..points)
            .map(|i| libm::cos(TAU * i as f64 / points as f64))
            .collect();
        let design = |gain: &&dyn Fn(f64) -> f64| {
            let drawn: Vec<f64> = (0..=points / 2)
                .map(|k| gain(rate_hz * k as f64 / points as f64))
                .collect();
            let tap = |n: usize| {
                let ends = drawn[0] + drawn[points / 2] * cosines[(points / 2 * n) % points];
                let inner: f64 = (1..points / 2)
                    .map(|k| 2.0 * drawn[k] * cosines[(k * n) % points])
                    .sum();
                let window = 0.5 + 0.5 * libm::cos(TAU / 2.0 * n as f64 / (half + 1) as f64);
                window * (ends + inner) / points as f64
            };
            (0..=half).map(tap).collect()
        };
        Self {
            history: History::new(2 * half + 1),
            folded: vec![0.0; half + 1],
            halves: gains.iter().map(design).collect(),
        }
    }

    /// Delay of every filter in samples.
    pub fn delay(&self) -> usize {
        self.folded.len() - 1
    }

    /// Takes a sample in; `outputs` receives one sample per filter.
    pub fn step(&mut self, x: f64, outputs: &mut [f64]) {
        let half = self.folded.len() - 1;
        let samples = self.history.push(x);
        self.folded[0] = samples[half];
        let (older, newer) = (samples[..half].iter().rev(), samples[half + 1..].iter());
        for ((sum, a), b) in self.folded[1..].iter_mut().zip(older).zip(newer) {
            *sum = a + b;
        }
        for (output, taps) in outputs.iter_mut().zip(&self.halves) {
            *output = dot(taps, &self.folded);
        }
    }

    /// Complex gain of filter `index` at `hz`.
    pub fn response(&self, index: usize, hz: f64, rate_hz: f64) -> Complex64 {
        let angle = TAU * hz / rate_hz;
        let half = &self.halves[index];
        let sides: f64 = (1..half.len())
            .map(|n| 2.0 * half[n] * libm::cos(angle * n as f64))
            .sum();
        lag(angle * self.delay() as f64) * (half[0] + sides)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_fraction_of_a_sample_is_delayed_exactly_and_flat() {
        for delay in [16.0, 16.3, 17.5, 22.71] {
            let filter = FractionalDelay::new(delay);
            for hz in [100.0, 1000.0, 10_000.0, 19_200.0] {
                let ideal = lag(TAU * hz / 48_000.0 * delay);
                let error = (filter.response(hz, 48_000.0) - ideal).norm();
                assert!(error < 1e-3, "{delay} {hz} {error}");
            }
        }
    }

    #[test]
    fn the_response_is_what_a_tone_gets() {
        let mut filter = FractionalDelay::new(18.4);
        let gain = filter.response(3000.0, 48_000.0);
        let tone = |n: f64| libm::cos(TAU * 3000.0 / 48_000.0 * n);
        let mut last = 0.0;
        for n in 0..200 {
            last = filter.step(tone(f64::from(n)));
        }
        let expected = gain.norm() * tone(199.0 + gain.arg() / (TAU * 3000.0 / 48_000.0));
        assert_abs_diff_eq!(last, expected, epsilon = 1e-9);
    }

    #[test]
    fn a_drawn_magnitude_is_followed() {
        let low = |hz: f64| if hz < 6000.0 { 1.0 } else { 0.0 };
        let high = |hz: f64| 1.0 - low(hz);
        let mut pair = LinearPhase::new(64, 48_000.0, &[&low, &high]);
        assert_abs_diff_eq!(
            pair.response(0, 1000.0, 48_000.0).norm(),
            1.0,
            epsilon = 2e-3
        );
        assert!(pair.response(0, 12_000.0, 48_000.0).norm() < 2e-3);
        // Two complements add up to a pure delay of 64 samples.
        let mut out = [0.0; 2];
        for n in 0..=128 {
            pair.step(if n == 0 { 1.0 } else { 0.0 }, &mut out);
            let expected = if n == 64 { 1.0 } else { 0.0 };
            assert_abs_diff_eq!(out[0] + out[1], expected, epsilon = 1e-12);
        }
    }
}
