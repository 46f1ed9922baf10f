//! Straight lines that meet: the fewest, of one, two or three, that describe points.
//!
//! For every pair of bends of a grid, the ordinates of the lines by least squares on
//! 1, x and the parts of x beyond each bend; the best grid point is refined by halving
//! the grid around it.
//!
//! *Source.* Piecewise linear regression and the standard error of a fitted line:
//! textbook least squares. The error of a bend is that of the height difference of
//! both lines there over the difference of their slopes.

use super::least_squares::inverse;

/// Points that a line must hold.
const POINTS: usize = 2;
/// Steps of the first grid between two neighbouring points.
const GRID: usize = 8;
/// Halvings of the grid.
const HALVINGS: usize = 12;

/// Lines that meet.
#[derive(Debug, Clone, PartialEq)]
pub struct BentLine {
    /// From left to right.
    pub parts: Vec<Part>,
    /// Where they meet; one less than the parts.
    pub bends: Vec<Bend>,
    /// How far the worst point lies off.
    pub off: f64,
}

/// One of the lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Slope, y per x.
    pub slope: f64,
    /// Error of the slope per error of a point.
    pub slope_error: f64,
}

/// Where two lines meet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// The x.
    pub at: f64,
    /// Error of it per error of a point.
    pub error: f64,
}

/// The fewest lines that leave no point of `xy`, rising in x, off by more than
/// `most_off`; none, where three do not suffice or a line would hold fewer than two
/// points.
pub fn bent_line(xy: &[[f64; 2]], most_off: f64) -> Option<BentLine> {
    (0..3).find_map(|bends| {
        let fitted = best(xy, bends)?;
        (fitted.off <= most_off).then(|| described(xy, &fitted))
    })
}

/// Bends and the ordinate coefficients for them.
#[derive(Debug, Clone)]
struct Fit {
    bends: Vec<f64>,
    coefficients: [f64; 4],
    squares: f64,
    off: f64,
}

fn best(xy: &[[f64; 2]], bends: usize) -> Option<Fit> {
    if xy.len() < POINTS * (bends + 1) {
        return None;
    }
    let first = &xy[POINTS - 1..=xy.len() - POINTS];
    let ends = [first.first()?[0], first.last()?[0]];
    let mut step = (ends[1] - ends[0]) / (GRID * first.len()) as f64;
    let least = |fits: Vec<Fit>| {
        fits.into_iter()
            .min_by(|a, b| a.squares.total_cmp(&b.squares))
    };
    let count = GRID * first.len();
    let grid: Vec<f64> = (0..=count).map(|n| ends[0] + step * n as f64).collect();
    let mut found = least(
        candidates(bends, &grid, &grid)
            .filter_map(|b| fit(xy, b))
            .collect(),
    )?;
    if bends == 0 {
        return Some(found);
    }
    for _ in 0..HALVINGS {
        step *= 0.5;
        let around = |at: f64| [-2.0, -1.0, 0.0, 1.0, 2.0].map(|n| at + n * step);
        let near: Vec<Vec<f64>> = found.bends.iter().map(|at| around(*at).to_vec()).collect();
        let second = near.get(1).cloned().unwrap_or_default();
        let fits = candidates(bends, &near[0], &second).filter_map(|b| fit(xy, b));
        found = least(fits.chain([found.clone()]).collect())?;
    }
    Some(found)
}

fn candidates<'a>(
    bends: usize,
    first: &'a [f64],
    second: &'a [f64],
) -> Box<dyn Iterator<Item = Vec<f64>> + 'a> {
    match bends {
        0 => Box::new(std::iter::once(Vec::new())),
        1 => Box::new(first.iter().map(|a| vec![*a])),
        _ => Box::new(
            first
                .iter()
                .flat_map(|a| second.iter().map(|b| vec![*a, *b])),
        ),
    }
}

/// The bends with the ends of the axis around them: neighbours enclose a line.
fn edges(bends: &[f64]) -> Vec<f64> {
    let inner = bends.iter().copied();
    [f64::NEG_INFINITY]
        .into_iter()
        .chain(inner)
        .chain([f64::INFINITY])
        .collect()
}

/// Least squares for given bends; none where a line holds too few points.
fn fit(xy: &[[f64; 2]], bends: Vec<f64>) -> Option<Fit> {
    let edges = edges(&bends);
    let held = |edges: &[f64]| {
        xy.iter()
            .filter(|p| edges[0] <= p[0] && p[0] <= edges[1])
            .count()
    };
    if !edges
        .windows(2)
        .all(|edges| edges[0] < edges[1] && held(edges) >= POINTS)
    {
        return None;
    }
    let beyond = |x: f64, n: usize| bends.get(n).map_or(0.0, |at| (x - at).max(0.0));
    let row = |x: f64| [1.0, x, beyond(x, 0), beyond(x, 1)];
    let rows: Vec<[f64; 4]> = xy.iter().map(|p| row(p[0])).collect();
    let inverse = inverse(&rows, bends.len() + 2)?;
    let right = [0, 1, 2, 3].map(|i| xy.iter().zip(&rows).map(|(p, r)| p[1] * r[i]).sum::<f64>());
    let coefficients = inverse.map(|line| line.iter().zip(right).map(|(a, b)| a * b).sum::<f64>());
    let off = |p: &[f64; 2]| {
        let told = row(p[0]).into_iter().zip(coefficients).map(|(a, b)| a * b);
        p[1] - told.sum::<f64>()
    };
    Some(Fit {
        squares: xy.iter().map(|p| off(p).powi(2)).sum(),
        off: xy.iter().map(|p| off(p).abs()).fold(0.0, f64::max),
        bends,
        coefficients,
    })
}

