//! Clean controls without a loop, and lines added to a force.

use std::f64::consts::TAU;

use crate::cases::{Draw, RATE_HZ};

/// A clean control of a linear device: its own sound in the room, at 70 dB SPL, and
/// the force that it makes.
pub fn control(number: u64, seconds: f64) -> Vec<[f64; 2]> {
    let mut draw = Draw::new(number + 5000);
    let (low, high) = (draw.between(300.0, 900.0), draw.between(1200.0, 5000.0));
    let speed = draw.between(0.3, 6.0);
    let kind = number % 6;
    let mut phases = [0.0; 4];
    let rate = f64::from(RATE_HZ);
    let delay = (draw.between(0.004, 0.01) * rate) as usize;
    let sound: Vec<f64> = (0..(seconds * rate) as usize)
        .map(|n| {
            let t = n as f64 / rate;
            let swing = 0.5 + 0.5 * (TAU * speed * t).sin();
            let note = [1.0, 1.26, 1.498, 2.0][(t * 2.0) as usize % 4];
            let tones: [f64; 4] = match kind {
                0 => [high, 0.0, 0.0, 0.0],                       // pure tone
                1 => [low + (high - low) * swing, 0.0, 0.0, 0.0], // siren
                2 => [
                    low * (high / low).powf((t * speed / 6.0).fract()),
                    0.0,
                    0.0,
                    0.0,
                ], // chirps
                3 => [high * (1.0 + 0.01 * (TAU * 5.5 * t).sin()), 0.0, 0.0, 0.0], // vibrato
                4 => [
                    low * note,
                    2.0 * low * note,
                    3.0 * low * note,
                    4.0 * low * note,
                ], // notes
                _ => [high, 1.2 * high, 0.7 * high, 0.0],         // chord
            };
            let mut sum = 0.0;
            for (phase, hz) in phases.iter_mut().zip(tones) {
                *phase += hz / rate;
                *phase -= phase.floor();
                sum += (TAU * *phase).sin();
            }
            0.09 * sum + 2e-5 * (draw.unit() - 0.5) * 40.0
        })
        .collect();
    (0..sound.len())
        .map(|n| {
            let late = n.checked_sub(delay).map_or(0.0, |at| sound[at]);
            [1.5 * late + 2e-4 * (draw.unit() - 0.5), sound[n]]
        })
        .collect()
}

/// Mean square of the force within the critical band about `hz`.
pub fn critical_band_power(frames: &[[f64; 2]], hz: f64) -> f64 {
    let rate = f64::from(RATE_HZ);
    let khz = hz / 1000.0;
    let width = 25.0 + 75.0 * (1.0 + 1.4 * khz * khz).powf(0.69);
    // Power of the force within the critical band, by a sliding sum of sines.
    let count = 40;
    let mut power = 0.0;
    let length = RATE_HZ as usize / 4;
    for n in 0..count {
        let at = hz - width / 2.0 + width * (f64::from(n) + 0.5) / f64::from(count);
        for block in frames.chunks_exact(length).take(16) {
            let (mut re, mut im) = (0.0, 0.0);
            for (k, frame) in block.iter().enumerate() {
                let (sin, cos) = (TAU * at * k as f64 / rate).sin_cos();
                re += cos * frame[0];
                im += sin * frame[0];
            }
            // Two-sided |X|²/(N rate), doubled, is the density in N²/Hz.
            power += 2.0 * (re * re + im * im) / (length as f64 * rate) * width;
        }
    }
    power / (f64::from(count) * 16.0)
}

/// Adds a line of a mean square to the force from `from_s` to `to_s` that nothing explains.
pub fn with_line(frames: &mut [[f64; 2]], hz: f64, mean_square: f64, from_s: f64, to_s: f64) {
    let rate = f64::from(RATE_HZ);
    let peak = (2.0 * mean_square).sqrt();
    let range = (from_s * rate) as usize..(to_s * rate) as usize;
    for n in range {
        frames[n][0] += peak * (TAU * hz * n as f64 / rate).sin();
    }
}
