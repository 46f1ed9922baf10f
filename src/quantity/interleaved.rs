//! Tones from the front, tones from the back and silent lines between them, so
//! that one capture holds both directions: one rule for who plays and who listens.
//!
//! Every tone is a multiple of 1/period: 3n + 1 from the front, 3n + 2 from the
//! back; every 3n stays silent. Each third octave has sixteen places, evenly apart
//! on a logarithmic scale, taken in the order of Thue and Morse: a gain that bends
//! over the band up to its third power then means the same to both sides (Prouhet
//! 1851, textbook).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Band, BandRange};
use crate::diagnostic::{At, Diagnostic, Result};

/// Tones in a third octave, both sides together.
pub const TONES: usize = 16;

/// The set of tones that was played.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct InterleavedTones {
    /// Lowest third octave with tones, in Hz.
    pub lowest_hz: f64,
    /// Highest third octave with tones, in Hz.
    pub highest_hz: f64,
    /// Period of the whole, in seconds.
    pub period_s: f64,
}

impl Default for InterleavedTones {
    fn default() -> Self {
        Self {
            lowest_hz: 200.0,
            highest_hz: 8000.0,
            period_s: 1.0,
        }
    }
}

/// Lines of one third octave, as multiples of 1/period.
#[derive(Debug, Clone, PartialEq)]
pub struct Lines {
    /// The band.
    pub band: Band,
    /// Tones from the front and from the back.
    pub sides: [Vec<usize>; 2],
    /// Silent ones, one in each gap that has room.
    pub silent: Vec<usize>,
}

impl InterleavedTones {
    /// Refuses what makes no set of tones.
    ///
    /// # Errors
    /// [`crate::Problem::UnknownBand`] and [`crate::Problem::Value`]: edges that are
    /// no bands or in the wrong order, a period that cannot hold the lowest band.
    pub fn check(&self) -> Result<()> {
        let range = self.range()?;
        // One line for each place and one between any two of them.
        let shortest_s = 2.0 * TONES as f64 / range.lowest().width_hz();
        if (shortest_s..=10.0).contains(&self.period_s) {
            return Ok(());
        }
        let expected = format!(
            "{shortest_s:.2} to 10 s for tones from {} Hz",
            self.lowest_hz
        );
        Err(Diagnostic::value("period_s", self.period_s, &expected))
    }

    fn range(&self) -> Result<BandRange> {
        let lowest = Band::named(self.lowest_hz).at_key("lowest_hz")?;
        let highest = Band::named(self.highest_hz).at_key("highest_hz")?;
        BandRange::new(lowest, highest).at_key("highest_hz")
    }

    /// The lines of every band, in rising order.
    ///
    /// # Errors
    /// Those of [`InterleavedTones::check`].
    pub fn lines(&self) -> Result<Vec<Lines>> {
        self.check()?;
        let mut last = 0;
        let each = self.range()?.bands();
        Ok(each.map(|band| self.of_band(band, &mut last)).collect())
    }

    fn of_band(&self, band: Band, last: &mut usize) -> Lines {
        let mut lines = Lines {
            band,
            sides: [Vec::new(), Vec::new()],
            silent: Vec::new(),
        };
        let octaves = libm::log2(band.upper_hz() / band.lower_hz());
        for place in 0..TONES {
            let share = (place as f64 + 0.5) / TONES as f64;
            let wanted = self.period_s * band.lower_hz() * libm::exp2(octaves * share);
            let side = place.count_ones() as usize % 2;
            let class = side + 1;
            let nearest = libm::round((wanted - class as f64) / 3.0).max(0.0) as usize;
            let mut line = 3 * nearest + class;
            while line <= *last {
                line += 3;
            }
            let between = (*last + 1..line).filter(|l| l % 3 == 0);
            let middle = *last + line;
            if place > 0 {
                let silent = between.min_by_key(|l| (2 * l).abs_diff(middle));
                lines.silent.extend(silent);
            }
            lines.sides[side].push(line);
            *last = line;
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tones_lie_in_their_band_and_class_and_rise() {
        let lines = InterleavedTones::default().lines().unwrap();
        assert_eq!(lines.len(), 17);
        let mut all = Vec::new();
        for of_band in &lines {
            let [front, back] = &of_band.sides;
            assert_eq!((front.len(), back.len()), (8, 8));
            assert!(front.iter().all(|l| l % 3 == 1) && back.iter().all(|l| l % 3 == 2));
            assert!(of_band.silent.len() >= 8, "{of_band:?}");
            assert!(of_band.silent.iter().all(|l| l % 3 == 0));
            let mut tones = [front.as_slice(), back].concat();
            tones.sort_unstable();
            all.extend(tones.clone());
            let (low, high) = (of_band.band.lower_hz(), of_band.band.upper_hz());
            assert!(tones[0] as f64 > low - 1.5 && (tones[15] as f64) < high + 1.5);
        }
        assert!(all.windows(2).all(|pair| pair[0] < pair[1]));
    }

    /// Sums of powers up to the third over either side of 0 … 15 (Prouhet 1851).
    #[test]
    fn both_sides_weigh_a_slope_alike() {
        for power in 0..4 {
            let sum = |side: u32| -> u32 {
                let of_side = (0..16u32).filter(|p| p.count_ones() % 2 == side);
                of_side.map(|p| p.pow(power)).sum()
            };
            assert_eq!(sum(0), sum(1));
        }
        let fourth: i64 = (0..16i64)
            .map(|p| {
                if p.count_ones() % 2 == 0 {
                    p.pow(4)
                } else {
                    -p.pow(4)
                }
            })
            .sum();
        assert_ne!(fourth, 0);
    }

    #[test]
    fn a_period_too_short_for_the_lowest_band_is_refused() {
        let short = InterleavedTones {
            period_s: 0.2,
            ..InterleavedTones::default()
        };
        assert!(short.lines().unwrap_err().to_string().contains("period_s"));
    }
}
