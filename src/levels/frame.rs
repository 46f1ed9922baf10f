//! The spectra of both channels over one short frame of about 85 ms, and the
//! lines in them.

use rustfft::num_complex::Complex64;

use super::pair::Pair;

/// Length aimed at, in seconds.
const FRAME_S: f64 = 0.0853;
/// Lines are sought from here up, in Hz.
const LOWEST_HZ: f64 = 150.0;
/// … to here, and to 0.45 of the sampling rate.
const HIGHEST_HZ: f64 = 10_000.0;
/// A bin this far above the median is a line's: of noise one in a thousand is (power
/// of a bin: exponential), and its mean loses as little.
const OUTSTANDING: f64 = 10.0;
/// A line weaker than this share of all else in its critical band is none, whatever
/// else may be lines there.
const CROWDED: f64 = 0.05;
/// Bins that hold a line under a Hann window, to either side of its peak.
const REACH: usize = 2;
/// In one frame a line must stand this far above the noise of its critical band,
/// in dB: less than over its whole time, for noise moves it from frame to frame.
const FLOOR_DB: f64 = 2.0;
/// … and this far to be taken as the root of multiples, in dB.
const ROOT_DB: f64 = 6.0;
/// Lines told per frame and channel.
const PER_FRAME: usize = 16;
/// Multiples are sought up to this order: a limiter makes them that high.
const HIGHEST_ORDER: f64 = 12.0;
/// Sums and differences are sought up to this order.
const HIGHEST_SUM: i32 = 5;
/// This near to a much stronger line stands its modulation, in Hz.
const SIDE_HZ: f64 = 120.0;

/// Width of the critical band at `frequency_hz`: 25 + 75 (1 + 1.4 f²)^0.69 Hz,
/// f in kHz (ECMA-418-1, as transcribed by a public general acoustics library).
pub fn critical_bandwidth_hz(frequency_hz: f64) -> f64 {
    let khz = frequency_hz / 1000.0;
    25.0 + 75.0 * (1.0 + 1.4 * khz * khz).powf(0.69)
}

/// Outer edges of the critical bands below and above the one about
/// `frequency_hz`: polynomials of ECMA-418-1, as the same library gives them.
fn neighbours_hz(frequency_hz: f64) -> [f64; 2] {
    let f = frequency_hz;
    let lower = match f {
        f if f <= 171.4 => 20.0,
        f if f <= 1600.0 => -149.5 + 1.001 * f - 6.90e-5 * f * f,
        f => 6.8 + 0.806 * f - 8.20e-6 * f * f,
    };
    let upper = match f {
        f if f <= 1600.0 => 149.5 + 1.035 * f + 7.70e-5 * f * f,
        f => 3.3 + 1.215 * f + 2.16e-5 * f * f,
    };
    [lower, upper]
}

/// Edges of the critical band about `frequency_hz` (ECMA-418-1, the same).
fn critical_band_hz(frequency_hz: f64) -> [f64; 2] {
    let width = critical_bandwidth_hz(frequency_hz);
    let lower = if frequency_hz <= 500.0 {
        frequency_hz - width / 2.0
    } else {
        (width * width / 4.0 + frequency_hz * frequency_hz).sqrt() - width / 2.0
    };
    [lower, lower + width]
}

/// A line of one frame.
pub struct Peak {
    /// Bin of its top.
    pub bin: usize,
    /// Frequency in Hz, between the bins.
    pub frequency_hz: f64,
    /// Mean square, less the noise under it.
    pub power: f64,
    /// Ratio of its power to that of the noise of its critical band.
    pub tone_to_noise: f64,
}

/// The transform of a frame of both channels.
pub struct Frame {
    pair: Pair,
    rate_hz: f64,
    /// Mean squares per bin of both channels, and their running sums.
    power: [Vec<f64>; 2],
    running: [Vec<f64>; 2],
}

