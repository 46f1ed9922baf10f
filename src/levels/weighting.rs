//! Time weightings F and S of IEC 61672-1:2013: the square of the signal,
//! averaged exponentially with a time constant of 125 ms or 1 s.

/// F or S.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weighting {
    /// Time constant 125 ms.
    Fast,
    /// Time constant 1 s.
    Slow,
}

impl Weighting {
    /// Time constant in seconds.
    pub fn tau_s(self) -> f64 {
        match self {
            Self::Fast => 0.125,
            Self::Slow => 1.0,
        }
    }

    /// Weight that the past keeps over `duration_s`.
    pub fn keep(self, duration_s: f64) -> f64 {
        (-duration_s / self.tau_s()).exp()
    }
}

/// A time-weighted mean square with its extremes.
#[derive(Debug, Clone, Copy)]
pub struct Weighted {
    mean_square: f64,
    /// Largest value since it was asked to watch.
    pub max: f64,
    /// Smallest value since it was asked to watch for it.
    pub min: f64,
}

impl Weighted {
    /// At rest: nothing heard yet.
    pub fn new() -> Self {
        Self {
            mean_square: 0.0,
            max: 0.0,
            min: f64::INFINITY,
        }
    }

    /// Takes in a stretch of mean square `square`, over which the past keeps the
    /// weight `keep` ([`Weighting::keep`]).
    pub fn push(&mut self, square: f64, keep: f64) {
        self.mean_square = square + (self.mean_square - square) * keep;
    }

    /// Lets the present value count for the maximum, and for the minimum if
    /// `settled`: the start from rest would make a false one.
    pub fn watch(&mut self, settled: bool) {
        self.max = self.max.max(self.mean_square);
        if settled {
            self.min = self.min.min(self.mean_square);
        }
    }
}

impl Default for Weighted {
    fn default() -> Self {
        Self::new()
    }
}
