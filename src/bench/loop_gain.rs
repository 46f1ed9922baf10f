//! How near a loop is to oscillating, from its complex gain.
//!
//! The closed loop is A / (1 − A F); it oscillates where the gain once around,
//! L = A F, has the phase 0 and at least the magnitude 1 (Nyquist's criterion as
//! in van Waterschoot and Moonen 2011, Proc. IEEE 99(2), 288–327). The margin is
//! −20 lg of the greatest L among the frequencies of phase 0.

use std::f64::consts::TAU;

use realfft::num_complex::Complex64;

/// The frequency at which a loop would oscillate first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worst {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Margin in dB; below 0 the loop oscillates.
    pub margin_db: f64,
    /// Delay once around, from the slope of the phase, in seconds.
    pub delay_s: f64,
}

/// Lowest frequency looked at, in Hz.
const FROM_HZ: f64 = 50.0;
/// Step of the search in Hz: 40 per turn of the phase at a delay of 12 ms.
const STEP_HZ: f64 = 2.0;

/// Looks for the worst frequency up to 0.45 of the sampling rate; none where no
/// sound comes back in phase.
pub fn worst(around: &dyn Fn(f64) -> Complex64, rate_hz: f64) -> Option<Worst> {
    let mut best: Option<(f64, f64)> = None;
    let mut last = (FROM_HZ, around(FROM_HZ));
    while last.0 + STEP_HZ < 0.45 * rate_hz {
        let next = (last.0 + STEP_HZ, around(last.0 + STEP_HZ));
        let crosses = (last.1.im > 0.0) != (next.1.im > 0.0) && last.1.re + next.1.re > 0.0;
        // What is far below the best found so far needs no closer look.
        if crosses
            && best.is_none_or(|(_, gain)| {
                last.1.norm_sqr().max(next.1.norm_sqr()) > 0.8 * gain * gain
            })
        {
            let hz = crossing(around, last, next);
            let gain = around(hz).re;
            if gain > 0.0 && best.is_none_or(|(_, most)| gain > most) {
                best = Some((hz, gain));
            }
        }
        last = next;
    }
    let (frequency_hz, gain) = best?;
    let turn = (around(frequency_hz + 1.0) * around(frequency_hz - 1.0).conj()).arg();
    Some(Worst {
        frequency_hz,
        margin_db: -20.0 * libm::log10(gain),
        delay_s: -turn / (2.0 * TAU),
    })
}

/// Frequency of phase 0 between two points, by bisection.
fn crossing(
    around: &dyn Fn(f64) -> Complex64,
    low: (f64, Complex64),
    high: (f64, Complex64),
) -> f64 {
    let (mut low_hz, mut high_hz) = (low.0, high.0);
    for _ in 0..30 {
        let middle_hz = 0.5 * (low_hz + high_hz);
        if (around(middle_hz).im > 0.0) == (low.1.im > 0.0) {
            low_hz = middle_hz;
        } else {
            high_hz = middle_hz;
        }
    }
    0.5 * (low_hz + high_hz)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::filter::lag;

    #[test]
    fn a_pure_delay_shows_its_margin_and_its_delay() {
        // L = 0.5 at 6 ms: 6.02 dB, by definition.
        let found = worst(&|hz| lag(TAU * hz * 0.006) * 0.5, 48_000.0).unwrap();
        assert!((found.margin_db - 6.0206).abs() < 1e-3);
        assert!((found.delay_s - 0.006).abs() < 1e-9);
        let turns = found.frequency_hz * 0.006;
        assert!((turns - turns.round()).abs() < 1e-6);
    }

    #[test]
    fn sound_that_always_comes_back_inverted_has_no_margin() {
        assert_eq!(worst(&|_| Complex64::new(-2.0, 0.0), 48_000.0), None);
    }
}