impl Frame {
    /// Prepares for `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let length = 1usize << (FRAME_S * rate_hz).log2().round() as u32;
        let bins = length / 2;
        Self {
            pair: Pair::new(length, length),
            rate_hz,
            power: [vec![0.0; bins], vec![0.0; bins]],
            running: [vec![0.0; bins + 1], vec![0.0; bins + 1]],
        }
    }

    /// Length in frames.
    pub fn length(&self) -> usize {
        self.pair.length()
    }

    /// Spacing of the bins in Hz.
    pub fn resolution_hz(&self) -> f64 {
        self.rate_hz / self.length() as f64
    }

    /// Mean square of a whole channel over the frame.
    pub fn total(&self, channel: usize) -> f64 {
        self.running[channel][self.running[channel].len() - 1]
    }

    /// Transforms the first frame of `samples`, force and microphone.
    pub fn transform(&mut self, samples: &[[f64; 2]]) {
        self.pair.transform(samples.iter().copied());
        let scale = self.pair.scale();
        for bin in 0..self.length() / 2 {
            for (channel, value) in self.bin(bin).into_iter().enumerate() {
                let power = value.norm_sqr() * scale;
                self.power[channel][bin] = power;
                self.running[channel][bin + 1] = self.running[channel][bin] + power;
            }
        }
    }

    /// Force and microphone at a bin.
    pub fn bin(&self, bin: usize) -> [Complex64; 2] {
        self.pair.bin(bin)
    }

    /// Line power at `bin`, and its ratio to the noise of the critical band; other
    /// lines of the band are no noise (ECMA-418-1 takes them out, too).
    pub fn tone(&self, channel: usize, bin: usize) -> (f64, f64) {
        let power = |from: usize, to: usize| {
            (self.running[channel][to] - self.running[channel][from]).max(0.0)
        };
        let bins = self.power[channel].len();
        let half = 0.5 * critical_bandwidth_hz(bin as f64 * self.resolution_hz());
        let half = ((half / self.resolution_hz()) as usize).max(2 * REACH + 2);
        let (low, high) = (bin.saturating_sub(half).max(1), (bin + half + 1).min(bins));
        let (from, to) = (bin.saturating_sub(REACH), (bin + REACH + 1).min(bins));
        let mut around = power(low, from) + power(to, high);
        if power(from, to) > CROWDED * around {
            let powers = &self.power[channel];
            around = without_lines([&powers[low..from.max(low)], &powers[to..high.max(to)]]);
        }
        let noise_bins = (from.saturating_sub(low) + high.saturating_sub(to)).max(1) as f64;
        let noise = around * (high - low) as f64 / noise_bins;
        let line_noise = around * (to - from) as f64 / noise_bins;
        let line = (power(from, to) - line_noise).max(0.0);
        (line, line / noise.max(f64::MIN_POSITIVE))
    }

    /// Mean square of a channel from one frequency to another; a bin counts by the
    /// share of it that lies between.
    pub fn between(&self, channel: usize, from_hz: f64, to_hz: f64) -> f64 {
        let running = &self.running[channel];
        let last = running.len() - 1;
        let up_to = |hz: f64| {
            let at = (hz / self.resolution_hz() + 0.5).clamp(0.0, last as f64);
            let (below, share) = (at as usize, at.fract());
            running[below] + share * (running[(below + 1).min(last)] - running[below])
        };
        (up_to(to_hz) - up_to(from_hz)).max(0.0)
    }

    /// Prominence ratio at `frequency_hz`: the power of its critical band over the
    /// mean of those below and above (ECMA-418-1).
    pub fn prominence(&self, channel: usize, frequency_hz: f64) -> f64 {
        let power = |from_hz, to_hz| self.between(channel, from_hz, to_hz);
        let [from, to] = critical_band_hz(frequency_hz);
        let [lowest, highest] = neighbours_hz(frequency_hz);
        let middle = power(from, to);
        let mut lower = power(lowest, from);
        if frequency_hz <= 171.4 {
            lower *= 100.0 / (from - lowest);
        }
        let upper = power(to, highest);
        middle / (0.5 * (lower + upper)).max(f64::MIN_POSITIVE)
    }

    /// The lines of a channel, strongest above its noise first.
    pub fn peaks(&self, channel: usize) -> Vec<Peak> {
        let resolution_hz = self.resolution_hz();
        let power = &self.power[channel];
        let low = (LOWEST_HZ / resolution_hz).ceil() as usize;
        let high = (HIGHEST_HZ.min(0.45 * self.rate_hz) / resolution_hz) as usize;
        let floor = 10f64.powf(FLOOR_DB / 10.0);
        let mut peaks = Vec::new();
        for bin in low.max(REACH)..high {
            let [below, here, above] = [power[bin - 1], power[bin], power[bin + 1]];
            // A line of a Hann window towers above what is two bins away.
            if !(here > below && here >= above && here > power[bin - REACH] * 4.0) {
                continue;
            }
            let (line, tone_to_noise) = self.tone(channel, bin);
            if tone_to_noise < floor {
                continue;
            }
            peaks.push(Peak {
                bin,
                frequency_hz: (bin as f64 + vertex(below, here, above)) * resolution_hz,
                power: line,
                tone_to_noise,
            });
        }
        peaks.sort_by(|a, b| b.tone_to_noise.total_cmp(&a.tone_to_noise));
        peaks.truncate(PER_FRAME);
        peaks
    }

    /// Whether a line stands where distortion of `roots` may put one.
    pub fn is_combination(&self, hz: f64, roots: &[f64]) -> bool {
        combines(hz, roots, self.rate_hz, 0.1 * self.resolution_hz())
    }

    /// Bandwidth of the bins that hold a line, in Hz.
    pub fn line_width_hz(&self) -> f64 {
        (2 * REACH + 1) as f64 * self.resolution_hz()
    }

    /// Whether a line stands at a multiple of another, to within what the
    /// interpolation between bins leaves open.
    pub fn is_multiple(&self, peak: &Peak, root: &Peak) -> bool {
        if root.tone_to_noise < 10f64.powf(ROOT_DB / 10.0) {
            return false;
        }
        let order = (peak.frequency_hz / root.frequency_hz).round();
        let miss_hz = (peak.frequency_hz - order * root.frequency_hz).abs();
        let open = (0.15 + 0.05 * order) * self.resolution_hz();
        (2.0..=HIGHEST_ORDER).contains(&order) && miss_hz < open
    }
}

