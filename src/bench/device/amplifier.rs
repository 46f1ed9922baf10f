//! Multi-band amplifier with compression and noise reduction.

use realfft::num_complex::Complex64;
use serde::Deserialize;

use super::noise_reduction::{NoiseReduction, Reducer};
use crate::bench::filter::{Delay, amplitude};
use crate::bench::fir::LinearPhase;
use crate::bench::stimulus::{NEWTONS_AT_0_DB, PASCALS_AT_0_DB, within};
use crate::diagnostic::{Diagnostic, Result};

/// The dynamics are computed anew every so many samples.
const CONTROL: u32 = 8;
/// Time constant of the level meter before the logarithm, in seconds.
const METER_S: f64 = 0.002;

/// Compression by band, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Compression {
    /// Frequencies that part the bands, rising, in Hz; none: one band.
    pub crossovers_hz: Vec<f64>,
    /// Decibels in per decibel out above the knee; one for all or one per band.
    /// Mild fittings of such devices have 0.9 to 1.2 (published fitting data of
    /// two clinical studies, doi 10.5281/zenodo.5573872).
    pub ratio: Vec<f64>,
    /// Band level at the microphones from which it acts, dB SPL.
    pub knee_db_spl: Vec<f64>,
    /// Time constant of a falling gain in seconds.
    pub attack_s: f64,
    /// Time constant of a rising gain in seconds.
    pub release_s: f64,
}

impl Default for Compression {
    fn default() -> Self {
        Self {
            crossovers_hz: Vec::new(),
            ratio: vec![1.0],
            knee_db_spl: vec![50.0],
            attack_s: 0.005,
            release_s: 0.05,
        }
    }
}

impl Compression {
    /// Number of bands.
    pub fn bands(&self) -> usize {
        self.crossovers_hz.len() + 1
    }

    /// Whether every band is linear.
    pub fn is_linear(&self) -> bool {
        self.ratio.iter().all(|ratio| *ratio == 1.0)
    }

    /// Checks the figures.
    pub fn check(&self, rate_hz: f64) -> Result<()> {
        let key = |name: &str| format!("device.compression.{name}");
        for hz in &self.crossovers_hz {
            within(&key("crossovers_hz"), *hz, 100.0, 0.45 * rate_hz, "Hz")?;
        }
        if self.crossovers_hz.windows(2).any(|pair| pair[0] >= pair[1]) {
            return Err(Diagnostic::value(
                &key("crossovers_hz"),
                "not rising",
                "rising frequencies",
            ));
        }
        for (name, list) in [("ratio", &self.ratio), ("knee_db_spl", &self.knee_db_spl)] {
            if list.len() != 1 && list.len() != self.bands() {
                let expected = format!("one figure, or {} (one per band)", self.bands());
                return Err(Diagnostic::value(
                    &key(name),
                    format!("a list of {}", list.len()),
                    &expected,
                ));
            }
        }
        for ratio in &self.ratio {
            within(
                &key("ratio"),
                *ratio,
                0.5,
                100.0,
                "(decibels in per decibel out)",
            )?;
        }
        within(&key("attack_s"), self.attack_s, 1e-4, 10.0, "s")?;
        within(&key("release_s"), self.release_s, 1e-4, 60.0, "s")
    }
}

/// Linear interpolation in dB over the logarithm of frequency; held beyond the
/// ends.
pub fn interpolate_db(points: &[[f64; 2]], hz: f64) -> f64 {
    let after = points.partition_point(|p| p[0] <= hz);
    match (points[..after].last(), points.get(after)) {
        (Some(a), Some(b)) => {
            let share = libm::log(hz / a[0]) / libm::log(b[0] / a[0]);
            a[1] + share * (b[1] - a[1])
        }
        (Some(end), None) | (None, Some(end)) => end[1],
        (None, None) => 0.0,
    }
}

/// Share of band `index` at `hz`: neighbours cross over half an octave, as
/// raised cosines; all shares add up to 1.
fn share(crossovers_hz: &[f64], index: usize, hz: f64) -> f64 {
    let passed = |crossover: f64| {
        let octaves = libm::log2(hz.max(1e-3) / crossover);
        let at = (2.0 * octaves + 0.5).clamp(0.0, 1.0);
        0.5 - 0.5 * libm::cos(std::f64::consts::PI * at)
    };
    let below = if index == 0 {
        1.0
    } else {
        passed(crossovers_hz[index - 1])
    };
    let above = crossovers_hz.get(index).map_or(0.0, |hz| passed(*hz));
    below - above
}

