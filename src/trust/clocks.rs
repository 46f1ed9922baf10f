//! # Do two recorders keep the same time?
//!
//! *Evidence.* Where each channel has its own file: the lag between them over
//! the recording, and its slope by least squares.
//! *Found from.* 20 µs over the recording, a sixth of a period at 8 kHz:
//! doubtful; from 60 µs on the phase of the upper bands is lost and whatever
//! follows it is not measured. Levels do not depend on it.

use super::{Found, Input};
use crate::levels::probe::Lag;

/// What to do.
pub const NEXT: &str = "record both channels with one recorder";

const DOUBTFUL_S: f64 = 20e-6;
const LOST_S: f64 = 60e-6;
/// Windows that a slope needs.
const LEAST: usize = 3;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    if !input.stated.separate_files {
        return Found::passed("one file, one clock");
    }
    let lags = input
        .levels
        .setup
        .as_ref()
        .map(|s| s.probes.lags.as_slice());
    let Some(slope) = lags.filter(|lags| lags.len() >= LEAST).and_then(slope) else {
        return Found::not_checked(
            "the two files share too little broadband sound to compare their clocks",
        );
    };
    let drift_s = slope * input.levels.duration_s;
    let told = format!(
        "the clocks of the two files part by {:.1} millionths, {:.0} µs over the recording",
        slope.abs() * 1e6,
        drift_s.abs() * 1e6
    );
    let found = if drift_s.abs() > LOST_S {
        Found::failed(told)
    } else if drift_s.abs() > DOUBTFUL_S {
        Found::doubtful(told)
    } else {
        Found::passed("the clocks of the two files agree")
    };
    found.with("drift_s", drift_s)
}

/// Slope of the lag over time.
fn slope(lags: &[Lag]) -> Option<f64> {
    let count = lags.len() as f64;
    let mean_s = lags.iter().map(|lag| lag.at_s).sum::<f64>() / count;
    let spread: f64 = lags.iter().map(|lag| (lag.at_s - mean_s).powi(2)).sum();
    let along: f64 = lags.iter().map(|l| (l.at_s - mean_s) * l.lag_s).sum();
    (spread > 0.0).then(|| along / spread)
}
