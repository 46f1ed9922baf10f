//! Levels of both channels over time and frequency, for the eye: what rings in
//! the force and is not in the sound is seen at once.

use schemars::JsonSchema;
use serde::Serialize;

use crate::levels::map;
use crate::quantity::{ForceLevel, PressureLevel};

/// Third-octave levels over time; `null` where there was nothing.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Map {
    /// Nominal midband frequencies in Hz, rising.
    pub nominal_hz: Vec<f64>,
    /// Length of a point in seconds.
    pub step_s: f64,
    /// Force levels in dB re 1 µN, by band and point.
    pub force_db: Vec<Vec<Option<f64>>>,
    /// Sound pressure levels in dB re 20 µPa at the microphone, by band and point.
    pub microphone_db: Vec<Vec<Option<f64>>>,
}

impl Map {
    pub(super) fn of(map: &map::Map) -> Self {
        let [force, microphone] = &map.mean_square;
        Self {
            nominal_hz: map.bands.iter().map(|band| band.nominal_hz()).collect(),
            step_s: map.step_s,
            force_db: levels(force, |power| {
                ForceLevel::from_mean_square(power).map(|level| level.db())
            }),
            microphone_db: levels(microphone, |power| {
                PressureLevel::from_mean_square(power).map(|level| level.db())
            }),
        }
    }
}

/// To a tenth of a decibel: the eye asks for no more.
fn levels(powers: &[Vec<f64>], level: impl Fn(f64) -> Option<f64>) -> Vec<Vec<Option<f64>>> {
    let point = |power: &f64| level(*power).map(|db| (db * 10.0).round() / 10.0);
    powers
        .iter()
        .map(|row| row.iter().map(point).collect())
        .collect()
}
