//! When a known oscillation stands out of the force.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};

/// The line stands out from this ratio to the noise of its critical band on.
const STANDS_OUT_DB: f64 = 6.0;
/// Bins on either side of a line's peak that belong to it (Hann window).
const REACH: usize = 2;
/// Frames without the line that do not end it.
const GAP: u64 = 6;

/// A stretch in which the line stands out.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Mean square of the line in N².
    pub mean_square: f64,
}

/// A stretch not yet over.
struct Open {
    start_s: f64,
    end_s: f64,
    sum: f64,
    count: u64,
    missing: u64,
}

/// Follows one line through a stream, in frames of about 0.17 s, four per frame
/// length.
pub struct LineCourse {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    recent: Vec<f64>,
    fresh: usize,
    seen: u64,
    scratch: Vec<f64>,
    spectrum: Vec<Complex64>,
    rate_hz: f64,
    frequency_hz: f64,
    search_hz: f64,
    from_s: f64,
    open: Option<Open>,
    before: VecDeque<(f64, f64)>,
    done: Vec<Stretch>,
}

impl LineCourse {
    /// Follows the line within `search_hz` of `frequency_hz`, from `from_s` on.
    pub fn new(frequency_hz: f64, search_hz: f64, from_s: f64, rate_hz: f64) -> Self {
        let mut length = 1024;
        while (length as f64) < 0.15 * rate_hz {
            length *= 2;
        }
        let transform = RealFftPlanner::new().plan_fft_forward(length);
        let hann = |i| 0.5 - 0.5 * libm::cos(TAU * i as f64 / length as f64);
        Self {
            window: (0..length).map(hann).collect(),
            recent: vec![0.0; length],
            fresh: 0,
            seen: 0,
            scratch: transform.make_input_vec(),
            spectrum: transform.make_output_vec(),
            transform,
            rate_hz,
            frequency_hz,
            search_hz,
            from_s,
            open: None,
            before: VecDeque::new(),
            done: Vec::new(),
        }
    }

    /// Adds a sample of the force in N.
    pub fn push(&mut self, force_n: f64) {
        let length = self.window.len();
        let hop = length / 4;
        self.recent[length - hop + self.fresh] = force_n;
        self.fresh += 1;
        self.seen += 1;
        if self.fresh == hop {
            self.fresh = 0;
            if self.seen >= length as u64 {
                self.frame();
            }
            self.recent.copy_within(hop.., 0);
        }
    }

    fn frame(&mut self) {
        for ((out, x), w) in self.scratch.iter_mut().zip(&self.recent).zip(&self.window) {
            *out = x * w;
        }
        if self
            .transform
            .process(&mut self.scratch, &mut self.spectrum)
            .is_err()
        {
            return;
        }
        let length = self.window.len() as f64;
        let middle_s = (self.seen as f64 - length / 2.0) / self.rate_hz;
        if middle_s < self.from_s {
            return;
        }
        let (ratio_db, mean_square) = self.line();
        if ratio_db >= STANDS_OUT_DB {
            // While a line sets in, its own splatter hides it: its start is where
            // the frame holds half of it, a quarter of its power.
            let present = |frame: &&(f64, f64)| frame.1 >= mean_square / 4.0;
            let earlier = self.before.iter().rev().take_while(present).last();
            let open = self.open.get_or_insert(Open {
                start_s: earlier.map_or(middle_s, |frame| frame.0),
                end_s: middle_s,
                sum: 0.0,
                count: 0,
                missing: 0,
            });
            open.end_s = middle_s;
            open.sum += mean_square;
            open.count += 1;
            open.missing = 0;
        } else if let Some(open) = &mut self.open {
            open.missing += 1;
            if mean_square * open.count as f64 >= open.sum / 4.0 {
                open.end_s = middle_s;
            }
            if open.missing > GAP {
                self.close();
            }
        }
        self.before.push_back((middle_s, mean_square));
        if self.before.len() > GAP as usize {
            self.before.pop_front();
        }
    }

    /// Tone-to-noise ratio in dB and mean square of the strongest line near the
    /// frequency. Critical bandwidth 25 + 75 (1 + 1.4 f²)^0.69 Hz, f in kHz
    /// (Zwicker's formula, as ECMA-418-1 uses it; public transcription).
    fn line(&self) -> (f64, f64) {
        let width_hz = self.rate_hz / self.window.len() as f64;
        let power = |k: usize| self.spectrum.get(k).map_or(0.0, Complex64::norm_sqr);
        let bin = |hz: f64| (hz.max(0.0) / width_hz).round() as usize;
        let range =
            bin(self.frequency_hz - self.search_hz)..=bin(self.frequency_hz + self.search_hz);
        let strongest = range.max_by(|a, b| power(*a).total_cmp(&power(*b)));
        let peak = strongest.unwrap_or_default().max(REACH);
        let khz = peak as f64 * width_hz / 1000.0;
        let critical_hz = 25.0 + 75.0 * libm::pow(1.0 + 1.4 * khz * khz, 0.69);
        let half = bin(critical_hz / 2.0).max(2 * REACH);
        let line: f64 = (peak - REACH..=peak + REACH).map(power).sum();
        let around = peak.saturating_sub(half)..=peak + half;
        let rest = around.filter(|k| k.abs_diff(peak) > REACH);
        let (bins, noise) = rest.fold((0.0, 0.0), |(n, sum), k| (n + 1.0, sum + power(k)));
        let noise = noise * (critical_hz / width_hz) / f64::max(bins, 1.0);
        let squares: f64 = self.window.iter().map(|w| w * w).sum();
        let mean_square = 2.0 * line / (self.window.len() as f64 * squares);
        (
            10.0 * libm::log10(line.max(1e-300) / noise.max(1e-300)),
            mean_square,
        )
    }

    fn close(&mut self) {
        if let Some(open) = self.open.take()
            && open.end_s - open.start_s >= 0.3
        {
            let (start_s, end_s) = (open.start_s, open.end_s);
            let mean_square = open.sum / open.count as f64;
            self.done.push(Stretch {
                start_s,
                end_s,
                mean_square,
            });
        }
    }

    /// The stretches found, in order; their times are sure within 0.1 s. A line
    /// that is there to the last lasts to the end.
    pub fn finish(mut self) -> Vec<Stretch> {
        let end_s = self.seen as f64 / self.rate_hz;
        if let Some(open) = self.open.as_mut().filter(|open| open.missing == 0) {
            open.end_s = end_s;
        }
        self.close();
        self.done
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::random::Gaussian;

    #[test]
    fn a_tone_that_comes_and_goes_is_found_with_its_times_and_level() {
        let rate_hz = 24_000.0;
        let mut noise = Gaussian::new(4, 4);
        let mut course = LineCourse::new(2900.0, 40.0, 0.0, rate_hz);
        for n in 0..(6.0 * rate_hz) as u32 {
            let t_s = f64::from(n) / rate_hz;
            let on = (2.0..4.0).contains(&t_s);
            let tone = if on { (TAU * 2905.0 * t_s).sin() } else { 0.0 };
            course.push(tone + 0.1 * noise.draw());
        }
        let found = course.finish();
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].start_s - 2.0).abs() < 0.1, "{found:?}");
        assert!((found[0].end_s - 4.0).abs() < 0.15, "{found:?}");
        assert!((found[0].mean_square - 0.5).abs() < 0.05, "{found:?}");
    }
}
