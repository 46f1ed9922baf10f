//! From the force back to the microphones: through the air and the cable.

use realfft::num_complex::Complex64;
use serde::Deserialize;

use super::filter::{Biquad, Delay, amplitude};
use super::loop_gain;
use super::stimulus::{NEWTONS_AT_0_DB, PASCALS_AT_0_DB, within};
use crate::diagnostic::Result;

/// The feedback paths, as scenarios write them; none by default.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Feedback {
    /// Sound radiated by the case: reaches both device microphones alike and,
    /// by `to_reference_db`, the reference microphone.
    pub acoustic: Option<Path>,
    /// Vibration through a cable under tension: reaches the device microphones
    /// alone. That a tense cable feeds back on a bench: common practice, no
    /// source.
    pub cable: Option<Path>,
}

/// One path, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Path {
    /// Travel time in seconds; at least one sample.
    pub delay_s: f64,
    /// Gain at all frequencies alike, dB (20 µPa per 1 µN); none: only
    /// resonances.
    pub gain_db: Option<f64>,
    /// Resonances, which add up.
    pub resonance: Vec<Resonance>,
    /// Scales the whole path so that, alone, it leaves this margin before
    /// oscillation with omnidirectional microphones and the gain of soft sounds;
    /// below 0 the loop oscillates.
    pub margin_db: Option<f64>,
    /// Level at the reference microphone re the device microphones (acoustic
    /// path); none: does not reach it.
    pub to_reference_db: Option<f64>,
    /// By how much freeing the cable weakens the path, in dB (cable).
    pub freed_by_db: f64,
}

impl Default for Path {
    fn default() -> Self {
        Self {
            delay_s: 2e-4,
            gain_db: None,
            resonance: Vec::new(),
            margin_db: None,
            to_reference_db: None,
            freed_by_db: 40.0,
        }
    }
}

/// One resonance of a path, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resonance {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Sharpness: frequency over half-power width.
    pub q: f64,
    /// Gain at the resonance, dB (20 µPa per 1 µN).
    #[serde(default)]
    pub gain_db: f64,
}

impl Path {
    /// Checks the figures.
    pub fn check(&self, name: &str, rate_hz: f64) -> Result<()> {
        let key = |part: &str| format!("feedback.{name}.{part}");
        within(&key("delay_s"), self.delay_s, 0.0, 0.1, "s")?;
        within(
            &key("margin_db"),
            self.margin_db.unwrap_or(0.0),
            -40.0,
            100.0,
            "dB",
        )?;
        within(
            &key("gain_db"),
            self.gain_db.unwrap_or(0.0),
            -200.0,
            100.0,
            "dB",
        )?;
        within(&key("freed_by_db"), self.freed_by_db, 0.0, 200.0, "dB")?;
        let reference_db = self.to_reference_db.unwrap_or(0.0);
        within(&key("to_reference_db"), reference_db, -100.0, 40.0, "dB")?;
        for resonance in &self.resonance {
            let hz = resonance.frequency_hz;
            within(
                &key("resonance.frequency_hz"),
                hz,
                20.0,
                0.45 * rate_hz,
                "Hz",
            )?;
            within(&key("resonance.q"), resonance.q, 0.1, 200.0, "")?;
            within(
                &key("resonance.gain_db"),
                resonance.gain_db,
                -200.0,
                100.0,
                "dB",
            )?;
        }
        Ok(())
    }
}

/// A path at work: newtons in, pascals out.
pub struct Running {
    line: Delay,
    flat: f64,
    resonances: Vec<(f64, Biquad)>,
    scale: f64,
    rate_hz: f64,
    /// Share of the pressure that reaches the reference microphone.
    pub to_reference: f64,
}

impl Running {
    /// The path; `device` is the complex gain of the device in N/Pa over
    /// frequency in Hz, by which a stated margin is reached.
    pub fn new(path: &Path, rate_hz: f64, device: &dyn Fn(f64) -> Complex64) -> Self {
        let pascals = |db| PASCALS_AT_0_DB / NEWTONS_AT_0_DB * amplitude(db);
        let samples = (path.delay_s * rate_hz).round().max(1.0) as usize;
        let section = |r: &Resonance| {
            let filter = Biquad::band_pass(r.frequency_hz, r.q, rate_hz);
            (pascals(r.gain_db), filter)
        };
        let mut running = Self {
            // The force of this sample is known only after the microphones of
            // this sample: one sample of the delay lies in the order of steps.
            line: Delay::new(samples - 1),
            flat: path.gain_db.map_or(0.0, pascals),
            resonances: path.resonance.iter().map(section).collect(),
            scale: 1.0,
            rate_hz,
            to_reference: path.to_reference_db.map_or(0.0, amplitude),
        };
        if let Some(wanted_db) = path.margin_db {
            let around = |hz: f64| device(hz) * running.response(hz);
            if let Some(found) = loop_gain::worst(&around, rate_hz) {
                running.scale = amplitude(found.margin_db - wanted_db);
            }
        }
        running
    }

    /// Takes the force of the last sample and gives the pressure of this one.
    pub fn step(&mut self, last_force_n: f64) -> f64 {
        let force_n = self.line.step(last_force_n);
        let resonating = self.resonances.iter_mut();
        let sum: f64 = resonating
            .map(|(gain, filter)| *gain * filter.step(force_n))
            .sum();
        self.scale * (self.flat * force_n + sum)
    }

    /// Complex gain in Pa/N at `hz`.
    pub fn response(&self, hz: f64) -> Complex64 {
        let resonating = self.resonances.iter();
        let sum: Complex64 = resonating
            .map(|(gain, filter)| filter.response(hz, self.rate_hz) * *gain)
            .sum();
        let one = Delay::new(1).response(hz, self.rate_hz);
        (sum + self.flat) * one * self.line.response(hz, self.rate_hz) * self.scale
    }
}

/// When the cable is under tension.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tension {
    /// From this frame.
    pub from: u64,
    /// Up to this frame.
    pub to: u64,
    /// Gain of the path meanwhile.
    pub tense: f64,
    /// Gain of the path while the cable hangs freely.
    pub freed: f64,
}

impl Tension {
    /// Gain of the path at `frame`.
    pub fn gain(&self, frame: u64) -> f64 {
        if (self.from..self.to).contains(&frame) {
            self.tense
        } else {
            self.freed
        }
    }
}
