//! Noise reduction of one band: steady sound is turned down, fluctuating sound
//! is not.

use serde::Deserialize;

use crate::bench::stimulus::within;
use crate::diagnostic::Result;

/// Smoothing of the level before its swing is judged, in seconds.
const SMOOTHING_S: f64 = 0.05;
/// Rate at which the followed peak sinks and the followed valley rises, dB/s.
const DRIFT_DB_PER_S: f64 = 6.0;
/// A sound that has just begun is listened to for so long, in seconds.
const LISTENING_S: f64 = 0.2;
/// Up to this swing between valley and peak a sound counts as steady, in dB.
const STEADY_DB: f64 = 12.0;
/// From this swing on it is left alone, in dB.
const LIVELY_DB: f64 = 20.0;

/// Noise reduction, as scenarios write it. Typical depth 3 dB to 15 dB, onset
/// 0.2 s to 20 s (from memory).
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct NoiseReduction {
    /// Attenuation of steady sound in dB.
    pub depth_db: f64,
    /// Time constant with which the attenuation sets in, in seconds.
    pub onset_s: f64,
    /// Time constant with which it goes, in seconds.
    pub offset_s: f64,
    /// Band level at the microphones below which it does nothing, dB SPL.
    pub from_db_spl: f64,
}

impl Default for NoiseReduction {
    fn default() -> Self {
        Self {
            depth_db: 8.0,
            onset_s: 1.0,
            offset_s: 0.1,
            from_db_spl: 35.0,
        }
    }
}

impl NoiseReduction {
    /// Checks the figures.
    pub fn check(&self) -> Result<()> {
        let key = |name: &str| format!("device.noise_reduction.{name}");
        within(&key("depth_db"), self.depth_db, 0.0, 40.0, "dB")?;
        within(&key("onset_s"), self.onset_s, 0.01, 60.0, "s")?;
        within(&key("offset_s"), self.offset_s, 0.01, 60.0, "s")
    }
}

/// The noise reduction of one band at work.
pub struct Reducer {
    depth_db: f64,
    from_db_spl: f64,
    smoothing: f64,
    onset: f64,
    offset: f64,
    drift_db: f64,
    square: f64,
    extremes_db: Option<(f64, f64)>,
    listening: f64,
    to_listen: f64,
    started: bool,
    attenuation_db: f64,
}

impl Reducer {
    /// A reducer that is stepped every `tick_s` seconds.
    pub fn new(settings: &NoiseReduction, tick_s: f64) -> Self {
        let step = |time_s: f64| 1.0 - libm::exp(-tick_s / time_s);
        Self {
            depth_db: settings.depth_db,
            from_db_spl: settings.from_db_spl,
            smoothing: step(SMOOTHING_S),
            onset: step(settings.onset_s),
            offset: step(settings.offset_s),
            drift_db: DRIFT_DB_PER_S * tick_s,
            square: 0.0,
            extremes_db: None,
            listening: LISTENING_S / tick_s,
            to_listen: LISTENING_S / tick_s,
            started: false,
            attenuation_db: 0.0,
        }
    }

    /// Takes the band's mean square re 0 dB SPL and gives the attenuation in dB.
    pub fn step(&mut self, square: f64) -> f64 {
        self.square += self.smoothing * (square - self.square);
        let level_db = 10.0 * libm::log10(self.square.max(1e-9));
        let quiet = level_db < self.from_db_spl;
        if self.started && quiet {
            (self.listening, self.extremes_db) = (self.to_listen, None);
        }
        let wanted_db = if self.listening > 0.0 {
            self.listening -= 1.0;
            0.0
        } else {
            self.started = true;
            let steadiness = self.steadiness(level_db);
            if quiet {
                0.0
            } else {
                self.depth_db * steadiness
            }
        };
        let more = wanted_db > self.attenuation_db;
        let step = if more { self.onset } else { self.offset };
        self.attenuation_db += step * (wanted_db - self.attenuation_db);
        self.attenuation_db
    }

    /// From 0, lively, to 1, steady.
    fn steadiness(&mut self, level_db: f64) -> f64 {
        let (valley, peak) = self.extremes_db.unwrap_or((level_db, level_db));
        let valley = level_db.min(valley + self.drift_db);
        let peak = level_db.max(peak - self.drift_db);
        self.extremes_db = Some((valley, peak));
        let steadiness = (LIVELY_DB - (peak - valley)) / (LIVELY_DB - STEADY_DB);
        steadiness.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steady_sound_is_turned_down_with_the_onset_constant() {
        let mut reducer = Reducer::new(&NoiseReduction::default(), 0.001);
        let found: Vec<f64> = (0..8000).map(|_| reducer.step(1e6)).collect();
        // 0.2 s of settling, then 8 (1 − e^(−t)).
        assert!((found[1200] - 8.0 * (1.0 - (-1.0f64).exp())).abs() < 0.02);
        assert!((found[7999] - 8.0).abs() < 0.01);
    }

    #[test]
    fn a_sound_after_silence_is_listened_to_first() {
        let mut reducer = Reducer::new(&NoiseReduction::default(), 0.001);
        let square = |n: usize| if n < 2000 { 0.0 } else { 1e6 };
        let found: Vec<f64> = (0..9000).map(|n| reducer.step(square(n))).collect();
        assert_eq!(found[2190], 0.0);
        assert!((found[3200] - 8.0 * (1.0 - (-1.0f64).exp())).abs() < 0.05);
    }

    #[test]
    fn sound_that_comes_and_goes_is_left_alone() {
        let mut reducer = Reducer::new(&NoiseReduction::default(), 0.001);
        let mut last = 0.0;
        for n in 0..8000 {
            last = reducer.step(if n / 300 % 2 == 0 { 1e6 } else { 1e3 });
        }
        assert!(last < 1.0, "{last}");
    }
}
