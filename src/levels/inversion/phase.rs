//! Where the second of two recordings lies, to a small part of a sample, when one
//! holds signal plus noise and the other signal minus noise.
//!
//! In one bin of one short frame the cross-spectrum is |S|² − |N|² + 2j Im(N S*),
//! turned by ω times the delay. Its square has the sign of neither: squared
//! phasors add up over frames wherever now the one, now the other prevails, and
//! turn by twice the phase. Own derivation.

use std::f64::consts::TAU;

use rustfft::{FftPlanner, num_complex::Complex64};

use super::frames::Frames;
use crate::quantity::Role;

/// Frequencies that take part, in Hz.
const FROM_HZ: f64 = 200.0;
const TO_HZ: f64 = 8000.0;
/// Delays looked for about the rough one, in seconds.
const REACH_S: f64 = 0.02;
/// A peak stands this far above the root mean square of all lags.
const STANDS_OUT: f64 = 6.0;
/// Parts of the recording that are timed each by itself.
const PARTS: usize = 6;
/// Newton's steps: from half a sample off, four leave nothing.
const STEPS: usize = 8;

/// The delay over time, in frames: `at_start + per_frame * n`.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// At the first frame of the overlap.
    pub at_start: f64,
    /// By how much more with every frame.
    pub drift: f64,
    /// What the parts scatter about this line, expanded (k = 2) in frames.
    pub scatter: f64,
}

impl Timing {
    /// At frame `n`.
    pub fn at(&self, n: usize) -> f64 {
        self.at_start + self.drift * n as f64
    }
}

/// The delay beyond the one at which `frames` lie, to half a sample; `None`
/// where nothing stands out.
pub fn peak(frames: &mut Frames<'_>) -> Option<f64> {
    let (length, rate_hz) = (frames.length(), frames.rate_hz());
    let mut correlation = vec![Complex64::ZERO; length];
    for at in frames.starts() {
        frames.transform(at);
        add(&mut correlation, frames);
    }
    let total: f64 = correlation.iter().map(Complex64::norm_sqr).sum();
    // Squared phasors of a delay n turn by 2n: the peak stands at twice the delay.
    FftPlanner::new()
        .plan_fft_forward(length)
        .process(&mut correlation);
    let reach = (2.0 * REACH_S * rate_hz) as i64;
    let at = |lag: i64| correlation[lag.rem_euclid(length as i64) as usize].norm_sqr();
    let lag = (-reach..=reach).max_by(|a, b| at(*a).total_cmp(&at(*b)))?;
    (at(lag) > STANDS_OUT * STANDS_OUT * total).then_some(0.5 * lag as f64)
}

/// The delay over time about `start` (in frames, half a sample off at most);
/// `None` where the recordings overlap too little to tell its scatter.
pub fn timing(frames: &mut Frames<'_>, start: f64) -> Option<Timing> {
    let starts: Vec<usize> = frames.starts().collect();
    let each = starts.len().div_ceil(PARTS).max(1);
    let mut points = Vec::new();
    for part in starts.chunks(each) {
        let mut sum = vec![Complex64::ZERO; frames.length()];
        for at in part {
            frames.transform(*at);
            add(&mut sum, frames);
        }
        let middle = (part[0] + part[part.len() - 1] + frames.length()) as f64 / 2.0;
        points.push((middle, slope(&sum, start)));
    }
    let count = points.len() as f64;
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / count;
    let (middle, delay) = (mean(&|p| p.0), mean(&|p| p.1));
    let spread = mean(&|p| (p.0 - middle).powi(2));
    if points.len() < 4 || spread <= 0.0 {
        return None;
    }
    let drift = mean(&|p| (p.0 - middle) * (p.1 - delay)) / spread;
    let line = |n: f64| delay + drift * (n - middle);
    let left = points
        .iter()
        .map(|p| (p.1 - line(p.0)).powi(2))
        .sum::<f64>();
    Some(Timing {
        at_start: line(0.0),
        drift,
        scatter: 2.0 * (left / (count - 2.0)).sqrt(),
    })
}

/// Adds the squared phasors of the microphone's cross-spectrum.
fn add(sum: &mut [Complex64], frames: &Frames<'_>) {
    let (length, rate_hz) = (frames.length(), frames.rate_hz());
    let bin_of = |hz: f64| (hz * length as f64 / rate_hz).ceil() as usize;
    let to = bin_of(TO_HZ.min(0.45 * rate_hz));
    for (bin, sum) in sum.iter_mut().enumerate().take(to).skip(bin_of(FROM_HZ)) {
        let [plus, minus] = frames
            .bin(bin)
            .map(|channels| channels[Role::Microphone as usize]);
        let cross = plus * minus.conj();
        let power = cross.norm_sqr();
        if power > 0.0 {
            *sum += cross * cross / power;
        }
    }
}

/// The delay that turns the squared phasors of `sum` back best, near `start`.
fn slope(sum: &[Complex64], start: f64) -> f64 {
    let mut delay = start;
    for _ in 0..STEPS {
        let (mut rise, mut bend) = (0.0, 0.0);
        for (bin, value) in sum.iter().enumerate().filter(|(_, v)| v.norm_sqr() > 0.0) {
            let turn = 2.0 * TAU * bin as f64 / sum.len() as f64;
            let left = value * Complex64::from_polar(1.0, -turn * delay);
            rise += turn * left.im;
            bend += turn * turn * left.re;
        }
        if bend <= 0.0 {
            break;
        }
        delay += (rise / bend).clamp(-0.5, 0.5);
    }
    delay
}
