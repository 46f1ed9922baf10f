//! Sudden steps, as where two pieces of signal were joined that do not belong
//! together.
//!
//! A step by J at one sample makes the second difference J and then −J, each
//! for one sample. The smaller of two such neighbours of opposite sign is what
//! is watched: a smooth signal has next to none of it, a corner of a signal has
//! one difference without its neighbour, a click of one sample has two pairs.

use super::history::{History, rms};

/// What the step is compared with, before and after, in seconds.
const AROUND_S: f64 = 5e-3;
/// How much larger it is.
const CONTRAST: f64 = 8.0;
/// The smaller of its two differences over the larger, at least.
const EVEN: f64 = 0.25;
/// How much weaker the signal may be on one side, in RMS: one that sets in is no
/// splice.
const WEAKER: f64 = 0.1;
/// Its size at least, in quantising steps.
const STEPS: f64 = 16.0;
/// Its size at least, over full scale: rounding of floats stays below.
const LEAST: f64 = 1e-5;

pub(super) struct Splices {
    around: u64,
    /// Where the next stretch begins.
    at: u64,
    /// Largest pair in each of the two stretches before it.
    largest: [f64; 2],
}

impl Splices {
    pub fn new(rate_hz: f64) -> Self {
        Self {
            around: (AROUND_S * rate_hz).ceil() as u64,
            at: 2,
            largest: [0.0; 2],
        }
    }

    /// Judges every stretch whose next is complete; `found` is told the first
    /// sample after each step. The first and the last stretch lack half of what
    /// they would be compared with and are not judged.
    pub fn push(&mut self, history: &History, step: f64, mut found: impl FnMut(u64)) {
        // One sample more: a pair needs the sample after it.
        while self.at + self.around < history.end() {
            let next = largest(around(history, self.at, self.around));
            let [before, own] = self.largest;
            let least = (STEPS * step).max(LEAST);
            if self.at >= 2 + 2 * self.around
                && own >= least.max(CONTRAST * before.max(next))
                && let Some(position) = self.place(history, own)
            {
                found(position);
            }
            self.largest = [own, next];
            self.at += self.around;
        }
    }

    /// The step of size `own` in the stretch before `at`, if it stands out there too.
    fn place(&self, history: &History, own: f64) -> Option<u64> {
        let from = self.at - self.around;
        let pairs = around(history, from, self.around).windows(4).map(pair);
        let mut place = None;
        for (position, size) in (from..).zip(pairs) {
            if size == own && place.is_none() {
                place = Some(position);
            } else if own < CONTRAST * size {
                return None;
            }
        }
        place.filter(|at| {
            // Five milliseconds back, lest the beginning of a sound pass for it.
            let before = at.saturating_sub(2 * self.around)..at.saturating_sub(self.around);
            let before = rms(history.get(before));
            let after = rms(history.get(*at..at + self.around));
            let goes_on = before.min(after) >= WEAKER * before.max(after);
            goes_on && is_step(history.get(at - 2..at + 2))
        })
    }
}

/// The samples that the pairs at `count` positions from `from` are made of.
fn around(history: &History, from: u64, count: u64) -> &[f64] {
    history.get(from - 2..from + count + 1)
}

/// The pair at the third of four samples.
fn pair(samples: &[f64]) -> f64 {
    let [a, b, c, d] = samples else { return 0.0 };
    let (here, next) = (a - 2.0 * b + c, b - 2.0 * c + d);
    smaller(here, -next).max(smaller(-here, next))
}

/// Whether the pair in the midst of four samples is a step: both differences of a
/// size, and no zeros beside it, as at the edge of a drop-out or a gate.
fn is_step(samples: &[f64]) -> bool {
    let [a, b, c, d] = samples else { return false };
    let (here, next) = ((a - 2.0 * b + c).abs(), (b - 2.0 * c + d).abs());
    let silent = |x: &f64, y: &f64| *x == 0.0 && *y == 0.0;
    here.min(next) >= EVEN * here.max(next) && !silent(a, b) && !silent(c, d)
}

fn largest(samples: &[f64]) -> f64 {
    // Independent lanes let the compiler compute several at a time.
    const LANES: usize = 8;
    let mut lanes = [0.0f64; LANES];
    let mut chunks = samples.windows(LANES + 3).step_by(LANES);
    for window in &mut chunks {
        for (lane, four) in lanes.iter_mut().zip(window.windows(4)) {
            let size = pair(four);
            *lane = if size > *lane { size } else { *lane };
        }
    }
    let done = samples.len().saturating_sub(3) / LANES * LANES;
    let rest = samples[done..].windows(4).map(pair);
    lanes.into_iter().chain(rest).fold(0.0, f64::max)
}

fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}
