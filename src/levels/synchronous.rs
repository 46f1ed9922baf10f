//! A tone of known frequency out of samples: its complex amplitude under a Hann
//! window, by correlation.
//!
//! Over ten periods and more it is the least-squares fit of sine and cosine: image
//! and neighbouring harmonics lie 60 dB and more below the main lobe. What the
//! correlation finds six and eight bins to either side is noise.
//!
//! *Source.* Harris 1978 for the window (from memory); the frequency from the phase
//! by which one half of the samples is ahead of the other: textbook.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

/// Bins of the window, 1/duration, at which the noise is asked.
const BESIDE: [f64; 4] = [-8.0, -6.0, 6.0, 8.0];

/// Mean squares of a tone and of the noise within its bin, in N² or Pa².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Of the tone, noise within its bin included.
    pub mean_square: f64,
    /// Of the noise alone.
    pub noise: f64,
}

impl Estimate {
    /// What the noise may do to the level, in dB, k = 2: it adds to the amplitude
    /// with any phase.
    pub fn noise_db(self) -> f64 {
        let relative = (0.5 * self.noise / self.mean_square.max(f64::MIN_POSITIVE)).sqrt();
        20.0 * (1.0 + 2.0 * relative).log10()
    }

    /// Whether the tone stands 10 dB above the noise.
    pub fn clear(self) -> bool {
        self.mean_square > 10.0 * self.noise
    }
}

/// The tone at `hz` in one channel of `frames`.
pub fn estimate(frames: &[[f32; 2]], channel: usize, hz: f64, rate_hz: f64) -> Estimate {
    let bin_hz = rate_hz / frames.len().max(1) as f64;
    let mean_square = |hz| 0.5 * correlate(frames, channel, hz, rate_hz).norm_sqr();
    let beside = BESIDE.map(|bins| mean_square(hz + bins * bin_hz));
    Estimate {
        mean_square: mean_square(hz),
        noise: beside.iter().sum::<f64>() / BESIDE.len() as f64,
    }
}

/// The frequency in Hz of a tone that lies within two bins of `hz`.
pub fn frequency_hz(frames: &[[f32; 2]], channel: usize, hz: f64, rate_hz: f64) -> f64 {
    let half = frames.len() / 2;
    if half == 0 {
        return hz;
    }
    let (first, second) = (&frames[..half], &frames[half..2 * half]);
    let half_s = half as f64 / rate_hz;
    (0..3).fold(hz, |hz, _| {
        let [a, b] = [first, second].map(|part| correlate(part, channel, hz, rate_hz));
        let ahead = (b * a.conj() * Complex64::from_polar(1.0, -TAU * hz * half_s)).arg();
        hz + ahead / (TAU * half_s)
    })
}

/// Complex peak amplitude at `hz`, phase at the first frame.
pub fn correlate(frames: &[[f32; 2]], channel: usize, hz: f64, rate_hz: f64) -> Complex64 {
    let turn = Complex64::from_polar(1.0, -TAU * hz / rate_hz);
    let lean = Complex64::from_polar(1.0, TAU / frames.len().max(1) as f64);
    let mut phase = Complex64::new(1.0, 0.0);
    // Sampled in the middle between two points of the window: symmetric.
    let mut window = Complex64::from_polar(1.0, PI / frames.len().max(1) as f64);
    let (mut sum, mut weights) = (Complex64::default(), 0.0);
    for frame in frames {
        let weight = 0.5 - 0.5 * window.re;
        sum += phase * (weight * f64::from(frame[channel]));
        weights += weight;
        phase *= turn;
        window *= lean;
    }
    match weights > 0.0 {
        true => sum * (2.0 / weights),
        false => Complex64::default(),
    }
}

/// Mean square of a tone at a moment, in N² or Pa².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// In seconds after the first frame: the middle of the window.
    pub at_s: f64,
    /// N² or Pa².
    pub mean_square: f64,
}

/// The course of a tone under a window of 2 ms, four periods at least, every 0.1 ms.
pub fn course(frames: &[[f32; 2]], channel: usize, hz: f64, rate_hz: f64) -> Vec<Moment> {
    let length = ((4.0 / hz).max(0.002) * rate_hz).round() as usize;
    let hop = ((1e-4 * rate_hz) as usize).max(1);
    let pieces = frames.windows(length.max(1)).enumerate().step_by(hop);
    let moment = |(start, piece): (usize, &[[f32; 2]])| Moment {
        at_s: (start as f64 + 0.5 * (length as f64 - 1.0)) / rate_hz,
        mean_square: 0.5 * correlate(piece, channel, hz, rate_hz).norm_sqr(),
    };
    pieces.map(moment).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(hz: f64) -> Vec<[f32; 2]> {
        let sample = |n| (TAU * hz * f64::from(n) / 48_000.0 + 0.7).sin() as f32;
        (0..9_600).map(|n| [0.0, 3.0 * sample(n)]).collect()
    }

    #[test]
    fn amplitude_and_frequency_come_back() {
        let frames = tone(1234.5);
        let hz = frequency_hz(&frames, 1, 1231.0, 48_000.0);
        assert!((hz - 1234.5).abs() < 1e-3, "{hz}");
        let found = estimate(&frames, 1, hz, 48_000.0);
        assert!((found.mean_square - 4.5).abs() < 1e-4, "{found:?}");
        assert!(found.clear() && found.noise_db() < 0.01, "{found:?}");
        assert!(!estimate(&frames, 1, 3000.0, 48_000.0).clear());
    }
}
