//! The band filters: Butterworth band-passes of order 4, as four second-order
//! sections each, for one to three bands of two channels at a time.
//!
//! Design: analogue Butterworth prototype, band-pass transform, bilinear
//! transform with both edges pre-warped. A plain design with −3.01 dB at the
//! band edges reads broadband noise 0.11 dB high, because its skirts let more
//! through than its corners keep out: 10 lg(x / sin x), x = π/2N (textbook). So
//! the design edges are drawn in until the effective bandwidth of IEC
//! 61260-1:2014 (5.12) is that of the ideal band; at the band edges the filter
//! then stands 3.5 dB down, which class 1 allows.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use crate::quantity::Band;

/// Second-order sections of one band; also the order of the prototype.
pub const SECTIONS: usize = 4;

/// Numerator g·(1 − z⁻²), denominator 1 + a₁z⁻¹ + a₂z⁻².
#[derive(Debug, Clone, Copy, Default)]
pub struct Section {
    g: f64,
    a1: f64,
    a2: f64,
}

/// The filter of one band at one sampling rate.
#[derive(Debug, Clone)]
pub struct BandFilter {
    sections: [Section; SECTIONS],
    rate_hz: f64,
}

impl BandFilter {
    /// Designs the filter of `band` at `rate_hz`.
    pub fn new(band: Band, rate_hz: f64) -> Self {
        // Secant on the factor that draws the edges in; the start is exact far
        // below the sampling rate.
        let x = PI / (2.0 * SECTIONS as f64);
        let ideal = 0.1 * std::f64::consts::LN_10;
        let miss = |factor: f64| {
            let filter = Self::with_edges(band, rate_hz, factor);
            (filter.effective_bandwidth(band) / ideal).ln()
        };
        let (mut f0, mut f1) = (x.sin() / x, 0.99 * x.sin() / x);
        let (mut m0, mut m1) = (miss(f0), miss(f1));
        for _ in 0..6 {
            if m1.abs() < 1e-7 || m1 == m0 {
                break;
            }
            let next = f1 - m1 * (f1 - f0) / (m1 - m0);
            (f0, m0) = (f1, m1);
            (f1, m1) = (next, miss(next));
        }
        Self::with_edges(band, rate_hz, f1)
    }

    /// The filter whose −3.01 dB points are the band edges, drawn towards the
    /// midband frequency by `factor` on the logarithmic frequency axis.
    fn with_edges(band: Band, rate_hz: f64, factor: f64) -> Self {
        let half = 10f64.powf(0.05 * factor);
        let warp = |hz: f64| 2.0 * rate_hz * (PI * hz / rate_hz).tan();
        let (lower, upper) = (warp(band.exact_hz() / half), warp(band.exact_hz() * half));
        let (width, centre_squared) = (upper - lower, lower * upper);
        let z = Complex64::cis(-2.0 * PI * band.exact_hz() / rate_hz);
        let mut sections = [Section::default(); SECTIONS];
        for pair in 0..SECTIONS / 2 {
            // A prototype pole p in the upper half plane gives the two poles of
            // s² − p·width·s + centre² = 0.
            let angle = PI / 2.0 + PI * (2 * pair + 1) as f64 / (2 * SECTIONS) as f64;
            let half_sum = Complex64::cis(angle) * (width / 2.0);
            let root = (half_sum * half_sum - centre_squared).sqrt();
            for (which, pole) in [half_sum + root, half_sum - root].into_iter().enumerate() {
                let pole = (2.0 * rate_hz + pole) / (2.0 * rate_hz - pole);
                let mut section = Section {
                    g: 1.0,
                    a1: -2.0 * pole.re,
                    a2: pole.norm_sqr(),
                };
                section.g = 1.0 / section.response(z).norm();
                sections[2 * pair + which] = section;
            }
        }
        Self { sections, rate_hz }
    }

    /// Complex response at `frequency_hz`.
    pub fn response(&self, frequency_hz: f64) -> Complex64 {
        let z = Complex64::cis(-2.0 * PI * frequency_hz / self.rate_hz);
        self.sections.iter().map(|s| s.response(z)).product()
    }

    /// Effective bandwidth on a logarithmic frequency axis (IEC 61260-1:2014,
    /// 5.12); ln(10)/10 = 0.230259 for an ideal third octave. Trapezoids of a
    /// 48th of the bandwidth, four bandwidths to either side.
    fn effective_bandwidth(&self, band: Band) -> f64 {
        let step = 0.1 * std::f64::consts::LN_10 / 48.0;
        (-200..=200)
            .map(|i| band.exact_hz() * (f64::from(i) * step).exp())
            .take_while(|hz| *hz < self.rate_hz / 2.0)
            .map(|hz| self.response(hz).norm_sqr() * step)
            .sum()
    }

