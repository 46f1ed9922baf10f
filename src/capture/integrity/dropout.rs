//! Stretches of exact zeros inside a signal.

use super::history::{History, rms};

/// Shortest stretch that counts, in seconds.
const SHORTEST_S: f64 = 1e-3;
/// RMS of the signal before it, in quantising steps: less may be the end of a
/// decay.
const LOUD_STEPS: f64 = 64.0;
/// What the signal was, or would have been, at an edge that is called abrupt,
/// over its RMS. A ramp comes out far below.
const ABRUPT: f64 = 0.25;

pub(super) struct Dropouts {
    shortest: u64,
    /// Start of the zeros that reach to the end of what was seen.
    open: Option<u64>,
}

impl Dropouts {
    pub fn new(rate_hz: f64) -> Self {
        Self {
            shortest: (SHORTEST_S * rate_hz).ceil() as u64,
            open: None,
        }
    }

    /// Looks through the latest block; `found` is told start and length. Zeros at
    /// the beginning and at the end of a recording are not inside the signal.
    pub fn push(&mut self, history: &History, step: f64, mut found: impl FnMut(u64, u64)) {
        let block = history.block();
        let samples = history.get(block.clone());
        let mut at = 0;
        loop {
            let Some(start) = self.open else {
                // A stretch that counts has a sample at every half of its length.
                let stride = (self.shortest / 2).max(1) as usize;
                let zero = (at..samples.len())
                    .step_by(stride)
                    .find(|i| samples[*i] == 0.0);
                let Some(zero) = zero else { return };
                let position = block.start + zero as u64;
                let before = history.get(history.first()..position);
                let zeros = before.iter().rev().take_while(|x| **x == 0.0).count();
                self.open = Some(position - zeros as u64);
                at = zero;
                continue;
            };
            let Some(zeros) = samples[at..].iter().position(|x| *x != 0.0) else {
                return;
            };
            at += zeros;
            self.open = None;
            let end = block.start + at as u64;
            if self.abrupt(history, start, end, step) {
                found(start, end - start);
            }
        }
    }

    fn abrupt(&self, history: &History, start: u64, end: u64, step: f64) -> bool {
        if end - start < self.shortest || start < self.shortest {
            return false;
        }
        let before = history.get(start - self.shortest..start);
        let rms = rms(before);
        let [.., earlier, last] = before else {
            return false;
        };
        let expected = (2.0 * last - earlier).abs();
        let next = history.get(end..end + 1).first().map_or(0.0, |x| x.abs());
        rms > 0.0 && rms >= LOUD_STEPS * step && expected.max(next) >= ABRUPT * rms
    }
}
