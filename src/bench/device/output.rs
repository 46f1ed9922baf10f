//! Output stage and transducer: distortion, limiter, noise, resonance.

use realfft::num_complex::Complex64;
use serde::Deserialize;

use crate::bench::filter::{Biquad, amplitude};
use crate::bench::stimulus::{NEWTONS_AT_0_DB, within};
use crate::diagnostic::Result;

/// The limiter holds a peak for this long, so that tones above 100 Hz pass
/// undistorted, in seconds.
const HOLD_S: f64 = 0.005;

/// Distortion of the drive, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Distortion {
    /// Second harmonic of a tone of level `at_db`, in per cent of it.
    pub second_percent: f64,
    /// Third harmonic likewise.
    pub third_percent: f64,
    /// Level of that tone before the transducer's resonance, dB re 1 µN.
    pub at_db: f64,
}

impl Default for Distortion {
    fn default() -> Self {
        Self {
            second_percent: 0.0,
            third_percent: 0.0,
            at_db: 100.0,
        }
    }
}

/// Output limiter, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limiter {
    /// Highest level of a tone before the transducer's resonance, dB re 1 µN.
    pub ceiling_db: f64,
    /// Time constant with which the gain comes back, in seconds.
    pub release_s: f64,
}

impl Default for Limiter {
    fn default() -> Self {
        Self {
            ceiling_db: 140.0,
            release_s: 0.05,
        }
    }
}

/// The transducer on the simulator, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Transducer {
    /// Resonance of its mass on its suspension in Hz; none: flat. 0.7 kHz to
    /// 1 kHz are usual (from memory).
    pub resonance_hz: Option<f64>,
    /// Gain at the resonance re the gain far above it.
    pub resonance_q: f64,
    /// Corner of a second-order fall at high frequencies in Hz; none: no fall.
    pub upper_hz: Option<f64>,
}

impl Default for Transducer {
    fn default() -> Self {
        Self {
            resonance_hz: None,
            resonance_q: 2.0,
            upper_hz: None,
        }
    }
}

/// Checks the figures of the output stage.
pub fn check(
    distortion: &Distortion,
    limiter: &Limiter,
    transducer: &Transducer,
    rate_hz: f64,
) -> Result<()> {
    let key = |name: &str| format!("device.{name}");
    within(
        &key("distortion.second_percent"),
        distortion.second_percent,
        0.0,
        50.0,
        "%",
    )?;
    within(
        &key("distortion.third_percent"),
        distortion.third_percent,
        0.0,
        20.0,
        "%",
    )?;
    within(
        &key("limiter.ceiling_db"),
        limiter.ceiling_db,
        40.0,
        140.0,
        "dB re 1 µN",
    )?;
    within(
        &key("limiter.release_s"),
        limiter.release_s,
        1e-3,
        10.0,
        "s",
    )?;
    within(
        &key("transducer.resonance_q"),
        transducer.resonance_q,
        0.3,
        30.0,
        "",
    )?;
    let highest_hz = 0.45 * rate_hz;
    for (name, hz) in [
        ("resonance_hz", transducer.resonance_hz),
        ("upper_hz", transducer.upper_hz),
    ] {
        within(
            &key(&format!("transducer.{name}")),
            hz.unwrap_or(1000.0),
            50.0,
            highest_hz,
            "Hz",
        )?;
    }
    Ok(())
}

/// The output stage at work: newtons before the resonance in, force out.
pub struct Output {
    square: f64,
    cube: f64,
    bend_n: f64,
    ceiling_n: f64,
    release: f64,
    envelope_n: f64,
    hold: u32,
    held: u32,
    transducer: Vec<Biquad>,
    rate_hz: f64,
}

impl Output {
    /// The stage for these settings.
    pub fn new(
        distortion: &Distortion,
        limiter: &Limiter,
        transducer: &Transducer,
        rate_hz: f64,
    ) -> Self {
        let peak_n = |db: f64| std::f64::consts::SQRT_2 * NEWTONS_AT_0_DB * amplitude(db);
        let at_n = peak_n(distortion.at_db);
        let resonance = transducer.resonance_hz;
        let resonance = resonance.map(|hz| Biquad::high_pass(hz, transducer.resonance_q, rate_hz));
        let fall = transducer
            .upper_hz
            .map(|hz| Biquad::low_pass(hz, std::f64::consts::FRAC_1_SQRT_2, rate_hz));
        // x² of a tone of peak P holds P²/2 of the second harmonic, x³ holds P³/4
        // of the third. Beyond `bend_n` the curve goes on without further bend,
        // lest it turn back.
        let square = 2.0 * distortion.second_percent / 100.0 / at_n;
        let cube = 4.0 * distortion.third_percent / 100.0 / (at_n * at_n);
        let turning_n = |steepest: f64| {
            if steepest > 0.0 {
                1.0 / steepest
            } else {
                f64::MAX
            }
        };
        Self {
            square,
            cube,
            bend_n: peak_n(limiter.ceiling_db)
                .min(turning_n(4.0 * square))
                .min(turning_n(2.0 * libm::sqrt(cube))),
            ceiling_n: peak_n(limiter.ceiling_db),
            release: libm::exp(-1.0 / (rate_hz * limiter.release_s)),
            envelope_n: 0.0,
            hold: (HOLD_S * rate_hz).round() as u32,
            held: 0,
            transducer: resonance.into_iter().chain(fall).collect(),
            rate_hz,
        }
    }