/// The amplifier at work: pascals in, newtons (of a resonance-free transducer)
/// out.
pub struct Amplifier {
    split: Option<LinearPhase>,
    plain: Delay,
    channels: Vec<Channel>,
    samples: Vec<f64>,
    shape: LinearPhase,
    rate_hz: f64,
    until_control: u32,
    /// Whether gains are being averaged.
    pub watching: bool,
    watched: u64,
}

struct Channel {
    mean_square: f64,
    knee_db: f64,
    slope: f64,
    reduction_db: f64,
    reducer: Option<Reducer>,
    gain: f64,
    gain_step: f64,
    watched_db: f64,
    steps: [f64; 3],
}

impl Amplifier {
    /// Half the length of each of the two filters, in samples: 1.3 ms.
    fn half(rate_hz: f64) -> usize {
        (rate_hz / 750.0).round() as usize
    }

    /// Delay through the amplifier in samples.
    pub fn delay(rate_hz: f64) -> usize {
        2 * Self::half(rate_hz)
    }

    /// An amplifier of gain `gain_db` (pairs of frequency in Hz and gain in dB,
    /// 1 µN per 20 µPa).
    pub fn new(
        gain_db: &[[f64; 2]],
        compression: &Compression,
        noise_reduction: Option<&NoiseReduction>,
        rate_hz: f64,
    ) -> Self {
        let half = Self::half(rate_hz);
        let bands = compression.bands();
        let crossovers = &compression.crossovers_hz;
        let shares: Vec<Box<dyn Fn(f64) -> f64>> = (0..bands)
            .map(|i| Box::new(move |hz| share(crossovers, i, hz)) as Box<dyn Fn(f64) -> f64>)
            .collect();
        let shares: Vec<&dyn Fn(f64) -> f64> = shares.iter().map(AsRef::as_ref).collect();
        let newtons =
            |hz| NEWTONS_AT_0_DB / PASCALS_AT_0_DB * amplitude(interpolate_db(gain_db, hz));
        let step = |time_s: f64| 1.0 - libm::exp(-f64::from(CONTROL) / (rate_hz * time_s));
        let meter = 1.0 - libm::exp(-1.0 / (rate_hz * METER_S));
        let of_band = |list: &[f64], i: usize| list.get(i).or(list.first()).copied();
        let channel = |i| Channel {
            mean_square: 0.0,
            knee_db: of_band(&compression.knee_db_spl, i).unwrap_or(50.0),
            slope: 1.0 - 1.0 / of_band(&compression.ratio, i).unwrap_or(1.0),
            reduction_db: 0.0,
            reducer: noise_reduction.map(|n| Reducer::new(n, f64::from(CONTROL) / rate_hz)),
            gain: 1.0,
            gain_step: 0.0,
            watched_db: 0.0,
            steps: [
                meter,
                step(compression.attack_s),
                step(compression.release_s),
            ],
        };
        Self {
            split: (bands > 1).then(|| LinearPhase::new(half, rate_hz, &shares)),
            plain: Delay::new(half),
            channels: (0..bands).map(channel).collect(),
            samples: vec![0.0; bands],
            shape: LinearPhase::new(half, rate_hz, &[&newtons]),
            rate_hz,
            until_control: CONTROL,
            watching: false,
            watched: 0,
        }
    }

    /// The next sample.
    pub fn step(&mut self, pascals: f64) -> f64 {
        match &mut self.split {
            Some(split) => split.step(pascals, &mut self.samples),
            None => self.samples[0] = self.plain.step(pascals),
        }
        self.until_control -= 1;
        let control = self.until_control == 0;
        let mut sum = 0.0;
        for (channel, sample) in self.channels.iter_mut().zip(&self.samples) {
            channel.mean_square += channel.steps[0] * (sample * sample - channel.mean_square);
            if control {
                channel.control();
                if self.watching {
                    channel.watched_db += 20.0 * libm::log10(channel.gain);
                }
            }
            channel.gain += channel.gain_step;
            sum += channel.gain * sample;
        }
        if control {
            self.until_control = CONTROL;
            self.watched += u64::from(self.watching);
        }
        let mut newtons = [0.0];
        self.shape.step(sum, &mut newtons);
        newtons[0]
    }

