//! What follows from the gains at the angles of one band.

use std::f64::consts::{PI, SQRT_2};

use crate::quantity::{LevelDifference, Origin, Reading, Uncertainty};

/// Neighbouring angles farther apart than this leave too much open, in degrees.
const WIDEST_DEG: f64 = 46.0;
/// Angles this near to one another are the same, in degrees.
pub(super) const SAME_DEG: f64 = 0.5;
/// A bound may carry this share of all power without making the whole a bound.
const LITTLE: f64 = 0.02;
const NO_FRONT: &str = "no gain from the front (0°)";

/// The gain at one angle.
#[derive(Debug, Clone)]
pub(super) struct Point {
    /// From −180° (without) to 180°; 0 is the front.
    pub(super) angle_deg: f64,
    /// Force over sound pressure, re any one value.
    pub(super) db: f64,
    /// What this capture does not share with the others.
    pub(super) own: Uncertainty,
    /// Whether the gain is at most this.
    pub(super) bound: bool,
}

impl Point {
    /// Relative power.
    pub(super) fn power(&self) -> f64 {
        10f64.powf(self.db / 10.0)
    }
}

/// What of an uncertainty is a capture's own.
pub(super) fn own(uncertainty: &Uncertainty) -> Uncertainty {
    uncertainty.minus(uncertainty).through(|e| e / SQRT_2)
}

/// The gains of one band, by rising angle.
#[derive(Debug, Clone)]
pub(super) struct Ring {
    pub(super) points: Vec<Point>,
}

/// Angles off the axis, rising, and the points there.
type Sides = Vec<(f64, Vec<usize>)>;
/// Angle by angle, its share of the mean power.
type Weights = Vec<f64>;

impl Ring {
    pub(super) fn front(&self) -> Option<&Point> {
        self.at(0.0)
    }

    fn at(&self, angle_deg: f64) -> Option<&Point> {
        let near = |p: &&Point| (p.angle_deg - angle_deg).abs() < SAME_DEG;
        self.points.iter().find(near).filter(|p| p.db.is_finite())
    }

    /// One gain relative to the front.
    pub(super) fn relative(&self, point: &Point) -> Reading<LevelDifference> {
        let Some(front) = self.front() else {
            return Reading::not_measured(NO_FRONT);
        };
        let difference = LevelDifference::from_db(point.db - front.db);
        if point.angle_deg == front.angle_deg {
            Reading::measured(difference, Uncertainty::EXACT)
        } else if point.bound {
            let why = "the force stands less than 3 dB above the noise";
            Reading::AtMost(difference, why.into())
        } else {
            Reading::measured(difference, point.own.plus(&front.own))
        }
    }

    /// Front minus back.
    pub(super) fn front_to_back(&self) -> Reading<LevelDifference> {
        let Some(back) = self.at(180.0) else {
            return Reading::not_measured("no gain from the back (180°)");
        };
        match self.relative(back) {
            Reading::Measured(d, u) => Reading::Measured(LevelDifference::from_db(-d.db()), u),
            Reading::AtMost(d, why) => Reading::AtLeast(LevelDifference::from_db(-d.db()), why),
            other => other,
        }
    }

    /// Front over the mean of all directions of the horizontal plane.
    pub(super) fn planar_index(&self) -> Reading<LevelDifference> {
        self.over_mean(self.arcs().map(|w| (w.clone(), w)))
    }

    /// Front over the mean of all directions of space, the pattern being the same
    /// all about the axis from back to front.
    pub(super) fn directivity_index(&self) -> Reading<LevelDifference> {
        let both = |sides: Sides| {
            let zones = self.spread(&sides, |k| zone(&sides, k));
            // Drawn straight, the power errs to the same side and further.
            (zones, self.between(&sides, 0.0, PI, false))
        };
        self.over_mean(self.sides().map(both))
    }

