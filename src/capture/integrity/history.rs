//! The latest samples of a channel, called by their position in the recording.

use std::ops::Range;

/// The latest samples.
pub(super) struct History {
    samples: Vec<f64>,
    /// Position of the first sample held.
    first: u64,
    /// Where the latest block begins.
    block: u64,
    keep: usize,
}

impl History {
    /// Keeps at least `keep` samples before the latest block.
    pub fn new(keep: usize) -> Self {
        Self {
            samples: Vec::new(),
            first: 0,
            block: 0,
            keep,
        }
    }

    pub fn push(&mut self, block: &[f64]) {
        // Dropped seldom, so that few samples are moved.
        if self.samples.len() > 3 * self.keep {
            let dropped = self.samples.len() - self.keep;
            self.samples.drain(..dropped);
            self.first += dropped as u64;
        }
        self.block = self.end();
        self.samples.extend_from_slice(block);
    }

    /// Position of the first sample held.
    pub fn first(&self) -> u64 {
        self.first
    }

    /// Position after the last sample.
    pub fn end(&self) -> u64 {
        self.first + self.samples.len() as u64
    }

    /// Positions of the latest block.
    pub fn block(&self) -> Range<u64> {
        self.block..self.end()
    }

    /// The samples at `range`, as far as they are held.
    pub fn get(&self, range: Range<u64>) -> &[f64] {
        let index = |at: u64| (at.clamp(self.first, self.end()) - self.first) as usize;
        let (from, to) = (index(range.start), index(range.end));
        self.samples.get(from..to).unwrap_or(&[])
    }
}

/// Root mean square; 0 of nothing.
pub(super) fn rms(samples: &[f64]) -> f64 {
    let squares: f64 = samples.iter().map(|x| x * x).sum();
    (squares / samples.len().max(1) as f64).sqrt()
}
