//! The first-order pattern |a + (1 − a) cos θ| that fits best, in the sense of the
//! least squares of amplitude.

use super::ring::Ring;
use crate::quantity::{Degrees, Number, Origin, Percentage, Reading, Uncertainty};

/// Fewer angles fit anything.
const LEAST_ANGLES: usize = 5;
/// Steps of the search over a, and how often it is narrowed.
const STEPS: usize = 100;
const NARROWINGS: usize = 4;
/// A pattern that leaves more than this of the amplitude is of another order, in
/// percent.
const LARGEST_RESIDUAL_PERCENT: f64 = 10.0;

/// Parameter, what is left, and where the fitted pattern has its null.
pub(super) struct FirstOrder {
    pub(super) parameter: Reading<Number>,
    pub(super) residual: Reading<Percentage>,
    pub(super) null: Reading<Degrees>,
}

impl FirstOrder {
    pub(super) fn of(ring: &Ring) -> Self {
        let points: Vec<(f64, f64)> = ring
            .points
            .iter()
            .filter(|p| p.db.is_finite())
            .map(|p| (p.angle_deg.to_radians().cos(), p.power().sqrt()))
            .collect();
        if points.len() < LEAST_ANGLES {
            return Self::absent("fewer than five angles fit any pattern");
        }
        let a = search(&points);
        let (scale, left) = fit(&points, a);
        let count = points.len() as f64;
        let residual_percent = 100.0 * (left / count).sqrt() / scale;
        // One error of a moves the pattern by its slope, the scale held by the front.
        let slope: f64 = points
            .iter()
            .map(|(cosine, _)| (scale * (1.0 - cosine)).powi(2))
            .sum();
        let expanded = 2.0 * (left / (count - 2.0) / slope).sqrt();
        let own = Uncertainty::of(Origin::Statistics, expanded);
        let residual = Reading::measured(Percentage(residual_percent), Uncertainty::EXACT);
        if residual_percent > LARGEST_RESIDUAL_PERCENT {
            let why = "no first-order pattern fits";
            return Self {
                residual,
                ..Self::absent(why)
            };
        }
        let null = if a < 0.5 {
            let null = |a: f64| (-a / (1.0 - a)).clamp(-1.0, 1.0).acos().to_degrees();
            let own = own.through(|error| null(a + error));
            Reading::measured(Degrees(null(a)), own)
        } else if a - expanded <= 0.5 {
            Reading::measured(
                Degrees(180.0),
                Uncertainty::of(
                    Origin::Statistics,
                    180.0 - {
                        let low = (a - expanded).max(0.0);
                        (-low / (1.0 - low)).clamp(-1.0, 1.0).acos().to_degrees()
                    },
                ),
            )
        } else {
            Reading::not_measured("the fitted pattern has no null")
        };
        Self {
            parameter: Reading::measured(Number(a), own),
            residual,
            null,
        }
    }

    pub(super) fn absent(why: &str) -> Self {
        Self {
            parameter: Reading::not_measured(why),
            residual: Reading::not_measured(why),
            null: Reading::not_measured(why),
        }
    }
}

/// The best scale of pattern `a` and the squares that it leaves.
fn fit(points: &[(f64, f64)], a: f64) -> (f64, f64) {
    let pattern = |cosine: f64| (a + (1.0 - a) * cosine).abs();
    let (mut both, mut own) = (0.0, 0.0);
    for (cosine, amplitude) in points {
        both += pattern(*cosine) * amplitude;
        own += pattern(*cosine).powi(2);
    }
    let scale = both / own;
    let left = points
        .iter()
        .map(|(cosine, amplitude)| (amplitude - scale * pattern(*cosine)).powi(2));
    (scale, left.sum())
}

fn search(points: &[(f64, f64)]) -> f64 {
    let (mut from, mut to) = (0.0f64, 1.0f64);
    let mut best = 0.5;
    for _ in 0..NARROWINGS {
        let step = (to - from) / STEPS as f64;
        let tried = (0..=STEPS).map(|i| from + step * i as f64);
        let by_left = |x: &f64, y: &f64| fit(points, *x).1.total_cmp(&fit(points, *y).1);
        best = tried.min_by(by_left).unwrap_or(best);
        (from, to) = ((best - step).max(0.0), (best + step).min(1.0));
    }
    best
}
