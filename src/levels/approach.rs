//! An exponential approach to a final value, fitted to a course in dB.
//!
//! The model is `L(t) = L_end + D` until a hold ends and
//! `L_end + D exp(−(t − hold)/τ)` from then on, each point the mean over its
//! step. For a hold and a τ the other two are linear least squares; the two are
//! searched on a grid that is refined around the best. The covariance is that of
//! the linearised fit (GUM supplement: textbook), with the residuals' own
//! correlation in time counted in.

use super::{least_squares, scatter};

/// Shortest hold, in steps: the first points still carry what filters and delay
/// make of the beginning.
const LEAST_HOLD: f64 = 2.0;
/// Rounds of refinement.
const ROUNDS: usize = 10;
/// By how much each narrows the grid.
const NARROWER: f64 = 0.4;
/// Points of the grid on either side of the best.
const AROUND: i32 = 4;

/// A fitted approach; uncertainties are expanded (k = 2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Approach {
    /// Time from the beginning until the fall begins, in seconds; 0 where it is
    /// less than two steps.
    pub hold_s: f64,
    /// Time constant in seconds.
    pub tau_s: f64,
    /// Final value in dB.
    pub end_db: f64,
    /// First value minus final value in dB.
    pub drop_db: f64,
    /// Uncertainty of the time constant in seconds.
    pub tau_uncertainty_s: f64,
    /// Uncertainty of the drop in dB.
    pub drop_uncertainty_db: f64,
    /// Uncertainty of the time to 90 % of the drop in seconds.
    pub ninety_uncertainty_s: f64,
    /// The most that the model leaves for a second or a time constant, whichever is
    /// shorter: an exponential leaves nothing lasting.
    pub misfit_db: f64,
}

impl Approach {
    /// Fits `course_db`, points of `step_s`; `None` where it is too short, or
    /// nothing can be told from it.
    pub fn fit(course_db: &[f64], step_s: f64) -> Option<Self> {
        let count = course_db.len();
        if count < 16 || course_db.iter().any(|db| !db.is_finite()) {
            return None;
        }
        let length_s = count as f64 * step_s;
        let error = |hold_s: f64, tau_s: f64| linear(course_db, step_s, hold_s, tau_s);
        let squares = |&(hold_s, tau_s): &(f64, f64)| {
            error(hold_s, tau_s).map_or(f64::INFINITY, |(_, _, squares)| squares)
        };
        let search = |longest_s: f64| {
            let better = |a: &(f64, f64), b: &(f64, f64)| squares(a).total_cmp(&squares(b));
            let ratio = (2.0 * length_s / step_s).powf(1.0 / 24.0);
            let coarse = (0..=24).flat_map(|k| {
                let tau_s = 0.5 * step_s * ratio.powi(k);
                (0..24).map(move |h| (f64::from(h) / 24.0 * longest_s, tau_s))
            });
            let mut best = coarse.min_by(better)?;
            let (mut hold_step, mut tau_step) = (longest_s / 24.0, ratio);
            for _ in 0..ROUNDS {
                let (hold_s, tau_s) = best;
                let shares = || (-AROUND..=AROUND).map(|i| f64::from(i) / f64::from(AROUND));
                let near = shares().flat_map(|h| {
                    let hold_s = (hold_s + hold_step * h).max(0.0);
                    shares().map(move |k| (hold_s, tau_s * tau_step.powf(k)))
                });
                best = near.min_by(better)?;
                hold_step *= NARROWER;
                tau_step = tau_step.powf(NARROWER);
            }
            Some(best)
        };
        let free = search(0.75 * length_s)?;
        // So short a hold cannot be told from none.
        let best = if free.0 < LEAST_HOLD * step_s {
            search(0.0)?
        } else {
            free
        };
        Self::at(course_db, step_s, best)
    }

    /// Value of the model at `time_s`.
    pub fn db_at(&self, time_s: f64) -> f64 {
        self.end_db + self.drop_db * (-(time_s - self.hold_s).max(0.0) / self.tau_s).exp()
    }

    /// From the beginning to 90 % of the drop, in seconds.
    pub fn ninety_s(&self) -> f64 {
        self.hold_s + self.tau_s * std::f64::consts::LN_10
    }