    /// Mean power of the front half of space over that of the rear half.
    pub(super) fn front_to_rear_half(&self) -> Reading<LevelDifference> {
        let sides = match self.sides() {
            Ok(sides) => sides,
            Err(why) => return Reading::not_measured(why),
        };
        let halves = |bend: bool| {
            [0.0, PI / 2.0].map(|from| self.between(&sides, from, from + PI / 2.0, bend))
        };
        let [front, rear] = halves(true);
        let db = |halves: &[Weights; 2]| {
            let [front, rear] = [&halves[0], &halves[1]].map(|weights| self.sum(weights));
            10.0 * (front / rear).log10()
        };
        let (f, r) = (self.sum(&front), self.sum(&rear));
        let share = |i: usize| front[i] / f - rear[i] / r;
        let figure = 10.0 * (f / r).log10();
        self.reading(figure, (figure - db(&halves(false))).abs(), share)
    }

    /// The front's power over the mean by the first weights; what the second ones
    /// give is as good a mean and tells how coarse the angles are.
    fn over_mean(&self, weights: Result<(Weights, Weights), String>) -> Reading<LevelDifference> {
        let (weights, others) = match weights {
            Ok(both) => both,
            Err(why) => return Reading::not_measured(why),
        };
        let Some(front) = self.front() else {
            return Reading::not_measured(NO_FRONT);
        };
        let mean = self.sum(&weights);
        let db = |mean: f64| 10.0 * (front.power() / mean).log10();
        let analysis = (db(mean) - db(self.sum(&others))).abs();
        let is_front = |i: usize| f64::from(self.points[i].angle_deg == front.angle_deg);
        self.reading(db(mean), analysis, |i| {
            is_front(i) / front.power() - weights[i] / mean
        })
    }

    fn sum(&self, weights: &Weights) -> f64 {
        let pairs = self.points.iter().zip(weights);
        pairs.map(|(p, w)| w * p.power()).sum()
    }

    /// `share(i)` times the power at `i` is what its error moves the figure by.
    fn reading(
        &self,
        db: f64,
        analysis_db: f64,
        share: impl Fn(usize) -> f64,
    ) -> Reading<LevelDifference> {
        let mut uncertainty = Uncertainty::of(Origin::Analysis, analysis_db);
        let mut bounded = 0.0;
        for (i, point) in self.points.iter().enumerate() {
            let moved = share(i) * point.power();
            if point.bound {
                bounded += moved.abs();
            } else {
                uncertainty = uncertainty.plus(&point.own.through(|e| moved * e));
            }
        }
        let figure = LevelDifference::from_db(db);
        if bounded > LITTLE {
            let why = "from some angles the force stands less than 3 dB above the noise";
            return Reading::AtLeast(figure, why.into());
        }
        let noise = 10.0 * (1.0 + bounded).log10();
        Reading::measured(figure, uncertainty.and(Origin::Noise, noise))
    }

    /// Distinct angles off the axis with the points there, rising: left and right
    /// are taken together.
    fn sides(&self) -> Result<Sides, String> {
        let mut sides = Sides::new();
        let mut order: Vec<usize> = (0..self.points.len()).collect();
        order.sort_by(|a, b| {
            let off = |i: usize| self.points[i].angle_deg.abs();
            off(*a).total_cmp(&off(*b))
        });
        for i in order {
            let off = self.points[i].angle_deg.abs();
            match sides.last_mut() {
                Some((last, points)) if off - *last < SAME_DEG => points.push(i),
                _ => sides.push((off, vec![i])),
            }
        }
        let ends = [0.0, 180.0].map(|end| self.at(end).is_some());
        if ends != [true, true] {
            return Err("angles from 0° to 180° are needed".into());
        }
        gap(sides.iter().map(|(off, _)| *off))?;
        Ok(sides)
    }

