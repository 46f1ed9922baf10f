//! Mean squares per third octave of a stream, by transforms: independent of any
//! filter bank.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

use crate::quantity::{Band, BandRange};

/// Adds up the energy of a stream per third octave.
///
/// Segments under a Hann window overlap by three quarters, so that the squared
/// windows add up to the same constant everywhere: every sample counts alike, and
/// the energies of all bins sum to the energy of the interval (Parseval). Only the
/// first and last 10 ms count less, lest the cuts spread a strong line over the
/// other bands. A bin that straddles a band edge is shared in proportion.
pub struct BandLevels {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    recent: Vec<f64>,
    fresh: usize,
    scratch: Vec<f64>,
    spectrum: Vec<Complex64>,
    energy: Vec<f64>,
    seen: u64,
    frames: u64,
    weights: f64,
    rate_hz: f64,
}

/// Length of the fade at either end in seconds.
const FADE_S: f64 = 0.01;
/// Sum of the squares of Hann windows that overlap by three quarters.
const OVERLAPPED: f64 = 1.5;

impl BandLevels {
    /// An empty sum for a stream of `frames`; segments last 0.7 s to 1.4 s.
    pub fn new(rate_hz: f64, frames: u64) -> Self {
        let mut length = 1024;
        while (length as f64) < 0.7 * rate_hz {
            length *= 2;
        }
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        let hann = |i| 0.5 - 0.5 * libm::cos(TAU * i as f64 / length as f64);
        Self {
            window: (0..length).map(hann).collect(),
            recent: vec![0.0; length],
            fresh: 0,
            scratch: transform.make_input_vec(),
            spectrum: transform.make_output_vec(),
            energy: vec![0.0; length / 2 + 1],
            seen: 0,
            frames,
            weights: 0.0,
            transform,
            rate_hz,
        }
    }

    /// Adds a sample.
    pub fn push(&mut self, x: f64) {
        let from_end = self.seen.min(self.frames.saturating_sub(self.seen + 1));
        let at = (from_end as f64 + 0.5) / (FADE_S * self.rate_hz);
        let weight = 0.5 - 0.5 * libm::cos(PI * at.min(1.0));
        self.seen += 1;
        self.weights += weight * weight;
        self.append(weight * x);
    }

    fn append(&mut self, x: f64) {
        let hop = self.window.len() / 4;
        let start = self.window.len() - hop;
        self.recent[start + self.fresh] = x;
        self.fresh += 1;
        if self.fresh == hop {
            self.fresh = 0;
            self.add_segment();
            self.recent.copy_within(hop.., 0);
        }
    }

    fn add_segment(&mut self) {
        for ((out, x), w) in self.scratch.iter_mut().zip(&self.recent).zip(&self.window) {
            *out = x * w;
        }
        // The lengths are those of the plan: the transform cannot fail.
        if self
            .transform
            .process(&mut self.scratch, &mut self.spectrum)
            .is_ok()
        {
            let last = self.energy.len() - 1;
            let scale = 1.0 / (self.window.len() as f64 * OVERLAPPED);
            for (k, (sum, bin)) in self.energy.iter_mut().zip(&self.spectrum).enumerate() {
                let sides = if k == 0 || k == last { 1.0 } else { 2.0 };
                *sum += sides * scale * bin.norm_sqr();
            }
        }
    }

    /// Mean square per band from 100 Hz to 10 kHz, as far as the rate carries
    /// them; none if nothing was added.
    pub fn finish(mut self) -> Vec<(Band, Option<f64>)> {
        for _ in 0..self.window.len() {
            self.append(0.0);
        }
        let bands = BandRange::default().bands();
        let carried = bands.filter(|band| band.upper_hz() <= self.rate_hz / 2.0);
        carried
            .map(|band| {
                let energy = self.between(band.lower_hz(), band.upper_hz());
                let mean_square = energy / self.weights;
                (band, (mean_square > 0.0).then_some(mean_square))
            })
            .collect()
    }

    fn between(&self, lower_hz: f64, upper_hz: f64) -> f64 {
        let width_hz = self.rate_hz / self.window.len() as f64;
        let each = self.energy.iter().enumerate();
        each.map(|(k, energy)| {
            let low = (k as f64 - 0.5) * width_hz;
            let inside = (low + width_hz).min(upper_hz) - low.max(lower_hz);
            energy * (inside / width_hz).max(0.0)
        })
        .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::random::Gaussian;

    #[test]
    fn a_tone_has_its_mean_square_in_its_band_and_none_elsewhere() {
        let mut levels = BandLevels::new(24_000.0, 30_000);
        for n in 0..30_000 {
            levels.push((TAU * 1000.0 / 24_000.0 * f64::from(n)).sin());
        }
        for (band, mean_square) in levels.finish() {
            let found = mean_square.unwrap();
            if band.nominal_hz() == 1000.0 {
                assert!((found - 0.5).abs() < 1e-4, "{found}");
            } else {
                assert!(found < 1e-4, "{band:?} {found}");
            }
        }
    }

    #[test]
    fn all_bands_and_the_rest_hold_the_whole_energy() {
        let mut noise = Gaussian::new(1, 9);
        let mut levels = BandLevels::new(48_000.0, 100_000);
        let mut energy = 0.0;
        for _ in 0..100_000 {
            // Without the fade, which changes the ends on purpose.
            let x = noise.draw();
            energy += x * x;
            levels.append(x);
        }
        for _ in 0..levels.window.len() {
            levels.append(0.0);
        }
        let found: f64 = levels.energy.iter().sum();
        assert!((found / energy - 1.0).abs() < 1e-9, "{}", found / energy);
    }
}