fn described(xy: &[[f64; 2]], fitted: &Fit) -> BentLine {
    let edges = edges(&fitted.bends);
    let mut slope = 0.0;
    let parts: Vec<(Part, Spread)> = edges
        .windows(2)
        .zip(&fitted.coefficients[1..])
        .map(|(edges, more)| {
            slope += more;
            let spread = Spread::of(xy, edges);
            let part = Part {
                slope,
                slope_error: spread.squares.sqrt().recip(),
            };
            (part, spread)
        })
        .collect();
    let bends = fitted.bends.iter().zip(parts.windows(2)).map(|(at, pair)| {
        let height = pair.iter().map(|(_, spread)| spread.error_at(*at).powi(2));
        Bend {
            at: *at,
            error: height.sum::<f64>().sqrt() / (pair[1].0.slope - pair[0].0.slope).abs(),
        }
    });
    BentLine {
        bends: bends.collect(),
        off: fitted.off,
        parts: parts.into_iter().map(|(part, _)| part).collect(),
    }
}

/// How the x of a line's points spread.
struct Spread {
    count: f64,
    mean: f64,
    squares: f64,
}

impl Spread {
    fn of(xy: &[[f64; 2]], edges: &[f64]) -> Self {
        let inside = || {
            xy.iter()
                .map(|p| p[0])
                .filter(|x| edges[0] <= *x && *x <= edges[1])
        };
        let count = inside().count() as f64;
        let mean = inside().sum::<f64>() / count;
        Self {
            count,
            mean,
            squares: inside().map(|x| (x - mean).powi(2)).sum(),
        }
    }

    /// Error of the line at `x` per error of a point.
    fn error_at(&self, x: f64) -> f64 {
        (self.count.recip() + (x - self.mean).powi(2) / self.squares).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn points(of: impl Fn(f64) -> f64) -> Vec<[f64; 2]> {
        (0..9)
            .map(|n| 50.0 + 5.0 * f64::from(n))
            .map(|x| [x, of(x)])
            .collect()
    }

    #[test]
    fn one_two_and_three_lines_are_told_apart() {
        let one = bent_line(&points(|x| 3.0 + 0.5 * x), 0.3).unwrap();
        assert!(one.bends.is_empty());
        assert_abs_diff_eq!(one.parts[0].slope, 0.5, epsilon = 1e-9);
        // Ratio 2 above 62 dB.
        let compressed = |x: f64| 30.0 + x - 0.5 * (x - 62.0).max(0.0);
        let two = bent_line(&points(compressed), 0.3).unwrap();
        assert_abs_diff_eq!(two.bends[0].at, 62.0, epsilon = 0.01);
        assert_abs_diff_eq!(two.parts[0].slope, 1.0, epsilon = 1e-3);
        assert_abs_diff_eq!(two.parts[1].slope, 0.5, epsilon = 1e-3);
        // And a limit from 78 dB.
        let limited = |x: f64| compressed(x).min(compressed(78.0));
        let three = bent_line(&points(limited), 0.3).unwrap();
        assert_abs_diff_eq!(three.bends[0].at, 62.0, epsilon = 0.05);
        assert_abs_diff_eq!(three.bends[1].at, 78.0, epsilon = 0.05);
        assert_abs_diff_eq!(three.parts[2].slope, 0.0, epsilon = 1e-2);
    }

    #[test]
    fn what_lines_do_not_describe_has_none() {
        assert!(bent_line(&points(|x| 0.02 * (x - 50.0).powi(2)), 0.3).is_none());
        assert!(bent_line(&[[50.0, 1.0]], 0.3).is_none());
    }

    #[test]
    fn errors_of_slope_and_bend_are_those_of_repeated_fits() {
        // Uniform errors of a point from −0.1 to 0.1, standard deviation 0.0577: the
        // spread of what is fitted against what is foretold.
        let mut state = 12_345_u64;
        let mut random = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 11) as f64 / (1u64 << 53) as f64 * 0.2 - 0.1
        };
        let (mut bends, mut slopes, mut foretold) = (Vec::new(), Vec::new(), [0.0; 2]);
        for _ in 0..400 {
            let mut xy = points(|x| x - 0.5 * (x - 62.0).max(0.0));
            xy.iter_mut().for_each(|p| p[1] += random());
            let Some(found) = bent_line(&xy, 0.3).filter(|f| f.bends.len() == 1) else {
                continue;
            };
            bends.push(found.bends[0].at);
            slopes.push(found.parts[1].slope);
            foretold = [found.bends[0].error, found.parts[1].slope_error];
        }
        assert!(bends.len() > 390, "{}", bends.len());
        let spread = |values: &[f64]| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            (squares / values.len() as f64).sqrt()
        };
        let sigma = 0.1 / 3f64.sqrt();
        for (values, error) in [(&bends, foretold[0]), (&slopes, foretold[1])] {
            let ratio = spread(values) / (sigma * error);
            assert!((0.7..1.3).contains(&ratio), "{ratio}");
        }
    }
}
