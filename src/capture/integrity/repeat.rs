//! Blocks that a recorder delivered twice.
//!
//! Samples that fall on a certain pattern, one in 32, are landmarks; a landmark
//! whose last 8 samples were seen before gives a lag, and from there the run of
//! identical samples at that lag is followed to both ends. A run of 256 samples has
//! no landmark in 0.04 % of cases, one of 64 in 17 %. It counts as a repeated block
//! if
//!
//! - the lag is at most 0.2 s, and the run at least 64 samples and at most one and a
//!   half times the lag: a periodic signal goes on;
//! - its RMS is at least 16 quantising steps, and at both ends the copy and its
//!   original part by more than a tenth of that: a tone that does not quite fit its
//!   period parts by single steps;
//! - it is rough (noise-like), or it is joined to what stands before by a sudden step:
//!   the fourth difference tells both. A burst of two periods of a smooth signal is
//!   neither.
//!
//! Exactly two periods of a noise, recorded without any noise of their own, look the
//! same as a repeated block.

use super::history::{History, rms};

const LONGEST_LAG_S: f64 = 0.2;
const SHORTEST: u64 = 64;
/// A longer run, over the lag, is a periodic signal.
const PERIODIC: f64 = 1.5;
const LOUD_STEPS: f64 = 16.0;
/// How far copy and original part at the ends, over the RMS of the run.
const PARTED: f64 = 0.1;
/// Samples beyond each end in which they do.
const BEYOND: u64 = 4;
/// Fourth difference over RMS from which a signal is called rough; that of tones
/// below a fourteenth of the sampling rate is smaller.
const ROUGH: f64 = 0.03;
/// How much the fourth difference at a sudden step stands out.
const SUDDEN: f64 = 8.0;
/// Samples that must agree to follow a run.
const MARK: u64 = 8;
/// Landmarks remembered: more than 0.2 s hold at 192 kHz.
const REMEMBERED: usize = 4096;
/// An odd number of evenly mixed bits (from the golden ratio).
const MIX: u64 = 0x9E37_79B9_7F4A_7C15;

pub(super) struct Repeats {
    longest_lag: u64,
    /// Hash of the samples that end in a landmark, and where they were seen last.
    seen: Vec<Option<(u64, u64)>>,
    run: Option<Run>,
}

/// Samples from `start` on that equal those `lag` before.
#[derive(Clone, Copy)]
struct Run {
    start: u64,
    lag: u64,
}

impl Repeats {
    pub fn new(rate_hz: f64) -> Self {
        Self {
            longest_lag: (LONGEST_LAG_S * rate_hz) as u64,
            seen: vec![None; REMEMBERED],
            run: None,
        }
    }

    /// Samples before the latest block that are looked at.
    pub fn reach(&self) -> usize {
        3 * self.longest_lag as usize
    }

    /// Looks through the latest block; `found` is told start and length of each
    /// copy.
    pub fn push(&mut self, history: &History, step: f64, mut found: impl FnMut(u64, u64)) {
        let block = history.block();
        let mut at = block.start;
        while at < block.end {
            match self.run {
                None => at = self.search(history, at),
                Some(run) => {
                    let copy = history.get(at..block.end);
                    let original = history.get(at - run.lag..block.end - run.lag);
                    let same = copy.iter().zip(original).take_while(|(a, b)| a == b);
                    at += same.count() as u64;
                    if at < block.end {
                        self.run = None;
                        if run.is_repeat(history, at, step) {
                            found(run.start, at - run.start);
                        }
                    }
                }
            }
        }
    }

    /// Follows the landmarks from `at` on, until one begins a run or to the end;
    /// returns how far.
    fn search(&mut self, history: &History, at: u64) -> u64 {
        let end = history.end();
        for (position, x) in (at..end).zip(history.get(at..end)) {
            // Zero is no landmark.
            if x.to_bits().wrapping_mul(MIX) >> 59 != 0b1_0101 {
                continue;
            }
            let Some(from) = (position + 1).checked_sub(MARK) else {
                continue;
            };
            let mark = history.get(from..position + 1);
            let hash = mark.iter().fold(0u64, |hash, x| {
                (hash.rotate_left(5) ^ x.to_bits()).wrapping_mul(MIX)
            });
            let place = &mut self.seen[hash as usize % REMEMBERED];
            let Some((_, seen)) = place.replace((hash, position)).filter(|p| p.0 == hash) else {
                continue;
            };
            let lag = position - seen;
            if (SHORTEST..=self.longest_lag).contains(&lag) {
                let (copy, original) = (
                    history.get(history.first() + lag..position + 1),
                    history.get(history.first()..position + 1 - lag),
                );
                let pairs = copy.iter().rev().zip(original.iter().rev());
                let same = pairs.take_while(|(a, b)| a == b).count() as u64;
                let start = position + 1 - same;
                self.run = Some(Run { start, lag });
                return position + 1;
            }
        }
        end
    }
}

impl Run {
    fn is_repeat(self, history: &History, end: u64, step: f64) -> bool {
        let Self { start, lag } = self;
        let length = end - start;
        let origin = start - lag;
        if length < SHORTEST
            || length as f64 > PERIODIC * lag as f64
            || origin < history.first() + BEYOND
        {
            return false;
        }
        let run = history.get(start..end);
        let strength = rms(run);
        if strength <= 0.0 || strength < LOUD_STEPS * step {
            return false;
        }
        let parted = |from: u64| {
            let copy = history.get(from..from + BEYOND);
            let original = history.get(from - lag..from - lag + BEYOND);
            let apart = copy.iter().zip(original).map(|(a, b)| (a - b).abs());
            apart.fold(0.0, f64::max) >= PARTED * strength
        };
        if !(parted(start - BEYOND) && parted(end)) {
            return false;
        }
        let inside = rms(&fourth_differences(run));
        let joint = fourth_differences(history.get(start - 4..start + 4));
        let jump = joint.iter().fold(0.0f64, |most, d| most.max(d.abs()));
        inside >= ROUGH * strength || inside > 0.0 && jump >= SUDDEN * inside
    }
}

fn fourth_differences(samples: &[f64]) -> Vec<f64> {
    let five = samples.windows(5);
    five.map(|w| w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4])
        .collect()
}
