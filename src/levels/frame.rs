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
/// Bins that hold a line under a Hann window, to either side of its peak.
const REACH: usize = 2;
/// A line must stand this far above the noise of its critical band, in dB.
const FLOOR_DB: f64 = 6.0;
/// Lines told per frame and channel.
const PER_FRAME: usize = 10;
/// Multiples are sought up to this order: a limiter makes them that high.
const HIGHEST_ORDER: f64 = 12.0;

/// Width of the critical band at `frequency_hz`: 25 + 75 (1 + 1.4 f²)^0.69 Hz,
/// f in kHz (ECMA-418-1, as transcribed by a public general acoustics library).
pub fn critical_bandwidth_hz(frequency_hz: f64) -> f64 {
    let khz = frequency_hz / 1000.0;
    25.0 + 75.0 * (1.0 + 1.4 * khz * khz).powf(0.69)
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

    /// Line power at `bin`, and its ratio to the noise of the critical band.
    pub fn tone(&self, channel: usize, bin: usize) -> (f64, f64) {
        let power = |from: usize, to: usize| {
            (self.running[channel][to] - self.running[channel][from]).max(0.0)
        };
        let bins = self.power[channel].len();
        let half = 0.5 * critical_bandwidth_hz(bin as f64 * self.resolution_hz());
        let half = ((half / self.resolution_hz()) as usize).max(2 * REACH + 2);
        let (low, high) = (bin.saturating_sub(half).max(1), (bin + half + 1).min(bins));
        let (from, to) = (bin.saturating_sub(REACH), (bin + REACH + 1).min(bins));
        let around = power(low, from) + power(to, high);
        let noise_bins = (from.saturating_sub(low) + high.saturating_sub(to)).max(1) as f64;
        let noise = around * (high - low) as f64 / noise_bins;
        let line_noise = around * (to - from) as f64 / noise_bins;
        let line = (power(from, to) - line_noise).max(0.0);
        (line, line / noise.max(f64::MIN_POSITIVE))
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

    /// Whether a line stands at a multiple of another, to within what the
    /// interpolation between bins leaves open.
    pub fn is_multiple(&self, peak: &Peak, root: &Peak) -> bool {
        let order = (peak.frequency_hz / root.frequency_hz).round();
        let miss_hz = (peak.frequency_hz - order * root.frequency_hz).abs();
        let open = (0.15 + 0.05 * order) * self.resolution_hz();
        (2.0..=HIGHEST_ORDER).contains(&order) && miss_hz < open
    }
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
    fn the_critical_band_at_1_khz_is_162_hz_wide() {
        // ECMA-418-1 worked value, as transcribed by a public library.
        assert_abs_diff_eq!(critical_bandwidth_hz(1000.0), 162.22, epsilon = 0.01);
    }
}
