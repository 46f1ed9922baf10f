//! Halving the sampling rate on the way to the lower bands.
//!
//! A half-band FIR (windowed sinc, Kaiser window): flat within 0.0004 dB up to
//! 0.15 of its input rate, 89 dB down from 0.35 on. What folds back lands above
//! 0.3 of the new rate, where no band of the new stage reaches.

use std::f64::consts::PI;

/// Taps at odd distances from the centre; those at even distances are zero.
const TAPS: usize = 8;
/// Samples from an edge of the window to its centre.
const REACH: usize = 2 * TAPS - 1;
const WINDOW: usize = 2 * REACH + 1;
/// Kaiser's shape parameter, 0.1102 (A − 8.7) for A = 92 dB (textbook).
const KAISER_BETA: f64 = 9.2;

/// One halving stage for two channels.
#[derive(Debug, Clone)]
pub struct Decimator {
    taps: [f64; TAPS],
    /// Frames not yet left behind by the window.
    waiting: Vec<[f64; 2]>,
}

impl Decimator {
    /// Delay in input samples.
    pub const DELAY: f64 = REACH as f64;

    /// A stage at rest.
    pub fn new() -> Self {
        let window = |distance: f64| {
            let inside = 1.0 - (distance / (REACH as f64 + 1.0)).powi(2);
            bessel_i0(KAISER_BETA * inside.sqrt())
        };
        let mut taps: [f64; TAPS] = std::array::from_fn(|i| {
            let distance = (2 * i + 1) as f64;
            (PI * distance / 2.0).sin() / distance * window(distance)
        });
        // Exactly unity at 0 Hz: half from the centre, half from the rest.
        let sum: f64 = taps.iter().sum();
        taps.iter_mut().for_each(|tap| *tap *= 0.25 / sum);
        Self {
            taps,
            waiting: vec![[0.0; 2]; WINDOW - 1],
        }
    }

    /// Replaces `halved` by what `frames` give at half the rate.
    pub fn push(&mut self, frames: &[[f64; 2]], halved: &mut Vec<[f64; 2]>) {
        halved.clear();
        self.waiting.extend_from_slice(frames);
        let mut start = 0;
        while let Some(window) = self.waiting[start..].first_chunk::<WINDOW>() {
            let mut sum = window[REACH].map(|x| 0.5 * x);
            for (i, tap) in self.taps.iter().enumerate() {
                let (before, after) = (window[REACH - 1 - 2 * i], window[REACH + 1 + 2 * i]);
                sum[0] += tap * (before[0] + after[0]);
                sum[1] += tap * (before[1] + after[1]);
            }
            halved.push(sum);
            start += 2;
        }
        self.waiting.drain(..start);
    }
}

impl Default for Decimator {
    fn default() -> Self {
        Self::new()
    }
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gain of the stage for a tone at `frequency` of the input rate, in dB.
    fn gain_db(frequency: f64) -> f64 {
        let taps = Decimator::new().taps;
        let response: f64 = 0.5
            + taps
                .iter()
                .enumerate()
                .map(|(i, tap)| 2.0 * tap * (2.0 * PI * frequency * (2 * i + 1) as f64).cos())
                .sum::<f64>();
        20.0 * response.abs().log10()
    }

    #[test]
    fn flat_to_0_15_of_the_rate_and_shut_from_0_35() {
        for step in 0..=200 {
            let low = gain_db(0.15 * f64::from(step) / 200.0);
            assert!(low.abs() < 4e-4, "{low} dB");
            let high = gain_db(0.35 + 0.15 * f64::from(step) / 200.0);
            assert!(high < -89.0, "{high} dB");
        }
    }

    #[test]
    fn splitting_the_input_changes_nothing() {
        let frames: Vec<[f64; 2]> = (0..500)
            .map(|n| [f64::from(n).sin(), f64::from(n)])
            .collect();
        let (mut whole, mut parts, mut piece) = (Vec::new(), Vec::new(), Vec::new());
        Decimator::new().push(&frames, &mut whole);
        let mut stage = Decimator::new();
        for chunk in frames.chunks(7) {
            stage.push(chunk, &mut piece);
            parts.extend_from_slice(&piece);
        }
        assert_eq!(whole, parts);
    }
}