    /// Shares of the circle, unweighted; of half of it, where only one side has angles.
    fn arcs(&self) -> Result<Weights, String> {
        let sides = self.sides()?;
        let both = self.both_sides();
        let mut weights = vec![0.0; self.points.len()];
        if both {
            let angles: Vec<f64> = self.points.iter().map(|p| p.angle_deg).collect();
            let round = angles.iter().copied().chain([angles[0] + 360.0]);
            gap(round)?;
            let count = angles.len();
            for (i, weight) in weights.iter_mut().enumerate() {
                let next = angles[(i + 1) % count] + if i + 1 == count { 360.0 } else { 0.0 };
                let before = angles[(i + count - 1) % count] - if i == 0 { 360.0 } else { 0.0 };
                *weight = (next - before) / 720.0;
            }
            return Ok(weights);
        }
        for (k, (off, points)) in sides.iter().enumerate() {
            let before = if k == 0 { *off } else { sides[k - 1].0 };
            let next = sides.get(k + 1).map_or(*off, |s| s.0);
            for i in points {
                weights[*i] = (next - before) / 360.0 / points.len() as f64;
            }
        }
        Ok(weights)
    }

    /// Whether there are angles on either side of the axis.
    pub(super) fn both_sides(&self) -> bool {
        let inside = |a: f64| (SAME_DEG..180.0 - SAME_DEG).contains(&a);
        let some = |sign: f64| self.points.iter().any(|p| inside(sign * p.angle_deg));
        some(1.0) && some(-1.0)
    }

    /// Shares of the sphere from one angle off the axis to another, in radians, the
    /// power between the angles a straight line, or bent as its second differences say:
    /// ∫ ½ p″ (θ − a)(θ − b), p″ the mean of both ends. The pattern is even about
    /// both ends of the axis.
    fn between(&self, sides: &Sides, from: f64, to: f64, bend: bool) -> Weights {
        let angles: Vec<f64> = sides.iter().map(|(off, _)| off.to_radians()).collect();
        let last = angles.len() - 1;
        let mut weights = vec![0.0; angles.len()];
        for k in 0..last {
            let (a, b) = (angles[k], angles[k + 1]);
            weights[k] -= ramp(b, a, from, to);
            weights[k + 1] += ramp(a, b, from, to);
            let (start, end) = (a.clamp(from, to), b.clamp(from, to));
            let area = |x: f64| x * x * x / 3.0 - (a + b) * x * x / 2.0 + a * b * x;
            let bent = 0.25 * (area(end) - area(start)) * (0.5 * (start + end)).sin();
            for node in [k, k + 1].into_iter().filter(|_| bend) {
                let here = angles[node];
                let [before, next] = [node.saturating_sub(1), (node + 1).min(last)];
                // Beyond an end the pattern comes back as it went.
                let (before, next) = match node {
                    0 => (1, 1),
                    n if n == last => (last - 1, last - 1),
                    _ => (before, next),
                };
                let [left, right] = [before, next].map(|n| (angles[n] - here).abs());
                for (n, step) in [(before, left), (next, right)] {
                    let second = 2.0 / (step * (left + right));
                    weights[n] += 0.5 * bent * second;
                    weights[node] -= 0.5 * bent * second;
                }
            }
        }
        self.spread(sides, |k| weights[k])
    }

    /// The weight of each angle off the axis, shared by the points there.
    fn spread(&self, sides: &Sides, weight: impl Fn(usize) -> f64) -> Weights {
        let mut weights = vec![0.0; self.points.len()];
        for (k, (_, points)) in sides.iter().enumerate() {
            for i in points {
                weights[*i] = weight(k) / points.len() as f64;
            }
        }
        weights
    }
}

/// Share of the sphere in the zone about angle `k`, half way to its neighbours.
fn zone(sides: &Sides, k: usize) -> f64 {
    let middle = |a: usize, b: usize| (0.5 * (sides[a].0 + sides[b].0)).to_radians();
    let start = if k == 0 { 0.0 } else { middle(k - 1, k) };
    let last = k + 1 == sides.len();
    let end = if last { PI } else { middle(k, k + 1) };
    0.5 * (start.cos() - end.cos())
}