    fn at(course_db: &[f64], step_s: f64, (hold_s, tau_s): (f64, f64)) -> Option<Self> {
        let (end_db, drop_db, _) = linear(course_db, step_s, hold_s, tau_s)?;
        let points = || (0..course_db.len()).map(|i| i as f64 * step_s);
        let shape = |hold_s, tau_s| move |t| basis(t, step_s, hold_s, tau_s);
        let model = points().map(shape(hold_s, tau_s));
        let residuals: Vec<f64> = (course_db.iter().zip(model))
            .map(|(db, b)| db - end_db - drop_db * b)
            .collect();
        // Derivatives by drop, end, τ and hold.
        let (dt, dh) = (1e-3 * tau_s, 1e-3 * tau_s.max(step_s));
        let rows: Vec<[f64; 4]> = points()
            .map(|t| {
                let by = |up: f64, down: f64, over: f64| drop_db * (up - down) / over;
                let [up, down] = [tau_s + dt, tau_s - dt].map(|tau| basis(t, step_s, hold_s, tau));
                let [late, early] = [dh, -dh].map(|d| basis(t, step_s, hold_s + d, tau_s));
                [
                    basis(t, step_s, hold_s, tau_s),
                    1.0,
                    by(up, down, 2.0 * dt),
                    if hold_s > 0.0 {
                        by(late, early, 2.0 * dh)
                    } else {
                        0.0
                    },
                ]
            })
            .collect();
        let inverse = least_squares::inverse(&rows, if hold_s > 0.0 { 4 } else { 3 })?;
        // Expanded uncertainty of a mean of the residuals, times √N: of one.
        let one = scatter::expanded(&residuals, step_s)? * (residuals.len() as f64).sqrt();
        let of = |w: [f64; 4]| {
            let each = (0..4).flat_map(|i| (0..4).map(move |j| (i, j)));
            let variance: f64 = each.map(|(i, j)| w[i] * inverse[i][j] * w[j]).sum();
            one * variance.max(0.0).sqrt()
        };
        let lasting = ((tau_s.min(1.0) / step_s) as usize).max(1);
        let means: Vec<f64> = residuals
            .chunks(lasting)
            .map(|c| c.iter().sum::<f64>() / c.len() as f64)
            .collect();
        let misfit_db = means.iter().fold(0.0, |most: f64, m| most.max(m.abs()));
        Some(Self {
            hold_s,
            tau_s,
            end_db,
            drop_db,
            tau_uncertainty_s: of([0.0, 0.0, 1.0, 0.0]),
            drop_uncertainty_db: of([1.0, 0.0, 0.0, 0.0]),
            ninety_uncertainty_s: of([
                0.0,
                0.0,
                std::f64::consts::LN_10,
                f64::from(u8::from(hold_s > 0.0)),
            ]),
            misfit_db,
        })
    }
}

/// Mean of the model with drop 1 and end 0 over the step that begins at `t`.
fn basis(t: f64, step_s: f64, hold_s: f64, tau_s: f64) -> f64 {
    let held = (hold_s - t).clamp(0.0, step_s);
    let fallen = |at: f64| (-(at - hold_s).max(0.0) / tau_s).exp();
    (held + tau_s * (fallen(t + held) - fallen(t + step_s))) / step_s
}

/// End, drop and sum of squares of the best line over the basis.
fn linear(course_db: &[f64], step_s: f64, hold_s: f64, tau_s: f64) -> Option<(f64, f64, f64)> {
    let count = course_db.len() as f64;
    let (mut b1, mut bb, mut y1, mut yb, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, y) in course_db.iter().enumerate() {
        let b = basis(i as f64 * step_s, step_s, hold_s, tau_s);
        b1 += b;
        bb += b * b;
        y1 += y;
        yb += y * b;
        yy += y * y;
    }
    let spread = bb - b1 * b1 / count;
    if spread < 1e-9 {
        return None;
    }
    let drop = (yb - y1 * b1 / count) / spread;
    let end = (y1 - drop * b1) / count;
    Some((end, drop, yy - end * y1 - drop * yb))
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_S: f64 = 0.0625;

    /// 8 dB with 1.5 s after 0.7 s; a deterministic ripple of 0.1 dB stands for chance.
    #[test]
    fn a_known_approach_comes_back() {
        let known = |t: f64| 20.0 + 8.0 * (-(t - 0.7f64).max(0.0) / 1.5).exp();
        let ripple = |i: usize| 0.1 * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
        let course: Vec<f64> = (0..320)
            .map(|i| known((i as f64 + 0.5) * STEP_S) + ripple(i))
            .collect();
        let found = Approach::fit(&course, STEP_S).unwrap();
        assert!(
            (found.tau_s - 1.5).abs() < found.tau_uncertainty_s,
            "{found:?}"
        );
        assert!(
            (found.drop_db - 8.0).abs() < found.drop_uncertainty_db.max(0.02),
            "{found:?}"
        );
        let ninety_s = 0.7 + 1.5 * std::f64::consts::LN_10;
        assert!((found.ninety_s() - ninety_s).abs() < 0.05, "{found:?}");
        assert!(
            found.tau_uncertainty_s < 0.05 && found.misfit_db < 0.1,
            "{found:?}"
        );
    }

    #[test]
    fn a_straight_fall_is_no_exponential_one() {
        let course: Vec<f64> = (0..320)
            .map(|i| 28.0 - 8.0 * (i as f64 / 80.0).min(1.0))
            .collect();
        assert!(Approach::fit(&course, STEP_S).unwrap().misfit_db > 0.1);
    }
}
