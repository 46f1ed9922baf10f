//! A signal over a few milliseconds of lag, fitted to a spectrum known in a part
//! of the band with known errors.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// One bin of the spectrum: frequency in Hz, value, variance of the value.
#[derive(Debug, Clone, Copy)]
pub struct Bin {
    pub frequency_hz: f64,
    pub value: Complex64,
    pub variance: f64,
}

/// The fitted signal.
pub struct Fit {
    from_s: f64,
    step_s: f64,
    /// Values at the lags.
    pub signal: Vec<f64>,
    factor: Factor,
    /// Mean squared misfit over the variance of the bins; about 1 where the
    /// signal explains the spectrum.
    pub misfit: f64,
}

impl Fit {
    /// Fits a signal at the lags `from_s`, `from_s + step_s` …, one for each of
    /// `spreads`, the standard deviations expected before the data: where the
    /// data say nothing the signal stays within them. `None` where the equations
    /// have no solution.
    pub fn new(bins: &[Bin], from_s: f64, step_s: f64, spreads: &[f64]) -> Option<Self> {
        let count = spreads.len();
        let mut diagonals = vec![0.0; count];
        let mut right = vec![0.0; count];
        for bin in bins {
            // Real and imaginary part have half the variance each.
            let weight = 2.0 / bin.variance;
            let turn = Complex64::from_polar(1.0, TAU * bin.frequency_hz * step_s);
            let mut lag = Complex64::new(weight, 0.0);
            let mut value =
                bin.value * weight * Complex64::from_polar(1.0, TAU * bin.frequency_hz * from_s);
            for (diagonal, right) in diagonals.iter_mut().zip(&mut right) {
                *diagonal += lag.re;
                *right += value.re;
                lag *= turn;
                value *= turn;
            }
        }
        let factor = Factor::new(count, |row, column| {
            let prior = if row == column {
                spreads[row].powi(-2)
            } else {
                0.0
            };
            diagonals[row - column] + prior
        })?;
        let mut fit = Self {
            from_s,
            step_s,
            signal: factor.solve(&right),
            factor,
            misfit: 0.0,
        };
        let misfit = |bin: &Bin| {
            (fit.spectrum(bin.frequency_hz, 0..count) - bin.value).norm_sqr() / bin.variance
        };
        fit.misfit = bins.iter().map(misfit).sum::<f64>() / bins.len() as f64;
        Some(fit)
    }

    /// Spectrum at a frequency of the part of the signal at the lags `part`.
    pub fn spectrum(&self, frequency_hz: f64, part: std::ops::Range<usize>) -> Complex64 {
        let first = self.turn(frequency_hz, part.start);
        let turn = Complex64::from_polar(1.0, -TAU * frequency_hz * self.step_s);
        let mut sum = Complex64::ZERO;
        let mut phase = first;
        for value in &self.signal[part] {
            sum += phase * *value;
            phase *= turn;
        }
        sum
    }

    /// Phasor of one lag at a frequency.
    pub fn turn(&self, frequency_hz: f64, lag: usize) -> Complex64 {
        let lag_s = self.from_s + lag as f64 * self.step_s;
        Complex64::from_polar(1.0, -TAU * frequency_hz * lag_s)
    }

    /// Variance of a linear form of the signal, from the errors of the bins.
    pub fn variance(&self, form: &[f64]) -> f64 {
        self.factor.form(form)
    }
}

/// The Cholesky factor of a symmetric matrix, rows of the lower triangle.
struct Factor {
    rows: Vec<Vec<f64>>,
}

impl Factor {
    fn new(count: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Self> {
        let mut rows: Vec<Vec<f64>> = Vec::with_capacity(count);
        for row in 0..count {
            let mut new: Vec<f64> = Vec::with_capacity(row + 1);
            for (column, above) in rows.iter().enumerate() {
                let product: f64 = new.iter().zip(above).map(|(a, b)| a * b).sum();
                new.push((entry(row, column) - product) / above[column]);
            }
            let rest = entry(row, row) - new.iter().map(|x| x * x).sum::<f64>();
            new.push((rest > 0.0).then(|| rest.sqrt())?);
            rows.push(new);
        }
        Some(Self { rows })
    }

    /// Solves L z = right.
    fn forward(&self, right: &[f64]) -> Vec<f64> {
        let mut z: Vec<f64> = Vec::with_capacity(right.len());
        for (row, right) in self.rows.iter().zip(right) {
            let known: f64 = row.iter().zip(&z).map(|(a, b)| a * b).sum();
            z.push((right - known) / row[z.len()]);
        }
        z
    }

    /// Solves L Lᵀ x = right.
    fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = self.forward(right);
        for index in (0..x.len()).rev() {
            x[index] /= self.rows[index][index];
            let solved = x[index];
            for (above, entry) in x[..index].iter_mut().zip(&self.rows[index]) {
                *above -= entry * solved;
            }
        }
        x
    }

    /// xᵀ (L Lᵀ)⁻¹ x.
    fn form(&self, x: &[f64]) -> f64 {
        self.forward(x).iter().map(|z| z * z).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn two_pulses_are_found_from_a_part_of_the_band() {
        let pulses = |hz: f64| {
            let turn = |lag_s: f64| Complex64::from_polar(1.0, -TAU * hz * lag_s);
            turn(0.0) - turn(0.006) * 0.25
        };
        let bins: Vec<Bin> = (200..4000)
            .map(|n| f64::from(n) * 2.0)
            .map(|frequency_hz| Bin {
                frequency_hz,
                value: pulses(frequency_hz),
                variance: 1e-6,
            })
            .collect();
        let fit = Fit::new(&bins, -0.001, 5e-5, &[1.0; 200]).unwrap();
        for hz in [1000.0, 1234.5, 6000.0] {
            assert_abs_diff_eq!(fit.spectrum(hz, 0..100).re, 1.0, epsilon = 0.01);
            assert_abs_diff_eq!(fit.spectrum(hz, 100..200).norm(), 0.25, epsilon = 0.005);
        }
        assert!(fit.misfit < 0.1, "{}", fit.misfit);
    }
}
