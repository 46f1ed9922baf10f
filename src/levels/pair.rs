//! The spectra of both channels from one complex transform: force real,
//! microphone imaginary, under a Hann window.

use std::f64::consts::TAU;
use std::sync::Arc;

use rustfft::{Fft, FftPlanner, num_complex::Complex64};

/// The transform of a segment of both channels.
pub struct Pair {
    fft: Arc<dyn Fft<f64>>,
    window: Vec<f64>,
    spectrum: Vec<Complex64>,
    scratch: Vec<Complex64>,
}

impl Pair {
    /// Of `segment` frames, padded with zeros to `length`.
    pub fn new(segment: usize, length: usize) -> Self {
        let fft = FftPlanner::new().plan_fft_forward(length);
        let hann = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / segment as f64).cos();
        Self {
            window: (0..segment).map(hann).collect(),
            scratch: vec![Complex64::ZERO; fft.get_inplace_scratch_len()],
            fft,
            spectrum: vec![Complex64::ZERO; length],
        }
    }

    /// Length of the transform.
    pub fn length(&self) -> usize {
        self.spectrum.len()
    }

    /// Mean square of a line that lies wholly in bins of power `|X|²`: the factor.
    pub fn scale(&self) -> f64 {
        let squares: f64 = self.window.iter().map(|w| w * w).sum();
        2.0 / (self.length() as f64 * squares)
    }

    /// Transforms a segment of force and microphone.
    pub fn transform(&mut self, samples: impl Iterator<Item = [f64; 2]>) {
        let (inside, padding) = self.spectrum.split_at_mut(self.window.len());
        for ((value, window), [force, microphone]) in
            inside.iter_mut().zip(&self.window).zip(samples)
        {
            *value = Complex64::new(force, microphone) * window;
        }
        padding.fill(Complex64::ZERO);
        self.fft
            .process_with_scratch(&mut self.spectrum, &mut self.scratch);
    }

    /// Force and microphone at a bin, parted from the common transform.
    pub fn bin(&self, bin: usize) -> [Complex64; 2] {
        let here = self.spectrum[bin];
        let there = self.spectrum[(self.length() - bin) % self.length()].conj();
        [
            (here + there) * 0.5,
            (here - there) * Complex64::new(0.0, -0.5),
        ]
    }
}

/// Averages of one bin over segments.
#[derive(Debug, Clone, Copy, Default)]
pub struct Cross {
    /// Power of the force.
    pub force: f64,
    /// Power of the microphone.
    pub microphone: f64,
    /// Force times the conjugate of the microphone.
    pub both: Complex64,
}

impl Cross {
    /// Adds a segment with a weight.
    pub fn add(&mut self, [force, microphone]: [Complex64; 2], weight: f64) {
        self.force += force.norm_sqr() * weight;
        self.microphone += microphone.norm_sqr() * weight;
        self.both += force * microphone.conj() * weight;
    }

    /// Squared coherence, 0 to 1; 0 where a channel is silent.
    pub fn coherence(&self) -> f64 {
        let product = self.force * self.microphone;
        if product > 0.0 {
            (self.both.norm_sqr() / product).min(1.0)
        } else {
            0.0
        }
    }
}
