//! Two microphones in a row, combined to a first-order pattern.

use std::f64::consts::TAU;

use realfft::num_complex::Complex64;
use serde::Deserialize;

use crate::bench::filter::{Biquad, Delay, amplitude, lag};
use crate::bench::fir::FractionalDelay;
use crate::bench::stimulus::within;
use crate::diagnostic::Result;

/// Speed of sound in air at 20 °C, m/s (textbook).
pub const SOUND_M_PER_S: f64 = 343.0;

/// The microphones of the device, as scenarios write them.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Microphones {
    /// Distance of the rear port behind the front port in metres. Some 5 mm to
    /// 15 mm are usual (common practice, no source).
    pub spacing_m: f64,
    /// Pattern when directional.
    pub pattern: Pattern,
    /// Delay of the rear microphone before it is subtracted, in seconds; else
    /// from the pattern.
    pub internal_delay_s: Option<f64>,
    /// Sensitivity of the rear microphone relative to the front one, in dB.
    pub mismatch_db: f64,
    /// Further delay of the rear microphone in seconds.
    pub mismatch_s: f64,
    /// Below this frequency the loss of the subtraction is no longer made up.
    pub equaliser_from_hz: f64,
}

impl Default for Microphones {
    fn default() -> Self {
        Self {
            spacing_m: 0.01,
            pattern: Pattern::Cardioid,
            internal_delay_s: None,
            mismatch_db: 0.0,
            mismatch_s: 0.0,
            equaliser_from_hz: 200.0,
        }
    }
}

/// First-order patterns a + (1 − a) cos θ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// a = 0.5.
    Cardioid,
    /// a = 0.366.
    Supercardioid,
    /// a = 0.25.
    Hypercardioid,
    /// a = 0.
    FigureOfEight,
}

impl Pattern {
    /// Internal delay over the travel time between the ports: a / (1 − a).
    fn delay_ratio(self) -> f64 {
        match self {
            Self::Cardioid => 1.0,
            Self::Supercardioid => 0.366 / 0.634,
            Self::Hypercardioid => 1.0 / 3.0,
            Self::FigureOfEight => 0.0,
        }
    }
}

impl Microphones {
    /// Travel time between the ports in seconds.
    pub fn travel_s(&self) -> f64 {
        self.spacing_m / SOUND_M_PER_S
    }

    /// Checks the figures.
    pub fn check(&self) -> Result<()> {
        let key = |name: &str| format!("device.microphones.{name}");
        within(&key("spacing_m"), self.spacing_m, 0.001, 0.1, "m")?;
        within(
            &key("internal_delay_s"),
            self.internal_delay_s.unwrap_or(0.0),
            0.0,
            3e-4,
            "s",
        )?;
        within(&key("mismatch_db"), self.mismatch_db, -20.0, 20.0, "dB")?;
        within(&key("mismatch_s"), self.mismatch_s, -2e-5, 2e-5, "s")?;
        within(
            &key("equaliser_from_hz"),
            self.equaliser_from_hz,
            20.0,
            2000.0,
            "Hz",
        )
    }
}

/// The microphones at work: pressure at both ports in, one signal out.
pub struct Pair {
    front: Delay,
    rear: Option<Rear>,
    travel_s: f64,
    rate_hz: f64,
}

struct Rear {
    delay: FractionalDelay,
    gain: f64,
    equaliser: Biquad,
    makeup: f64,
}

impl Pair {
    /// Delay through the pair in samples.
    pub const DELAY: usize = FractionalDelay::LEAST as usize + 4;

    /// The pair; without `directional` it is the front microphone alone.
    pub fn new(settings: &Microphones, directional: bool, rate_hz: f64) -> Self {
        let internal_s = settings
            .internal_delay_s
            .unwrap_or(settings.travel_s() * settings.pattern.delay_ratio());
        let rear_s = internal_s + settings.mismatch_s;
        let mut pair = Self {
            front: Delay::new(Self::DELAY),
            rear: directional.then(|| Rear {
                delay: FractionalDelay::new(Self::DELAY as f64 + rear_s * rate_hz),
                gain: amplitude(settings.mismatch_db),
                equaliser: Biquad::pole(settings.equaliser_from_hz, rate_hz),
                makeup: 1.0,
            }),
            travel_s: settings.travel_s(),
            rate_hz,
        };
        // Sound from the front at 1 kHz passes unchanged.
        let front = libm::sqrt(pair.response(1000.0, 0.0).norm_sqr());
        if let Some(rear) = &mut pair.rear {
            rear.makeup = 1.0 / front.max(1e-3);
        }
        pair
    }