/// Whether `hz` is p·a + q·b of two roots, |p| + |q| from 2 to `HIGHEST_SUM`, also
/// folded at the sampling rate; or a side line of a root.
fn combines(hz: f64, roots: &[f64], rate_hz: f64, open_hz: f64) -> bool {
    let sums = -HIGHEST_SUM..=HIGHEST_SUM;
    let product = |a: f64, b: f64, p: i32, q: i32| {
        let order = p.abs() + q.abs();
        let sum = f64::from(p) * a + f64::from(q) * b;
        let folded = (sum - rate_hz * (sum / rate_hz).round()).abs();
        (2..=HIGHEST_SUM).contains(&order) && (folded - hz).abs() < open_hz * f64::from(order)
    };
    roots.iter().any(|a| {
        (hz - a).abs() < SIDE_HZ
            || roots.iter().any(|b| {
                sums.clone()
                    .any(|p| sums.clone().any(|q| product(*a, *b, p, q)))
            })
    })
}

/// Sum of the powers of bins; what stands out as noise does not is cut down.
fn without_lines(sides: [&[f64]; 2]) -> f64 {
    let mut powers = sides.concat();
    if powers.is_empty() {
        return 0.0;
    }
    let middle = powers.len() / 2;
    let (_, median, _) = powers.select_nth_unstable_by(middle, f64::total_cmp);
    let most = OUTSTANDING * *median;
    powers.iter().map(|power| power.min(most)).sum()
}

/// Offset of the vertex of the parabola through three neighbouring log powers,
/// in bins.
fn vertex(below: f64, here: f64, above: f64) -> f64 {
    let [a, b, c] = [below, here, above].map(|p| p.max(f64::MIN_POSITIVE).ln());
    let curvature = a - 2.0 * b + c;
    if curvature < 0.0 {
        (0.5 * (a - c) / curvature).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn bands_lie_where_ecma_418_1_puts_them() {
        // Worked from the formulas by a public general acoustics library.
        for (hz, lower, upper, below, above) in [
            (171.4, 120.34, 222.46, 20.0, 329.16),
            (500.0, 441.37, 558.63, 333.75, 686.25),
            (1000.0, 922.18, 1084.39, 782.50, 1261.50),
            (4000.0, 3671.94, 4357.36, 3099.60, 5208.90),
        ] {
            let band = critical_band_hz(hz);
            assert_abs_diff_eq!(band[0], lower, epsilon = 0.01);
            assert_abs_diff_eq!(band[1], upper, epsilon = 0.01);
            let neighbours = neighbours_hz(hz);
            assert_abs_diff_eq!(neighbours[0], below, epsilon = 0.01);
            assert_abs_diff_eq!(neighbours[1], above, epsilon = 0.01);
        }
    }

    #[test]
    fn the_critical_band_at_1_khz_is_162_hz_wide() {
        // ECMA-418-1 worked value, as transcribed by a public library.
        assert_abs_diff_eq!(critical_bandwidth_hz(1000.0), 162.22, epsilon = 0.01);
    }
}
