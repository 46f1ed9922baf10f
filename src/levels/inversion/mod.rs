//! Signal and noise taken apart from two recordings, one with the noise inverted.
//!
//! Half the sum is the signal, half the difference the noise (Hagerman and
//! Olofsson 2004, Acta Acustica united with Acustica 90, 356–361; from memory).
//! Gain and time of the second recording are matched first, from the microphone
//! channel: both channels run by one clock. What an imperfect match leaves of the
//! one in the other is bounded, |1 − (1 + e) exp(−j 2π f Δt)| / 2 for a mismatch e
//! of the gain and Δt of the time (own derivation).

mod envelope;
mod frames;
mod phase;

use std::f64::consts::{LN_10, TAU};

use ndarray::{Array3, Axis};
use rustfft::num_complex::Complex64;

use super::scatter;
use super::waveform::Waveform;
use crate::quantity::{Band, Role};
use frames::Frames;
use phase::Timing;

/// Signal and noise of both channels, over time.
#[derive(Debug, Clone)]
pub struct Parted {
    /// Mean square of the signal, shape `(channel, band, step)`, in N² and Pa².
    pub signal: Array3<f64>,
    /// Of the noise.
    pub noise: Array3<f64>,
    /// Length of a step in seconds.
    pub step_s: f64,
    /// How the recordings lay to each other.
    pub matched: Matched,
    /// Per band: largest share of the power of the one that may be left in the
    /// other, in the force and in the microphone channel.
    pub left: Vec<[f64; 2]>,
}

/// What was matched.
#[derive(Debug, Clone, Copy)]
pub struct Matched {
    /// By how much later the second recording holds the sound, in seconds.
    pub delay_s: f64,
    /// What is unsure of it, expanded (k = 2), in seconds.
    pub delay_uncertainty_s: f64,
    /// How much faster the second recording runs, in parts per million.
    pub drift_ppm: f64,
    /// Gain of the second recording over the first in dB.
    pub gain_db: f64,
    /// What is unsure of it, expanded (k = 2), in dB.
    pub gain_uncertainty_db: f64,
    /// Length of the overlap in seconds.
    pub overlap_s: f64,
}

/// Share of the power of a component that is left where it should cancel, for an
/// amplitude that is off by the factor 1 + `gain` and a phase by `phase_rad`.
pub fn left_over(gain: f64, phase_rad: f64) -> f64 {
    let second = Complex64::from_polar(1.0 + gain, -phase_rad);
    (1.0 - second).norm_sqr() / 4.0
}

impl Parted {
    /// Takes `plus`, signal plus noise, and `minus`, signal minus noise, apart.
    ///
    /// # Errors
    /// In words, why the recordings cannot be matched.
    pub fn of(plus: &Waveform, minus: &Waveform, bands: &[Band]) -> Result<Self, &'static str> {
        if plus.rate_hz != minus.rate_hz {
            return Err("the two recordings have different sampling rates");
        }
        let recordings = [plus, minus];
        let rough_s = envelope::rough_delay_s(recordings)
            .ok_or("the two recordings do not hold the same sound for 4 s")?;
        let rough = (rough_s * plus.rate_hz).round() as i64;
        let mut frames = Frames::new(recordings, rough);
        let off =
            phase::peak(&mut frames).ok_or("the time between the two recordings cannot be told")?;
        let lag = rough + off.round() as i64;
        let mut frames = Frames::new(recordings, lag);
        let timing = phase::timing(&mut frames, off - off.round())
            .ok_or("the two recordings overlap for too short a time")?;
        let parted = separate(&mut frames, lag, timing, bands);
        if parted.noise_prevails() {
            Ok(parted)
        } else {
            Err(
                "nothing shows that the noise is inverted: at no time does it prevail over the speech",
            )
        }
    }

    /// Whether at some time the noise stands above the signal at the microphone, all
    /// bands together: of a noise that is another one in the second recording, and
    /// not the same inverted, as much would be counted to the signal as to itself.
    fn noise_prevails(&self) -> bool {
        let course = |power: &Array3<f64>| {
            let of_channel = power.index_axis(Axis(0), Role::Microphone as usize);
            of_channel.sum_axis(Axis(0))
        };
        let mut ratios: Vec<f64> = (&course(&self.signal) / &course(&self.noise)).to_vec();
        ratios.sort_by(f64::total_cmp);
        let quiet = ratios.get((QUIETEST * ratios.len() as f64) as usize);
        quiet.is_some_and(|ratio| 10.0 * ratio.log10() < PREVAILS_DB)
    }
}

/// Share of the time that counts as pauses of the speech.
const QUIETEST: f64 = 0.05;
/// Signal over noise in them when the noise is the same, in dB; another noise would
/// stand at 0.
const PREVAILS_DB: f64 = -3.0;