/// ½ ∫ of a ramp from 0 at `zero` to 1 at `one` times sin θ, between both and
/// within `from` … `to`; negative where `one` comes first.
fn ramp(zero: f64, one: f64, from: f64, to: f64) -> f64 {
    let primitive = |x: f64| (x.sin() - (x - zero) * x.cos()) / (one - zero);
    let (start, end) = (zero.clamp(from, to), one.clamp(from, to));
    0.5 * (primitive(end) - primitive(start))
}

/// Refuses angles that lie too far apart.
fn gap(angles: impl Iterator<Item = f64>) -> Result<(), String> {
    let angles: Vec<f64> = angles.collect();
    let wide = angles
        .windows(2)
        .find(|pair| pair[1] - pair[0] > WIDEST_DEG);
    match wide {
        None => Ok(()),
        Some(pair) => Err(format!(
            "no capture between {:.0}° and {:.0}°",
            pair[0], pair[1]
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(angles: impl Iterator<Item = f64>, a: f64) -> Ring {
        let point = |angle_deg: f64| Point {
            angle_deg,
            db: 20.0
                * (a + (1.0 - a) * angle_deg.to_radians().cos())
                    .abs()
                    .max(1e-4)
                    .log10(),
            own: Uncertainty::of(Origin::Statistics, 0.1),
            bound: false,
        };
        Ring {
            points: angles.map(point).collect(),
        }
    }

    #[test]
    fn the_same_from_everywhere_has_no_directivity() {
        let ring = ring((0..24).map(|i| f64::from(i) * 15.0 - 165.0), 1.0);
        for reading in [
            ring.planar_index(),
            ring.directivity_index(),
            ring.front_to_rear_half(),
        ] {
            assert!(reading.figure().unwrap().db().abs() < 1e-9, "{reading:?}");
        }
    }

    /// −10 lg of (a² + (1 − a)²/3), and a² ± a(1 − a) + (1 − a)²/3: integrals.
    #[test]
    fn space_and_its_halves_are_those_of_the_integrals() {
        for a in [0.7, 0.5, 0.366, 0.25f64] {
            let b = 1.0 - a;
            let ring = ring((-11..=12).map(|i| f64::from(i) * 15.0), a);
            let index = ring.directivity_index().figure().unwrap().db();
            assert!((index + 10.0 * (a * a + b * b / 3.0).log10()).abs() < 0.03);
            let half = |sign: f64| a * a + sign * a * b + b * b / 3.0;
            let halves = ring.front_to_rear_half().figure().unwrap().db();
            let expected = 10.0 * (half(1.0) / half(-1.0)).log10();
            assert!((halves - expected).abs() < 0.03, "{halves} {expected}");
        }
    }

    /// However coarse the angles, the interval holds the integral.
    #[test]
    fn the_index_says_how_coarse_its_angles_are() {
        for step in [15, 30, 45] {
            for a in [0.7, 0.5, 0.366, 0.25, 0.0f64] {
                let mut ring = ring((0..=180 / step).map(|i| f64::from(i * step)), a);
                for point in &mut ring.points {
                    point.own = Uncertainty::EXACT;
                }
                let Reading::Measured(index, budget) = ring.directivity_index() else {
                    unreachable!()
                };
                let b = 1.0 - a;
                let error = (index.db() + 10.0 * (a * a + b * b / 3.0).log10()).abs();
                let stated = budget.expanded().unwrap();
                assert!(
                    (error..2.5 * error).contains(&stated),
                    "{step}° {a}: {error} {stated}"
                );
            }
        }
    }

    #[test]
    fn a_gap_and_a_missing_front_are_said() {
        let wide = ring([0.0, 45.0, 100.0, 180.0].into_iter(), 0.5);
        assert!(
            matches!(wide.directivity_index(), Reading::NotMeasured(why) if why.contains("45° and 100°"))
        );
        let behind = ring((6..=12).map(|i| f64::from(i) * 15.0), 0.5);
        assert!(behind.directivity_index().figure().is_none());
        assert!(behind.relative(&behind.points[0]).figure().is_none());
    }
}