    /// The next sample; `noise_n` is added after the limiter.
    pub fn step(&mut self, drive_n: f64, noise_n: f64) -> f64 {
        let x = drive_n;
        let bounded = x.clamp(-self.bend_n, self.bend_n);
        let bent = x + (self.square - self.cube * bounded) * bounded * bounded;
        if bent.abs() >= self.envelope_n {
            self.envelope_n = bent.abs();
            self.held = self.hold;
        } else if self.held > 0 {
            self.held -= 1;
        } else {
            self.envelope_n = bent.abs().max(self.envelope_n * self.release);
        }
        let gain = if self.envelope_n > self.ceiling_n {
            self.ceiling_n / self.envelope_n
        } else {
            1.0
        };
        let drive = gain * bent + noise_n;
        self.transducer
            .iter_mut()
            .fold(drive, |x, section| section.step(x))
    }

    /// Complex gain at `hz` of small signals.
    pub fn response(&self, hz: f64) -> Complex64 {
        let each = self.transducer.iter().map(|s| s.response(hz, self.rate_hz));
        each.product()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 48_000.0;

    fn stage(distortion: Distortion, limiter: Limiter, transducer: Transducer) -> Output {
        Output::new(&distortion, &limiter, &transducer, RATE_HZ)
    }

    /// Level in dB re 1 µN of harmonic `order` of a tone of `db` at `hz`.
    fn harmonic_db(mut output: Output, hz: f64, db: f64, order: f64) -> f64 {
        let peak = std::f64::consts::SQRT_2 * NEWTONS_AT_0_DB * amplitude(db);
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..96_000 {
            let angle = TAU * hz / RATE_HZ * f64::from(n);
            let y = output.step(peak * angle.sin(), 0.0);
            if n >= 48_000 {
                re += y * (order * angle).cos();
                im += y * (order * angle).sin();
            }
        }
        let rms = (2.0 * (re * re + im * im)).sqrt() / 48_000.0;
        20.0 * (rms / NEWTONS_AT_0_DB).log10()
    }

    #[test]
    fn the_limiter_holds_a_tone_at_its_ceiling_and_leaves_softer_ones_alone() {
        let limiter = Limiter {
            ceiling_db: 112.0,
            release_s: 0.05,
        };
        let level = |db| {
            let stage = stage(
                Distortion::default(),
                limiter.clone(),
                Transducer::default(),
            );
            harmonic_db(stage, 1000.0, db, 1.0)
        };
        assert!((level(130.0) - 112.0).abs() < 0.05, "{}", level(130.0));
        assert!((level(111.0) - 111.0).abs() < 1e-6);
    }

    #[test]
    fn no_sample_passes_the_ceiling() {
        let limiter = Limiter {
            ceiling_db: 100.0,
            release_s: 0.05,
        };
        let mut stage = stage(Distortion::default(), limiter, Transducer::default());
        let mut noise = crate::bench::random::Gaussian::new(1, 1);
        let ceiling_n = std::f64::consts::SQRT_2 * NEWTONS_AT_0_DB * amplitude(100.0);
        for _ in 0..20_000 {
            assert!(stage.step(noise.draw(), 0.0).abs() <= ceiling_n * (1.0 + 1e-12));
        }
    }

    #[test]
    fn the_transducer_gains_its_q_at_its_resonance_and_falls_12_db_per_octave_below() {
        let transducer = Transducer {
            resonance_hz: Some(800.0),
            resonance_q: 2.5,
            upper_hz: None,
        };
        let stage = stage(Distortion::default(), Limiter::default(), transducer);
        let db = |hz| 20.0 * stage.response(hz).norm().log10();
        assert!((db(800.0) - 7.959).abs() < 0.001);
        let highest = (600..1200)
            .map(f64::from)
            .max_by(|a, b| db(*a).total_cmp(&db(*b)));
        // |H| peaks at f₀ / √(1 − 1/(2Q²)) = 834 Hz.
        assert!((highest.unwrap() - 834.0).abs() <= 2.0, "{highest:?}");
        assert!((db(100.0) - db(50.0) - 12.04).abs() < 0.3);
        assert!(db(10_000.0).abs() < 0.1);
    }

    #[test]
    fn harmonics_stand_where_they_were_asked_for() {
        let distortion = Distortion {
            second_percent: 5.0,
            third_percent: 1.0,
            at_db: 100.0,
        };
        let level = |order| {
            let stage = stage(
                distortion.clone(),
                Limiter::default(),
                Transducer::default(),
            );
            harmonic_db(stage, 500.0, 100.0, order)
        };
        assert!((level(2.0) - level(1.0) - 20.0 * 0.05f64.log10()).abs() < 0.3);
        assert!((level(3.0) - level(1.0) - 20.0 * 0.01f64.log10()).abs() < 0.3);
    }
}
