//! Second-order sections and whole-sample delays.

use std::collections::VecDeque;
use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

/// e^(−jθ).
pub fn lag(angle: f64) -> Complex64 {
    let (sine, cosine) = libm::sincos(angle);
    Complex64::new(cosine, -sine)
}

/// 10^(dB/20).
pub fn amplitude(db: f64) -> f64 {
    libm::pow(10.0, db / 20.0)
}

/// A second-order section, transposed direct form II.
///
/// The designs are the bilinear transforms of the second-order prototypes with
/// the frequency warped so that the corner or resonance is exact (R.
/// Bristow-Johnson's audio cookbook, from memory; its responses are tested).
#[derive(Debug, Clone)]
pub struct Biquad {
    feedforward: [f64; 3],
    feedback: [f64; 2],
    state: [f64; 2],
}

impl Biquad {
    fn of(b: [f64; 3], a: [f64; 3]) -> Self {
        Self {
            feedforward: b.map(|c| c / a[0]),
            feedback: [a[1] / a[0], a[2] / a[0]],
            state: [0.0; 2],
        }
    }

    fn angles(hz: f64, q: f64, rate_hz: f64) -> (f64, f64) {
        let (sine, cosine) = libm::sincos(TAU * hz / rate_hz);
        (cosine, sine / (2.0 * q))
    }

    /// s² / (s² + s ω₀/Q + ω₀²): 0 dB far above `hz`, gain Q at `hz`.
    pub fn high_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, alpha) = Self::angles(hz, q, rate_hz);
        let b = (1.0 + c) / 2.0;
        Self::of([b, -2.0 * b, b], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// ω₀² / (s² + s ω₀/Q + ω₀²): 0 dB far below `hz`, gain Q at `hz`.
    pub fn low_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, alpha) = Self::angles(hz, q, rate_hz);
        let b = (1.0 - c) / 2.0;
        Self::of([b, 2.0 * b, b], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// (s ω₀/Q) / (s² + s ω₀/Q + ω₀²): one resonance, 0 dB at `hz`.
    pub fn band_pass(hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, alpha) = Self::angles(hz, q, rate_hz);
        Self::of([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * c, 1.0 - alpha])
    }

    /// 0 dB everywhere but around `hz`, where it gives `gain_db`.
    pub fn peaking(hz: f64, q: f64, gain_db: f64, rate_hz: f64) -> Self {
        let (c, alpha) = Self::angles(hz, q, rate_hz);
        let a = amplitude(gain_db / 2.0);
        Self::of(
            [1.0 + alpha * a, -2.0 * c, 1.0 - alpha * a],
            [1.0 + alpha / a, -2.0 * c, 1.0 - alpha / a],
        )
    }

    /// A real pole and a real zero at these frequencies (matched z-transform),
    /// gain 1 at 0 Hz.
    pub fn pole_zero(pole_hz: f64, zero_hz: f64, rate_hz: f64) -> Self {
        let pole = libm::exp(-TAU * pole_hz / rate_hz);
        let zero = libm::exp(-TAU * zero_hz / rate_hz);
        let gain = (1.0 - pole) / (1.0 - zero);
        Self::of([gain, -gain * zero, 0.0], [1.0, -pole, 0.0])
    }

    /// One real pole at `hz`, gain 1 at 0 Hz.
    pub fn pole(hz: f64, rate_hz: f64) -> Self {
        let pole = libm::exp(-TAU * hz / rate_hz);
        Self::of([1.0 - pole, 0.0, 0.0], [1.0, -pole, 0.0])
    }

    /// The next output.
    pub fn step(&mut self, x: f64) -> f64 {
        let y = self.feedforward[0] * x + self.state[0];
        self.state[0] = self.feedforward[1] * x - self.feedback[0] * y + self.state[1];
        self.state[1] = self.feedforward[2] * x - self.feedback[1] * y;
        y
    }

    /// Complex gain at `hz`.
    pub fn response(&self, hz: f64, rate_hz: f64) -> Complex64 {
        let z = lag(TAU * hz / rate_hz);
        let [b0, b1, b2] = self.feedforward;
        let [a1, a2] = self.feedback;
        (b0 + z * b1 + z * z * b2) / (1.0 + z * a1 + z * z * a2)
    }
}

/// A delay of whole samples; 0 is allowed.
#[derive(Debug, Clone)]
pub struct Delay {
    line: VecDeque<f64>,
}

impl Delay {
    /// A delay of `samples`.
    pub fn new(samples: usize) -> Self {
        Self {
            line: VecDeque::from(vec![0.0; samples]),
        }
    }

    /// Takes a sample in and gives the one that comes out.
    pub fn step(&mut self, x: f64) -> f64 {
        self.line.push_back(x);
        self.line.pop_front().unwrap_or(x)
    }

    /// Complex gain at `hz`.
    pub fn response(&self, hz: f64, rate_hz: f64) -> Complex64 {
        lag(TAU * hz / rate_hz * self.line.len() as f64)
    }
}

/// sin(πx) / (πx).
pub fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        1.0
    } else {
        libm::sin(PI * x) / (PI * x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 48_000.0;

    #[test]
    fn corners_and_resonances_lie_where_they_were_asked_for() {
        let at = |filter: Biquad, hz| filter.response(hz, RATE_HZ).norm();
        let close = |a: f64, b: f64| assert_abs_diff_eq!(a, b, epsilon = 1e-9);
        close(at(Biquad::high_pass(800.0, 2.5, RATE_HZ), 800.0), 2.5);
        close(at(Biquad::low_pass(5000.0, 0.7, RATE_HZ), 5000.0), 0.7);
        close(at(Biquad::band_pass(2900.0, 8.0, RATE_HZ), 2900.0), 1.0);
        close(
            at(Biquad::peaking(1000.0, 4.0, 6.0, RATE_HZ), 1000.0),
            amplitude(6.0),
        );
        close(at(Biquad::pole(100.0, RATE_HZ), 0.0), 1.0);
    }

    #[test]
    fn the_response_is_the_transform_of_the_impulse_response() {
        let mut filter = Biquad::band_pass(3000.0, 3.0, RATE_HZ);
        let expected = filter.response(2500.0, RATE_HZ);
        let mut sum = Complex64::default();
        for n in 0..4000 {
            let y = filter.step(if n == 0 { 1.0 } else { 0.0 });
            sum += y * lag(TAU * 2500.0 / RATE_HZ * f64::from(n));
        }
        assert_abs_diff_eq!((sum - expected).norm(), 0.0, epsilon = 1e-9);
    }

    #[test]
    fn a_delay_of_none_passes_at_once() {
        assert_eq!(Delay::new(0).step(1.0), 1.0);
        let mut delay = Delay::new(2);
        assert_eq!(
            [delay.step(1.0), delay.step(0.0), delay.step(0.0)],
            [0.0, 0.0, 1.0]
        );
    }
}