/// Sums and differences of all frames.
fn separate(frames: &mut Frames<'_>, lag: i64, timing: Timing, bands: &[Band]) -> Parted {
    let starts: Vec<usize> = frames.starts().collect();
    let rate_hz = frames.rate_hz();
    let width_hz = rate_hz / frames.length() as f64;
    let bins: Vec<[usize; 2]> = bands
        .iter()
        .map(|band| [band.lower_hz(), band.upper_hz()].map(|hz| (hz / width_hz).ceil() as usize))
        .collect();
    let last = frames.length() / 2;
    let step_s = frames.hop() as f64 / rate_hz;
    let balance = Balance::of(frames, &starts, &bins, step_s);
    let gain = (0.5 * balance.of_sound.0).exp();
    let scale = frames.scale();
    let shape = (2, bands.len(), starts.len());
    let (mut signal, mut noise) = (Array3::zeros(shape), Array3::zeros(shape));
    for (step, start) in starts.iter().enumerate() {
        frames.transform(*start);
        let delay = timing.at(start + last);
        for (band, [from, to]) in bins.iter().enumerate() {
            for bin in *from..(*to).min(last) {
                let turn = TAU * bin as f64 / frames.length() as f64 * delay;
                let back = Complex64::from_polar(1.0 / gain, turn);
                let [plus, minus] = frames.bin(bin);
                for channel in 0..2 {
                    let matched = minus[channel] * back;
                    let at = (channel, band, step);
                    signal[at] += scale * (plus[channel] + matched).norm_sqr() / 4.0;
                    noise[at] += scale * (plus[channel] - matched).norm_sqr() / 4.0;
                }
            }
        }
    }
    let delay_uncertainty_s = timing.scatter / rate_hz;
    let of_sound = 0.5 * balance.of_sound.1;
    let left = |(band, of_force): (&Band, &(f64, f64))| {
        let phase_rad = TAU * band.upper_hz() * delay_uncertainty_s;
        // What the device does otherwise to the one recording than to the other.
        let of_device = 0.5 * (of_force.0.abs() + of_force.1);
        [of_sound.hypot(of_device), of_sound].map(|gain| left_over(gain, phase_rad))
    };
    Parted {
        signal,
        noise,
        step_s,
        left: bands.iter().zip(&balance.of_device).map(left).collect(),
        matched: Matched {
            delay_s: (lag as f64 + timing.at(frames.overlap() / 2)) / rate_hz,
            delay_uncertainty_s,
            drift_ppm: 1e6 * timing.drift,
            gain_db: 10.0 / LN_10 * balance.of_sound.0,
            gain_uncertainty_db: 10.0 / LN_10 * balance.of_sound.1,
            overlap_s: frames.overlap() as f64 / rate_hz,
        },
    }
}

/// Logarithms of power ratios, second recording over first, each with its
/// expanded uncertainty. The sign of the noise is as likely to raise a bin as to
/// lower it: the mean over frames tells the gain.
struct Balance {
    of_sound: (f64, f64),
    /// Per band: of the force beyond that of the sound.
    of_device: Vec<(f64, f64)>,
}

impl Balance {
    fn of(frames: &mut Frames<'_>, starts: &[usize], bins: &[[usize; 2]], step_s: f64) -> Self {
        let last = frames.length() / 2;
        let mut sound = Vec::new();
        let mut device = vec![Vec::new(); bins.len()];
        for start in starts {
            frames.transform(*start);
            let (mut all, mut count) = (0.0, 0.0);
            for (course, [from, to]) in device.iter_mut().zip(bins) {
                let (mut beyond, mut here) = (0.0, 0.0);
                for bin in *from..(*to).min(last) {
                    let [plus, minus] = frames.bin(bin);
                    let ratio = |role: Role| {
                        let [plus, minus] = [plus, minus].map(|c| c[role as usize].norm_sqr());
                        (minus / plus).ln()
                    };
                    let (of_force, of_sound) = (ratio(Role::Force), ratio(Role::Microphone));
                    if of_force.is_finite() && of_sound.is_finite() {
                        all += of_sound;
                        beyond += of_force - of_sound;
                        here += 1.0;
                    }
                }
                count += here;
                if here > 0.0 {
                    course.push(beyond / here);
                }
            }
            if count > 0.0 {
                sound.push(all / count);
            }
        }
        Self {
            of_sound: mean(&sound, step_s),
            of_device: device.iter().map(|course| mean(course, step_s)).collect(),
        }
    }
}

/// Mean and expanded uncertainty of a course; without one, nothing is known.
fn mean(course: &[f64], step_s: f64) -> (f64, f64) {
    let mean = course.iter().sum::<f64>() / course.len() as f64;
    let deviations: Vec<f64> = course.iter().map(|x| x - mean).collect();
    match scatter::expanded(&deviations, step_s) {
        Some(expanded) => (mean, expanded),
        None => (0.0, f64::INFINITY),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 lg of 10^(0.1/20) − 1 and of 2π·1000·0.05/48000, each halved.
    #[test]
    fn what_a_mismatch_leaves_is_what_the_arithmetic_says() {
        let db = |gain: f64, phase: f64| 10.0 * left_over(gain, phase).log10();
        assert!((db(10f64.powf(0.1 / 20.0) - 1.0, 0.0) + 44.7).abs() < 0.05);
        assert!((db(0.0, TAU * 1000.0 * 0.05 / 48_000.0) + 49.7).abs() < 0.05);
        assert!((db(0.0, std::f64::consts::PI)).abs() < 1e-9);
    }
}
