//! How much later than the sound the force comes: the bulk delay, from the data.
//!
//! The peak of the envelope of the cross-correlation of both channels, whitened
//! by both mean spectra (SCOT: Knapp and Carter 1976, IEEE Trans. ASSP 24(4),
//! 320–327; as a public metrology guide tables it). Bins without common sound
//! average out before they are whitened.

use rustfft::{FftPlanner, num_complex::Complex64};

use super::pair::{Cross, Pair};

/// Length of a segment aimed at, in seconds.
const SEGMENT_S: f64 = 0.17;
/// Longest delay looked for, in seconds.
pub(super) const LONGEST_S: f64 = 0.06;
/// Frequencies that take part, in Hz.
const FROM_HZ: f64 = 200.0;
const TO_HZ: f64 = 8000.0;
/// A peak stands this far above the root mean square of all lags.
const STANDS_OUT: f64 = 6.0;

/// Delay of the force in frames; `None` where the channels share no broadband
/// sound.
pub fn bulk_delay(samples: &[[f64; 2]], rate_hz: f64) -> Option<usize> {
    let segment = 1usize << (SEGMENT_S * rate_hz).log2().round() as u32;
    let length = 2 * segment;
    let mut pair = Pair::new(segment, length);
    let mut sums = vec![Cross::default(); length / 2];
    for start in (0..(samples.len() + 1).saturating_sub(segment)).step_by(segment / 2) {
        pair.transform(samples[start..].iter().copied());
        for (bin, sum) in sums.iter_mut().enumerate() {
            sum.add(pair.bin(bin), 1.0);
        }
    }
    let within = |bin: usize| {
        let hz = bin as f64 * rate_hz / length as f64;
        (FROM_HZ..TO_HZ.min(0.45 * rate_hz)).contains(&hz)
    };
    let mut correlation = vec![Complex64::ZERO; length];
    for (bin, sum) in sums.iter().enumerate().filter(|(bin, _)| within(*bin)) {
        let level = (sum.force * sum.microphone).sqrt();
        if level > 0.0 {
            correlation[bin] = sum.both / level;
        }
    }
    // Only positive frequencies: the magnitude is the envelope.
    FftPlanner::new()
        .plan_fft_inverse(length)
        .process(&mut correlation);
    let mean_square = correlation.iter().map(Complex64::norm_sqr).sum::<f64>() / length as f64;
    let lags = &correlation[..(LONGEST_S * rate_hz) as usize];
    let (lag, peak) = lags
        .iter()
        .map(Complex64::norm_sqr)
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (peak > STANDS_OUT * STANDS_OUT * mean_square).then_some(lag)
}