    /// Complex gain at `hz` in N/Pa, with the mean gains of the time watched (or
    /// those of soft sound, if none was).
    pub fn response(&self, hz: f64) -> Complex64 {
        let split: Complex64 = match &self.split {
            None => self.plain.response(hz, self.rate_hz) * self.mean_gain(0),
            Some(split) => (0..self.channels.len())
                .map(|i| split.response(i, hz, self.rate_hz) * self.mean_gain(i))
                .sum(),
        };
        split * self.shape.response(0, hz, self.rate_hz)
    }

    fn mean_gain(&self, index: usize) -> f64 {
        match self.watched {
            0 => 1.0,
            count => amplitude(self.channels[index].watched_db / count as f64),
        }
    }
}

impl Channel {
    /// Meters the band and sets its gain for the samples up to the next call.
    fn control(&mut self) {
        if self.slope == 0.0 && self.reducer.is_none() {
            return;
        }
        let square = self.mean_square / (PASCALS_AT_0_DB * PASCALS_AT_0_DB);
        let level_db = 10.0 * libm::log10(square.max(1e-9));
        let wanted_db = (level_db - self.knee_db).max(0.0) * self.slope;
        let falling = wanted_db > self.reduction_db;
        let step = if falling {
            self.steps[1]
        } else {
            self.steps[2]
        };
        self.reduction_db += step * (wanted_db - self.reduction_db);
        let noise_db = self.reducer.as_mut().map_or(0.0, |r| r.step(square));
        let target = amplitude(-self.reduction_db - noise_db);
        self.gain_step = (target - self.gain) / f64::from(CONTROL);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{SQRT_2, TAU};

    /// Output level in dB re 1 µN of a tone at `db` SPL after two seconds.
    fn output_db(compression: &Compression, hz: f64, db: f64) -> f64 {
        let rate_hz = 24_000.0;
        let mut amplifier = Amplifier::new(&[[1000.0, 30.0]], compression, None, rate_hz);
        let peak = SQRT_2 * PASCALS_AT_0_DB * amplitude(db);
        let mut sum = 0.0;
        for n in 0..72_000 {
            let y = amplifier.step(peak * (TAU * hz / rate_hz * f64::from(n)).sin());
            if n >= 48_000 {
                sum += y * y;
            }
        }
        10.0 * (sum / 24_000.0 / (NEWTONS_AT_0_DB * NEWTONS_AT_0_DB)).log10()
    }

    #[test]
    fn a_linear_amplifier_adds_its_gain() {
        let found = output_db(&Compression::default(), 1000.0, 60.0);
        assert!((found - 90.0).abs() < 0.01, "{found}");
    }

    #[test]
    fn the_static_curve_follows_knee_and_ratio() {
        let compression = Compression {
            ratio: vec![2.0],
            ..Compression::default()
        };
        // Above the knee out = in + 30 − (in − 50) (1 − 1/2), within the ripple
        // of the 2 ms meter.
        for db in [40.0, 60.0, 70.0, 80.0, 90.0] {
            let expected = db + 30.0 - (db - 50.0_f64).max(0.0) / 2.0;
            let found = output_db(&compression, 1400.0, db);
            assert!(
                (found - expected).abs() < 0.05,
                "{db}: {found} for {expected}"
            );
        }
        let slope = output_db(&compression, 1400.0, 80.0) - output_db(&compression, 1400.0, 70.0);
        assert!((slope - 5.0).abs() < 0.01, "{slope}");
    }

    #[test]
    fn each_band_has_its_own_ratio() {
        let compression = Compression {
            crossovers_hz: vec![1000.0],
            ratio: vec![1.0, 2.0],
            ..Compression::default()
        };
        let linear = output_db(&compression, 300.0, 80.0);
        assert!((linear - 110.0).abs() < 0.1, "{linear}");
        // What leaks past the band's edge stays uncompressed.
        let compressed = output_db(&compression, 4000.0, 80.0);
        assert!((compressed - 95.0).abs() < 0.3, "{compressed}");
    }

    #[test]
    fn the_bands_add_up_to_the_gain_curve() {
        let compression = Compression {
            crossovers_hz: vec![700.0, 1500.0, 3000.0],
            ..Compression::default()
        };
        let gain = [[500.0, 28.0], [1000.0, 30.0], [4000.0, 32.0]];
        let amplifier = Amplifier::new(&gain, &compression, None, 48_000.0);
        for hz in [300.0, 700.0, 1000.0, 2000.0, 6000.0] {
            let found = 20.0 * (amplifier.response(hz).norm() * 20.0).log10();
            let expected = interpolate_db(&gain, hz);
            assert!(
                (found - expected).abs() < 0.3,
                "{hz}: {found} for {expected}"
            );
        }
    }
}
