//! How often each level occurs: percentiles without keeping the levels.
//!
//! A histogram with steps of 0.05 dB, so that an hour takes no more memory than
//! a minute; a percentile is right within half a step.

/// Levels are counted from here, in dB re 1 SI unit (N or Pa).
const LOWEST_DB: f64 = -260.0;
const HIGHEST_DB: f64 = 80.0;
const STEP_DB: f64 = 0.05;

/// A distribution of levels.
#[derive(Debug, Clone)]
pub struct Distribution {
    counts: Vec<u32>,
    total: u64,
}

impl Distribution {
    /// Largest error of a percentile that the step size causes, in dB.
    pub const RESOLUTION_DB: f64 = STEP_DB / 2.0;

    /// Nothing counted yet.
    pub fn new() -> Self {
        Self {
            counts: vec![0; ((HIGHEST_DB - LOWEST_DB) / STEP_DB) as usize],
            total: 0,
        }
    }

    /// Counts one mean square (N² or Pa²).
    pub fn push(&mut self, mean_square: f64) {
        let db = 10.0 * mean_square.max(f64::MIN_POSITIVE).log10();
        let bin = ((db - LOWEST_DB) / STEP_DB).max(0.0) as usize;
        let last = self.counts.len() - 1;
        self.counts[bin.min(last)] += 1;
        self.total += 1;
    }

    /// Number of levels counted.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// The level not exceeded for `percent` of the time, in dB re 1 SI unit:
    /// linear between the two nearest order statistics (the usual definition:
    /// rank percent/100 · (n − 1), counted from 0). `None` where nothing was
    /// counted or the level lies below the scale.
    pub fn percentile_db(&self, percent: f64) -> Option<f64> {
        let last = self.total.checked_sub(1)?;
        let rank = percent / 100.0 * last as f64;
        let below = self.ranked_db(rank.floor() as u64)?;
        let above = self.ranked_db(rank.ceil() as u64)?;
        Some(below + (above - below) * rank.fract())
    }

    fn ranked_db(&self, rank: u64) -> Option<f64> {
        let mut seen = 0;
        let holds = |count: &u32| {
            seen += u64::from(*count);
            seen > rank
        };
        let bin = self.counts.iter().position(holds)?;
        (bin > 0).then_some(LOWEST_DB + (bin as f64 + 0.5) * STEP_DB)
    }
}

impl Default for Distribution {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn percentiles_of_a_ramp_lie_on_the_ramp() {
        let mut distribution = Distribution::new();
        for tenth in 0..=1000 {
            distribution.push(10f64.powf((f64::from(tenth) / 10.0 - 90.0) / 10.0));
        }
        for percent in [1.0, 30.0, 50.0, 65.0, 99.0] {
            let level = distribution.percentile_db(percent).unwrap();
            assert_abs_diff_eq!(
                level,
                percent - 90.0,
                epsilon = Distribution::RESOLUTION_DB + 1e-9
            );
        }
    }

    #[test]
    fn silence_has_no_percentile() {
        let mut distribution = Distribution::new();
        assert_eq!(distribution.percentile_db(50.0), None);
        distribution.push(0.0);
        assert_eq!(distribution.percentile_db(50.0), None);
    }
}
