//! A knock on the bench: a lid that rattles, a coupling that ticks.

use std::f64::consts::TAU;

use serde::Deserialize;

use super::filter::amplitude;
use super::stimulus::{NEWTONS_AT_0_DB, PASCALS_AT_0_DB};

/// Frequency of the knock in Hz, and its time constant in seconds (own choice).
const FREQUENCY_HZ: f64 = 3000.0;
const DECAY_S: f64 = 1e-3;

/// One knock, as scenarios write it.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Knock {
    /// When, in seconds.
    pub(super) at_s: f64,
    /// Its first amplitude as a force, dB re 1 µN.
    pub(super) force_db: f64,
    /// Its first amplitude as a sound, dB re 20 µPa.
    pub(super) level_db_spl: f64,
}

impl Knock {
    /// Force in N and pressure in Pa at a time.
    pub(super) fn at(&self, time_s: f64) -> [f64; 2] {
        let since = time_s - self.at_s;
        if !(0.0..20.0 * DECAY_S).contains(&since) {
            return [0.0; 2];
        }
        let shape = libm::exp(-since / DECAY_S) * libm::sin(TAU * FREQUENCY_HZ * since);
        [
            NEWTONS_AT_0_DB * amplitude(self.force_db) * shape,
            PASCALS_AT_0_DB * amplitude(self.level_db_spl) * shape,
        ]
    }
}
