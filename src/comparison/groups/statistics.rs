//! The arithmetic of groups: variance components, t intervals and tests, Holm.
//!
//! *Source.* ISO 5725-2, 7.4 (within and between), and its nested form in ISO 5725-3;
//! Student 1908; Welch 1947 with Satterthwaite's degrees of freedom; Holm 1979,
//! Scandinavian Journal of Statistics 6, 65–70; all from memory, and held against
//! SciPy and statsmodels by `tests/reference/group_statistics.rs`.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::beta::checked_beta_reg;

/// Probability of the intervals.
pub const CONFIDENCE: f64 = 0.95;

/// Mean of some figures; `None` of nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sum of the squared deviations from the mean.
fn squares(values: &[f64]) -> f64 {
    let centre = mean(values).unwrap_or(0.0);
    values.iter().map(|x| (x - centre).powi(2)).sum()
}

/// Standard deviation; `None` of fewer than two figures.
pub fn deviation(values: &[f64]) -> Option<f64> {
    (values.len() > 1).then(|| (squares(values) / (values.len() - 1) as f64).sqrt())
}

/// Variances of repeats, of conditions within a device and of devices. Each is `None`
/// where the design has nothing to tell it from, and 0 where its estimate is negative.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Components {
    /// Within a device and condition: s_r².
    pub repeat: Option<f64>,
    /// Between conditions of one device: s_L².
    pub condition: Option<f64>,
    /// Between devices.
    pub device: Option<f64>,
}

/// The components of `devices`, each a list of conditions, each a list of repeats: mean
/// squares set equal to their expectations, cells of unequal size as they are.
pub fn components(devices: &[Vec<Vec<f64>>]) -> Components {
    let cells: Vec<&Vec<f64>> = devices.iter().flatten().collect();
    let whole: Vec<Vec<f64>> = devices.iter().map(|device| device.concat()).collect();
    let all = whole.concat();
    let size = |values: &[f64]| values.len() as f64;
    let square = |values: &[f64]| size(values).powi(2);
    let per = |sum: f64, degrees: usize| (degrees > 0).then(|| sum / degrees as f64);
    let (of_device, of_condition, of_repeat) = (
        devices.len().saturating_sub(1),
        cells.len() - devices.len(),
        all.len() - cells.len(),
    );
    let within: f64 = cells.iter().map(|cell| squares(cell)).sum();
    let devices_within: f64 = whole.iter().map(|device| squares(device)).sum();
    let repeat = per(within, of_repeat);
    // Squared cell sizes over the size of the whole that they are part of.
    let nested: f64 = devices
        .iter()
        .zip(&whole)
        .map(|(device, whole)| device.iter().map(|c| square(c)).sum::<f64>() / size(whole))
        .sum();
    let condition = per(devices_within - within, of_condition).and_then(|found| {
        let weight = (size(&all) - nested) / of_condition as f64;
        Some(((found - repeat?) / weight).max(0.0))
    });
    let device = per(squares(&all) - devices_within, of_device).and_then(|found| {
        let over_all = |sum: f64| sum / size(&all);
        let of_cells = nested - over_all(cells.iter().map(|c| square(c)).sum());
        let of_devices = size(&all) - over_all(whole.iter().map(|d| square(d)).sum());
        let [of_cells, of_devices] = [of_cells, of_devices].map(|k| k / of_device as f64);
        let below = repeat? + of_cells * condition.unwrap_or(0.0);
        Some(((found - below) / of_devices).max(0.0))
    });
    Components {
        repeat,
        condition,
        device,
    }
}

/// A mean or a difference of means with its t interval and its test against zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Figure over standard deviation: of the differences where paired, else the pooled
    /// one of both groups (Cohen's d).
    pub effect_size: f64,
}

impl Estimate {
    /// Of the mean of `values`, for pairs their differences; `None` of fewer than two, or
    /// where nothing scatters.
    pub fn of_mean(values: &[f64]) -> Option<Self> {
        let (value, deviation) = (mean(values)?, deviation(values).filter(|s| *s > 0.0)?);
        Some(Self {
            value,
            standard_error: deviation / (values.len() as f64).sqrt(),
            degrees_of_freedom: values.len() as f64 - 1.0,
            effect_size: value / deviation,
        })
    }

    /// Of the mean of `first` minus that of `second`, their variances being unequal
    /// (Welch); `None` of fewer than two each, or where nothing scatters.
    pub fn of_difference(first: &[f64], second: &[f64]) -> Option<Self> {
        let value = mean(first)? - mean(second)?;
        let [a, b] = [first, second].map(|values| Some(deviation(values)?.powi(2)));
        let (a, b) = (a?, b?);
        let [n, m] = [first.len() as f64, second.len() as f64];
        let (part_a, part_b) = (a / n, b / m);
        let variance = part_a + part_b;
        let pooled = ((n - 1.0) * a + (m - 1.0) * b) / (n + m - 2.0);
        (variance > 0.0).then(|| Self {
            value,
            standard_error: variance.sqrt(),
            degrees_of_freedom: variance.powi(2)
                / (part_a.powi(2) / (n - 1.0) + part_b.powi(2) / (m - 1.0)),
            effect_size: value / pooled.sqrt(),
        })
    }

    /// The figure over its standard error.
    pub fn t(&self) -> f64 {
        self.value / self.standard_error
    }

    /// The interval that covers the true figure with probability [`CONFIDENCE`].
    pub fn interval(&self) -> Option<(f64, f64)> {
        let student = StudentsT::new(0.0, 1.0, self.degrees_of_freedom).ok()?;
        let reach = student.inverse_cdf(0.5 + 0.5 * CONFIDENCE) * self.standard_error;
        Some((self.value - reach, self.value + reach))
    }

    /// Probability of a |t| as large or larger if the true figure is zero: the
    /// regularised incomplete beta function I(ν/2, 1/2) at ν/(ν + t²), which keeps its
    /// digits where one minus the distribution would lose them.
    pub fn p(&self) -> Option<f64> {
        let degrees = self.degrees_of_freedom;
        let at = degrees / (degrees + self.t().powi(2));
        checked_beta_reg(0.5 * degrees, 0.5, at).ok()
    }
}

/// The probabilities of a family, each made larger so that one below a level wrongly
/// stands there with at most that probability in the whole family (Holm).
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![0.0; p.len()];
    let mut largest = 0.0f64;
    for (rank, index) in order.into_iter().enumerate() {
        largest = largest.max((p.len() - rank) as f64 * p[index]).min(1.0);
        adjusted[index] = largest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Holm 1979: the smallest counts times all, the next times all but one, and none
    /// falls below the one before.
    #[test]
    fn holm_steps_down_and_never_back() {
        let adjusted = holm(&[0.04, 0.01, 0.03, 0.9]);
        for (found, expected) in adjusted.iter().zip([0.09, 0.04, 0.09, 0.9]) {
            assert!((found - expected).abs() < 1e-12, "{adjusted:?}");
        }
        assert!(holm(&[]).is_empty());
    }

    #[test]
    fn what_the_design_cannot_tell_is_not_told() {
        let one_each = components(&[vec![vec![1.0]], vec![vec![2.0]]]);
        assert_eq!(one_each, Components::default());
        let alone = components(&[vec![vec![1.0, 2.0]]]);
        assert_eq!(
            (alone.repeat, alone.condition, alone.device),
            (Some(0.5), None, None)
        );
        assert_eq!(components(&[]), Components::default());
        assert_eq!(Estimate::of_mean(&[3.0, 3.0]), None);
        assert_eq!(Estimate::of_difference(&[3.0], &[3.0, 4.0]), None);
    }
}
