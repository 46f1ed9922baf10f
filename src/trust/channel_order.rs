//! # Are force and microphone where the calibration says?
//!
//! *Evidence.* The lag of the force behind the sound, by cross-correlation. A
//! device takes time: sound cannot come out before it goes in.
//! *Found from.* A force that leads by more than half a millisecond. Less may be
//! the way of the device's own sound to the microphone.
//! *Not told.* From tones alone, and from two files that did not start together.

use super::{Found, Input};

/// What to do.
pub const NEXT: &str = "exchange the two cables, or the two `channel` keys in the calibration file";

/// Longest lead that sound from the device to the microphone explains, in
/// seconds: some 17 cm.
const LEAD_S: f64 = 0.5e-3;
/// No device takes longer, in seconds: a longer lag is no device's.
const LONGEST_S: f64 = 0.05;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    if input.stated.separate_files {
        return Found::not_checked("each channel has its own file, and their starts may differ");
    }
    let lags = input.levels.setup.iter().flat_map(|s| &s.probes.lags);
    let lags = lags.map(|lag| lag.lag_s);
    let mut lags: Vec<f64> = lags.filter(|lag_s| lag_s.abs() < LONGEST_S).collect();
    lags.sort_by(f64::total_cmp);
    let Some(lag_s) = lags.get(lags.len() / 2).copied() else {
        return Found::not_checked("the channels share no broadband sound, so neither comes first");
    };
    let told_ms = (lag_s * 1e3).abs();
    let found = if lag_s < -LEAD_S {
        Found::failed(format!(
            "force and microphone are exchanged: the force comes {told_ms:.1} ms before the sound"
        ))
    } else {
        Found::passed(format!("the force comes {told_ms:.1} ms after the sound"))
    };
    found.with("lag_s", lag_s)
}
