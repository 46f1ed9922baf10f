//! How two recordings of one sound lie to each other, to some milliseconds, from
//! the envelopes: the sign of the noise does not change them in the mean.

use crate::levels::waveform::Waveform;
use crate::quantity::Role;

/// One point of the envelope, in seconds.
pub const STEP_S: f64 = 0.005;
/// Recordings overlap by this much at least, in seconds …
const LEAST_OVERLAP_S: f64 = 4.0;
/// … and by this share of the shorter one.
const LEAST_SHARE: f64 = 0.5;
/// Envelopes of one sound correlate by more than this.
const ALIKE: f64 = 0.5;

/// By how much later the sound stands in the second recording, in seconds; `None`
/// where the envelopes are not alike or overlap too little.
///
/// The coefficient of correlation is that of the overlap alone: padding with
/// zeros would favour a small lag.
pub fn rough_delay_s(recordings: [&Waveform; 2]) -> Option<f64> {
    let [a, b] = recordings.map(envelope);
    let shorter = a.len().min(b.len());
    let least = (LEAST_SHARE * shorter as f64).max(LEAST_OVERLAP_S / STEP_S) as usize;
    if shorter < least {
        return None;
    }
    let (first, last) = (-((a.len() - least) as i64), (b.len() - least) as i64);
    let (lag, alike) = (first..=last)
        .map(|lag| (lag, correlation(&a, &b, lag)))
        .max_by(|x, y| x.1.total_cmp(&y.1))?;
    (alike > ALIKE).then_some(lag as f64 * STEP_S)
}

/// Root mean squares of the microphone channel, its highs raised: rumble is no
/// part of the sound.
fn envelope(waveform: &Waveform) -> Vec<f64> {
    let length = ((STEP_S * waveform.rate_hz).round() as usize).max(2);
    let role = Role::Microphone as usize;
    let chunks = waveform.frames.chunks_exact(length);
    chunks
        .map(|chunk| {
            let step = |pair: &[[f32; 2]]| f64::from(pair[1][role] - pair[0][role]).powi(2);
            chunk.windows(2).map(step).sum::<f64>().sqrt()
        })
        .collect()
}

/// Pearson's coefficient of `a[i]` and `b[i + lag]` where both are.
fn correlation(a: &[f64], b: &[f64], lag: i64) -> f64 {
    let from_a = usize::try_from(-lag).unwrap_or(0);
    let from_b = usize::try_from(lag).unwrap_or(0);
    let pairs = || a[from_a..].iter().zip(&b[from_b..]);
    let count = pairs().count() as f64;
    let (mut sum, mut squares, mut product) = ([0.0; 2], [0.0; 2], 0.0);
    for (x, y) in pairs() {
        sum = [sum[0] + x, sum[1] + y];
        squares = [squares[0] + x * x, squares[1] + y * y];
        product += x * y;
    }
    let variance = |i: usize| squares[i] - sum[i] * sum[i] / count;
    let spread = (variance(0) * variance(1)).sqrt();
    if spread > 0.0 {
        (product - sum[0] * sum[1] / count) / spread
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bursts of irregular length, `silent` frames into 8 s.
    fn bursts(silent: usize) -> Waveform {
        let sample = |n: usize| {
            let at = (n + 200_000 - silent) as f64 / 16_000.0;
            let loud = (at * 7.0).sin() + (at * 11.3).sin() + (at * 17.9).sin();
            let fast = if n.is_multiple_of(2) { 1.0 } else { -1.0 };
            [0.0, (loud.exp() * fast) as f32]
        };
        Waveform {
            cut_at_s: None,
            from_s: 0.0,
            highest_hz: 10_000.0,
            rate_hz: 16_000.0,
            frames: (0..128_000).map(sample).collect(),
        }
    }

    #[test]
    fn a_shift_either_way_is_found() {
        for (first, second) in [(0, 8000), (12_000, 0), (3000, 3000)] {
            let found = rough_delay_s([&bursts(first), &bursts(second)]).unwrap();
            let expected = (second as f64 - first as f64) / 16_000.0;
            assert!((found - expected).abs() < 2.0 * STEP_S, "{found}");
        }
    }

    #[test]
    fn what_is_not_alike_has_no_delay() {
        let mut other = bursts(0);
        for (n, frame) in other.frames.iter_mut().enumerate() {
            frame[1] = (n * 7919 % 1000) as f32;
        }
        assert_eq!(rough_delay_s([&bursts(0), &other]), None);
    }
}
