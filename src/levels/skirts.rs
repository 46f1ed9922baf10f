//! What a band reads of its neighbours.
//!
//! An ideal band *i* holds the power P_i; a real filter reads Σ_j w(|i − j|) P_j,
//! where w(d) is the mean of its |H|² over a whole band *d* bands away, for a
//! density flat over the logarithm of frequency inside each band. Its effective
//! bandwidth is the ideal one, so w(0) + 2 Σ w(d) = 1, and what it reads too much
//! is Σ_j w(|i − j|) (P_j − P_i): nothing on a flat spectrum. w(1) is 4.3 %, so a
//! neighbour 14 dB stronger may be all that a band reads.
//!
//! |H|² is that of the analogue filter, 1 / (1 + u⁸) with u = |r − 1/r| / (h − 1/h),
//! r the frequency over the midband frequency and h the upper design edge over
//! it (textbook); the running filters keep to it (`filter`). Own derivation.

use crate::quantity::level::Reference;
use crate::quantity::{Level, Origin, Reading, Uncertainty};

/// Expanded uncertainty of a band's filter on a flat spectrum, in dB: passband,
/// bandwidth and halved rates (docs/accuracy.md).
pub const FILTER_DB: f64 = 0.05;
/// Above this share of what the skirts let in, a reading is only a bound.
const MOSTLY: f64 = 0.5;
/// Design edge over midband frequency: the band edge drawn in by sin x / x,
/// x = π/8 (`filter`).
const DRAWN_IN: f64 = 0.9745;
/// Beyond this distance a skirt lets through less than 10⁻⁸.
const FAR: usize = 4;
/// Steps across a band.
const STEPS: usize = 64;

/// Mean power transfer of a band's filter over a band `distance` bands away.
fn transfer(distance: usize) -> f64 {
    let breadth = |ratio: f64| ratio - 1.0 / ratio;
    let half = breadth(10f64.powf(0.05 * DRAWN_IN));
    let at = |step: usize| {
        let bands = distance as f64 - 0.5 + (step as f64 + 0.5) / STEPS as f64;
        let u = breadth(10f64.powf(0.1 * bands)) / half;
        1.0 / (1.0 + u.powi(8))
    };
    (0..STEPS).map(at).sum::<f64>() / STEPS as f64
}

/// The share of each reading that an ideal band would not have read, for the
/// readings `powers` of neighbouring bands; negative where the band lost to its
/// skirts. Readings stand in for the powers themselves (an error of second order
/// in w), and the bands beyond the ends are taken as strong as the ends.
pub fn excess(powers: &[f64]) -> Vec<f64> {
    let weights: Vec<f64> = (1..=FAR).map(transfer).collect();
    let last = powers.len().saturating_sub(1);
    let of = |(band, own): (usize, &f64)| {
        let share = |(weight, distance): (&f64, usize)| {
            let [below, above] = [band.saturating_sub(distance), (band + distance).min(last)];
            weight * (powers[below] + powers[above] - 2.0 * own)
        };
        let excess: f64 = weights.iter().zip(1..).map(share).sum();
        if *own > 0.0 { excess / own } else { 0.0 }
    };
    powers.iter().enumerate().map(of).collect()
}

/// What a reading with that excess is too high by, in dB; at most 20 dB.
pub fn error_db(excess: f64) -> f64 {
    -10.0 * (1.0 - excess.min(0.99)).log10()
}

/// One figure of every band, as powers, and how much of each the skirts let in.
pub struct Row {
    /// The powers read.
    pub powers: Vec<f64>,
    excess: Vec<f64>,
}

impl Row {
    /// Of the powers read in neighbouring bands, one of each.
    pub fn new(powers: Vec<f64>) -> Self {
        Self {
            excess: excess(&powers),
            powers,
        }
    }

    /// The level of one band, with what its filter adds to `budget`.
    pub fn level<R: Reference>(&self, column: usize, budget: Uncertainty) -> Reading<Level<R>> {
        let excess = self.excess[column];
        match Level::from_mean_square(self.powers[column]) {
            None => Reading::not_measured("digital silence: every sample is zero"),
            Some(level) if excess > MOSTLY => Reading::AtMost(
                level,
                "most of it is what the filter lets in from a stronger band beside it".into(),
            ),
            Some(level) => {
                let analysis = FILTER_DB.hypot(error_db(excess));
                Reading::measured(level, budget.and(Origin::Analysis, analysis))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_spectrum_and_a_silent_one_have_no_excess() {
        assert_eq!(excess(&[2.0; 5]), [0.0; 5]);
        assert_eq!(excess(&[0.0; 3]), [0.0; 3]);
        assert!(excess(&[]).is_empty());
    }

    #[test]
    fn the_skirts_hold_what_the_corners_lose() {
        let sum = transfer(0) + 2.0 * (1..=FAR).map(transfer).sum::<f64>();
        assert!((sum - 1.0).abs() < 1e-3, "{sum}");
    }

    #[test]
    fn beside_a_strong_band_all_may_be_skirt_and_two_bands_on_little_is() {
        let levels_db = [0.0, 0.0, 14.0, 0.0, 0.0f64];
        let found = excess(&levels_db.map(|db| 10f64.powf(db / 10.0)));
        assert!(found[1] > 0.9 && found[3] > 0.9, "{found:?}");
        assert!(
            found[0].abs() < 0.001 && found[4].abs() < 0.001,
            "{found:?}"
        );
        assert!((found[2] + 0.083).abs() < 0.001, "{found:?}");
    }
}
