//! How far the mean of a signal that varies at random may lie from the mean of
//! the process behind it, from how it varied.
//!
//! Long-run variance of the mean with Bartlett weights (Newey and West 1987;
//! Priestley, Spectral Analysis and Time Series, 1981, 7.1 for the degrees of
//! freedom 3N/2M; both from memory). What the mean takes away from each
//! covariance is given back by 1 − M/N. Few degrees of freedom widen the result
//! by Student's factor (JCGM 100:2008, G.3), so that k = 2 covers 95 % all the same.

/// Covariances are followed up to this lag, in seconds: syllables are
/// correlated, sentences are not.
const LAG_S: f64 = 1.0;

/// Student's t for 95.45 % (JCGM 100:2008, Table G.2, from memory; recomputed with SciPy).
const STUDENT: [(f64, f64); 12] = [
    (1.0, 13.97),
    (2.0, 4.53),
    (3.0, 3.31),
    (4.0, 2.87),
    (5.0, 2.65),
    (6.0, 2.52),
    (8.0, 2.37),
    (10.0, 2.28),
    (15.0, 2.18),
    (25.0, 2.11),
    (50.0, 2.05),
    (f64::INFINITY, 2.0),
];

/// Expanded uncertainty (k = 2) in dB of the level of a mean square, from its
/// relative deviations from the mean over equal steps of `step_s`. `None` where
/// fewer than two steps tell nothing.
pub fn expanded_db(deviations: &[f64], step_s: f64) -> Option<f64> {
    Some(10.0 / std::f64::consts::LN_10 * expanded(deviations, step_s)?)
}

/// Expanded uncertainty (k = 2) of a mean, from the deviations from it over equal
/// steps of `step_s`, in their unit. `None` as above.
pub fn expanded(deviations: &[f64], step_s: f64) -> Option<f64> {
    let count = deviations.len();
    if count < 2 {
        return None;
    }
    // An eighth of the signal at most: beyond it covariances are chance.
    let lags = ((LAG_S / step_s) as usize).min(count / 8);
    let window = (lags + 1) as f64;
    let covariance = |lag: usize| {
        let pairs = deviations.iter().zip(&deviations[lag..]);
        pairs.map(|(a, b)| a * b).sum::<f64>() / count as f64
    };
    let weighted = |lag: usize| 2.0 * (1.0 - lag as f64 / window) * covariance(lag);
    let long_run = covariance(0) + (1..=lags).map(weighted).sum::<f64>();
    let unbiased = long_run.max(0.0) / (1.0 - window / count as f64);
    let standard = (unbiased / count as f64).sqrt();
    let freedom = (1.5 * count as f64 / window).min((count - 1) as f64);
    Some(student(freedom) * standard)
}

/// Student's t, linear over the reciprocal of the degrees of freedom.
pub fn student(freedom: f64) -> f64 {
    let above = STUDENT.partition_point(|(known, _)| *known <= freedom);
    let [(n0, t0), (n1, t1)] = [
        STUDENT[above.max(1) - 1],
        STUDENT[above.min(STUDENT.len() - 1)],
    ];
    if n0 == n1 {
        return t0;
    }
    t0 + (t1 - t0) * (1.0 / n0 - 1.0 / freedom) / (1.0 / n0 - 1.0 / n1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn students_factor_is_the_tables() {
        assert_eq!(student(4.0), 2.87);
        assert_eq!(student(0.5), 13.97);
        assert_eq!(student(f64::INFINITY), 2.0);
        // JCGM 100:2008, Table G.2, between the rows kept here (from memory).
        for (freedom, expected) in [(7.0, 2.43), (9.0, 2.32), (20.0, 2.13), (100.0, 2.025)] {
            let found = student(freedom);
            assert!((found - expected).abs() < 0.015, "{freedom}: {found}");
        }
    }

    #[test]
    fn what_does_not_vary_is_certain_and_one_step_tells_nothing() {
        assert_eq!(expanded_db(&[0.0; 40], 0.0625), Some(0.0));
        assert_eq!(expanded_db(&[0.0], 0.0625), None);
        assert!(expanded_db(&[0.1, -0.1], 0.0625).unwrap() > 1.0);
    }
}
