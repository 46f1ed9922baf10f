//! The device: microphones, amplifier, output stage, transducer.

mod amplifier;
mod microphones;
mod noise_reduction;
mod output;

use realfft::num_complex::Complex64;
use serde::Deserialize;

use super::filter::{Delay, amplitude};
use super::random::Gaussian;
use super::stimulus::{NEWTONS_AT_0_DB, PASCALS_AT_0_DB, within};
use crate::diagnostic::{Diagnostic, Result};

use amplifier::{Amplifier, Compression};
pub use microphones::SOUND_M_PER_S;
use microphones::{Microphones, Pair};
use noise_reduction::NoiseReduction;
use output::{Distortion, Limiter, Output, Transducer};

/// Width of the band in which the stated level of a white noise lies, in Hz.
pub const NOISE_WIDTH_HZ: f64 = 10_000.0;

/// The device, as scenarios write it. By default clean and linear: 30 dB of gain
/// (1 µN per 20 µPa), 6 ms of delay, no resonance, no noise, no distortion.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Device {
    /// Delay from microphone to force in seconds. 3 ms to 8 ms are usual (from
    /// memory); digital instruments in general 1 ms to 11 ms (Henrickson 2004,
    /// as quoted in a public summary).
    pub processing_delay_s: f64,
    /// Pairs of frequency in Hz and gain in dB (1 µN per 20 µPa) above the
    /// transducer's resonance.
    pub gain_db: Vec<[f64; 2]>,
    /// Microphones.
    pub microphones: Microphones,
    /// Compression.
    pub compression: Compression,
    /// Noise reduction, where a capture turns it on.
    pub noise_reduction: NoiseReduction,
    /// Distortion.
    pub distortion: Distortion,
    /// Output limiter.
    pub limiter: Limiter,
    /// Transducer.
    pub transducer: Transducer,
    /// Internal noise.
    pub noise: Noise,
}

impl Default for Device {
    fn default() -> Self {
        Self {
            processing_delay_s: 0.006,
            gain_db: vec![[1000.0, 30.0]],
            microphones: Microphones::default(),
            compression: Compression::default(),
            noise_reduction: NoiseReduction::default(),
            distortion: Distortion::default(),
            limiter: Limiter::default(),
            transducer: Transducer::default(),
            noise: Noise::default(),
        }
    }
}

/// Internal noise, white, as scenarios write it; none by default. Levels are
/// those of the power within 10 kHz.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Noise {
    /// Of each microphone, dB SPL.
    pub input_db_spl: Option<f64>,
    /// Of the output stage before the transducer's resonance, dB re 1 µN.
    pub output_db: Option<f64>,
}

impl Device {
    /// Checks the figures.
    pub fn check(&self, rate_hz: f64) -> Result<()> {
        if self.gain_db.is_empty() || self.gain_db.windows(2).any(|p| p[0][0] >= p[1][0]) {
            let expected = "pairs [frequency in Hz, gain in dB] with rising frequencies";
            return Err(Diagnostic::value(
                "device.gain_db",
                "not such a list",
                expected,
            ));
        }
        for [hz, db] in &self.gain_db {
            within("device.gain_db", *hz, 1.0, 1e6, "Hz")?;
            within("device.gain_db", *db, -100.0, 80.0, "dB")?;
        }
        let least_s = Self::least_delay(rate_hz) as f64 / rate_hz;
        within(
            "device.processing_delay_s",
            self.processing_delay_s,
            least_s,
            0.1,
            "s",
        )?;
        for (name, db) in [
            ("input_db_spl", self.noise.input_db_spl),
            ("output_db", self.noise.output_db),
        ] {
            within(
                &format!("device.noise.{name}"),
                db.unwrap_or(0.0),
                -60.0,
                120.0,
                "dB",
            )?;
        }
        self.microphones.check()?;
        self.compression.check(rate_hz)?;
        self.noise_reduction.check()?;
        output::check(&self.distortion, &self.limiter, &self.transducer, rate_hz)
    }

    /// Shortest processing delay in samples.
    fn least_delay(rate_hz: f64) -> usize {
        Pair::DELAY + Amplifier::delay(rate_hz)
    }

    /// Whether the force follows the sound linearly (up to the limiter).
    pub fn is_linear(&self) -> bool {
        self.compression.is_linear()
            && self.distortion.second_percent == 0.0
            && self.distortion.third_percent == 0.0
    }
}

/// The device at work.
pub struct Running {
    pair: Pair,
    delay: Delay,
    /// The amplifier, whose gains can be watched.
    pub amplifier: Amplifier,
    output: Output,
    rate_hz: f64,
    input_noise: Option<(f64, [Gaussian; 2])>,
    output_noise: Option<(f64, Gaussian)>,
}

impl Running {
    /// The device in the state of a capture; `random` gives its noises.
    pub fn new(
        device: &Device,
        directional: bool,
        noise_reduction: bool,
        rate_hz: f64,
        random: &dyn Fn(u64) -> Gaussian,
    ) -> Self {
        let total = (device.processing_delay_s * rate_hz).round() as usize;
        let rest = total.saturating_sub(Device::least_delay(rate_hz));
        let reduction = noise_reduction.then_some(&device.noise_reduction);
        let spread = white_spread(rate_hz);
        Self {
            pair: Pair::new(&device.microphones, directional, rate_hz),
            delay: Delay::new(rest),
            amplifier: Amplifier::new(&device.gain_db, &device.compression, reduction, rate_hz),
            output: Output::new(
                &device.distortion,
                &device.limiter,
                &device.transducer,
                rate_hz,
            ),
            rate_hz,
            input_noise: device.noise.input_db_spl.map(|db| {
                let each = PASCALS_AT_0_DB * amplitude(db) * spread;
                (each, [random(1), random(2)])
            }),
            output_noise: device
                .noise
                .output_db
                .map(|db| (NEWTONS_AT_0_DB * amplitude(db) * spread, random(3))),
        }
    }

    /// Takes the pressure at the front and the rear port and gives the force.
    pub fn step(&mut self, mut front_pa: f64, mut rear_pa: f64) -> f64 {
        if let Some((each, [front, rear])) = &mut self.input_noise {
            front_pa += *each * front.draw();
            rear_pa += *each * rear.draw();
        }
        let heard = self.pair.step(front_pa, rear_pa);
        let drive = self.amplifier.step(self.delay.step(heard));
        let noise = self.output_noise.as_mut();
        let noise_n = noise.map_or(0.0, |(each, random)| *each * random.draw());
        self.output.step(drive, noise_n)
    }

    /// Complex gain in N/Pa for a plane wave from `direction_deg`.
    pub fn response(&self, hz: f64, direction_deg: f64) -> Complex64 {
        self.pair.response(hz, direction_deg) * self.after_microphones(hz)
    }

    /// Complex gain in N/Pa for one pressure at both ports.
    pub fn common_response(&self, hz: f64) -> Complex64 {
        self.pair.common_response(hz) * self.after_microphones(hz)
    }

    fn after_microphones(&self, hz: f64) -> Complex64 {
        self.delay.response(hz, self.rate_hz)
            * self.amplifier.response(hz)
            * self.output.response(hz)
    }
}

/// Root-mean-square per sample of white noise whose power within 10 kHz is 1.
pub fn white_spread(rate_hz: f64) -> f64 {
    libm::sqrt(rate_hz / 2.0 / NOISE_WIDTH_HZ)
}