    /// Group delay at the midband frequency, in seconds.
    pub fn delay_s(&self, band: Band) -> f64 {
        let step_hz = 1e-4 * band.exact_hz();
        let turn =
            self.response(band.exact_hz() + step_hz) / self.response(band.exact_hz() - step_hz);
        -turn.arg() / (2.0 * PI * 2.0 * step_hz)
    }

    /// Time in which the slowest natural oscillation dies away by 80 dB.
    pub fn settling_s(&self) -> f64 {
        let slowest = self.sections.iter().map(|s| s.a2).fold(0.0, f64::max);
        // A pole of radius r loses 20 lg r per sample; a2 = r².
        -80.0 / (10.0 * slowest.log10()) / self.rate_hz
    }
}

impl Section {
    /// Response at z⁻¹ = `z`.
    fn response(&self, z: Complex64) -> Complex64 {
        let z2 = z * z;
        self.g * (1.0 - z2) / (1.0 + self.a1 * z + self.a2 * z2)
    }
}

/// `L` lanes (bands × two channels, channel fastest) that advance together, so
/// that one lane's arithmetic hides another's latency.
#[derive(Debug, Clone)]
pub struct Lanes<const L: usize> {
    g: [[f64; L]; SECTIONS],
    a1: [[f64; L]; SECTIONS],
    a2: [[f64; L]; SECTIONS],
    z1: [[f64; L]; SECTIONS],
    z2: [[f64; L]; SECTIONS],
}

impl<const L: usize> Lanes<L> {
    /// Lanes for `L / 2` filters.
    pub fn new(filters: &[BandFilter]) -> Self {
        let pick = |of: fn(&Section) -> f64| {
            std::array::from_fn(|s| std::array::from_fn(|l| of(&filters[l / 2].sections[s])))
        };
        Self {
            g: pick(|s| s.g),
            a1: pick(|s| s.a1),
            a2: pick(|s| s.a2),
            z1: [[0.0; L]; SECTIONS],
            z2: [[0.0; L]; SECTIONS],
        }
    }

    /// Filters `frames` and adds the squares of what comes out to `totals`, lane
    /// by lane and in the order of time, so that how the signal is cut into
    /// blocks does not change a bit.
    #[inline]
    pub fn add_squares(&mut self, frames: &[[f64; 2]], totals: &mut [f64]) {
        let (g, a1, a2) = (self.g, self.a1, self.a2);
        let (mut z1, mut z2) = (self.z1, self.z2);
        let mut sums: [f64; L] = std::array::from_fn(|l| totals[l]);
        for frame in frames {
            let mut x: [f64; L] = std::array::from_fn(|l| frame[l % 2]);
            for s in 0..SECTIONS {
                for l in 0..L {
                    // Transposed direct form II; the middle numerator tap is 0.
                    let gx = g[s][l] * x[l];
                    let y = gx + z1[s][l];
                    z1[s][l] = z2[s][l] - a1[s][l] * y;
                    z2[s][l] = -gx - a2[s][l] * y;
                    x[l] = y;
                }
            }
            for l in 0..L {
                sums[l] += x[l] * x[l];
            }
        }
        (self.z1, self.z2) = (z1, z2);
        totals[..L].copy_from_slice(&sums);
    }

    /// Sets dying states to zero: numbers near the smallest representable make
    /// processors crawl, and 10⁻³⁰ N or Pa is nothing.
    pub fn settle(&mut self) {
        for z in self.z1.iter_mut().chain(&mut self.z2).flatten() {
            if z.abs() < 1e-30 {
                *z = 0.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn the_effective_bandwidth_is_that_of_the_ideal_band() {
        let band = Band::named(1000.0).unwrap();
        let filter = BandFilter::new(band, 6000.0);
        assert_abs_diff_eq!(filter.effective_bandwidth(band), 0.230_259, epsilon = 1e-6);
        assert_abs_diff_eq!(
            filter.response(band.exact_hz()).norm(),
            1.0,
            epsilon = 1e-12
        );
    }

    #[test]
    fn lanes_do_what_the_response_says() {
        let bands = [Band::named(800.0).unwrap(), Band::named(1000.0).unwrap()];
        let filters = bands.map(|band| BandFilter::new(band, 8000.0));
        let mut lanes = Lanes::<4>::new(&filters);
        let tone = |n: usize| (2.0 * PI * 900.0 * n as f64 / 8000.0).sin();
        let frames: Vec<[f64; 2]> = (0..16_000).map(|n| [tone(n), 0.5 * tone(n)]).collect();
        lanes.add_squares(&frames[..8000], &mut [0.0; 4]);
        let mut sums = [0.0; 4];
        lanes.add_squares(&frames[8000..], &mut sums);
        for lane in 0..4 {
            let power = filters[lane / 2].response(900.0).norm_sqr();
            let expected = 4000.0 * power * if lane % 2 == 0 { 1.0 } else { 0.25 };
            assert_abs_diff_eq!(sums[lane] / expected, 1.0, epsilon = 1e-9);
        }
    }
}