    /// Takes the pressure at both ports and gives the combined signal, in Pa.
    pub fn step(&mut self, front_pa: f64, rear_pa: f64) -> f64 {
        let front = self.front.step(front_pa);
        match &mut self.rear {
            None => front,
            Some(rear) => {
                let back = rear.gain * rear.delay.step(rear_pa);
                rear.makeup * rear.equaliser.step(front - back)
            }
        }
    }

    /// Complex gain for a plane wave from `direction_deg`, re the pressure at
    /// the front port.
    pub fn response(&self, hz: f64, direction_deg: f64) -> Complex64 {
        let cosine = libm::cos(direction_deg.to_radians());
        self.combined(hz, lag(TAU * hz * self.travel_s * cosine))
    }

    /// Complex gain for a pressure that is the same at both ports.
    pub fn common_response(&self, hz: f64) -> Complex64 {
        self.combined(hz, Complex64::from(1.0))
    }

    fn combined(&self, hz: f64, rear_pressure: Complex64) -> Complex64 {
        let front = self.front.response(hz, self.rate_hz);
        let Some(rear) = &self.rear else { return front };
        let back = rear.delay.response(hz, self.rate_hz) * rear_pressure * rear.gain;
        (front - back) * rear.equaliser.response(hz, self.rate_hz) * rear.makeup
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relative_db(pattern: Pattern, direction_deg: f64) -> f64 {
        let settings = Microphones {
            pattern,
            ..Microphones::default()
        };
        let pair = Pair::new(&settings, true, 48_000.0);
        let level = |degrees| 20.0 * pair.response(500.0, degrees).norm().log10();
        level(direction_deg) - level(0.0)
    }

    /// Levels of the ideal patterns a + (1 − a) cos θ at 90° and 180° re 0°:
    /// 20 lg a and 20 lg |2a − 1|; the same in the public physics reference
    /// hyperphysics.phy-astr.gsu.edu (cardioid, super-, hypercardioid). A pair of
    /// 10 mm at 500 Hz departs from the ideal by (ωd/c)²/6 = 0.1 % of amplitude.
    #[test]
    fn the_free_field_levels_are_those_of_the_first_order_patterns() {
        let close = |found: f64, table: f64| {
            assert!((found - table).abs() < 0.1, "{found} for {table}");
        };
        close(relative_db(Pattern::Cardioid, 90.0), -6.02);
        assert!(relative_db(Pattern::Cardioid, 180.0) < -40.0);
        close(relative_db(Pattern::Supercardioid, 90.0), -8.73);
        close(relative_db(Pattern::Supercardioid, 180.0), -11.44);
        close(relative_db(Pattern::Hypercardioid, 90.0), -12.04);
        close(relative_db(Pattern::Hypercardioid, 180.0), -6.02);
        assert!(relative_db(Pattern::FigureOfEight, 90.0) < -40.0);
        close(relative_db(Pattern::FigureOfEight, 180.0), 0.0);
    }

    #[test]
    fn a_wrong_internal_delay_is_not_a_cardioid() {
        assert!((relative_db(Pattern::Supercardioid, 90.0) + 6.02).abs() > 0.5);
    }

    #[test]
    fn a_port_mismatch_fills_the_null_as_the_geometry_says() {
        // |1 − m e^(−jφ)| with φ = 0 from the back, φ = 2ωd/c from the front.
        let settings = Microphones {
            mismatch_db: 0.5,
            ..Microphones::default()
        };
        let pair = Pair::new(&settings, true, 48_000.0);
        let m = amplitude(0.5);
        let front = (1.0 - lag(TAU * 1000.0 * 2.0 * settings.travel_s()) * m).norm();
        let expected = 20.0 * (front / (m - 1.0)).log10();
        let ratio = pair.response(1000.0, 0.0).norm() / pair.response(1000.0, 180.0).norm();
        assert!((20.0 * ratio.log10() - expected).abs() < 0.02);
    }
}
