//! # Is the reference microphone where it was when all was well?
//!
//! *Evidence.* Its band levels against those of an earlier capture of the same
//! sound, from 500 Hz up. A microphone that has moved away from the opening
//! hears the sound and its echo from the device: some bands rise, some fall.
//! *Found from.* 1.5 dB on the average of the bands, or 3 dB between the band that
//! rose most and the one that fell most.

use super::{Found, Input};
use crate::levels::Bands;
use crate::quantity::Role;

/// What to do.
pub const NEXT: &str = "set the microphone 1 mm to 3 mm from the front opening, and record again";

const LOWEST_HZ: f64 = 500.0;
const LEVEL_DB: f64 = 1.5;
const RIPPLE_DB: f64 = 3.0;
/// Bands this far below the loudest say nothing.
const HEARD_DB: f64 = 40.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let Some(earlier) = input.earlier else {
        return Found::not_checked(
            "no capture of this session has the role `earlier` and this level to compare with",
        );
    };
    let (Some(now), Some(then)) = (&input.levels.bands, &earlier.bands) else {
        return Found::not_checked("there are no band levels of the microphone");
    };
    let changes = changes_db(now, then);
    if changes.is_empty() {
        return Found::not_checked("the two captures share no band");
    }
    let mean = changes.iter().sum::<f64>() / changes.len() as f64;
    let highest = changes.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = changes.iter().copied().fold(f64::INFINITY, f64::min);
    let ripple = highest - lowest;
    let found = if ripple > RIPPLE_DB {
        Found::doubtful(format!(
            "the microphone hears the same sound otherwise than before, by {lowest:.1} dB to {highest:.1} dB from band to band: it is not at the opening"
        ))
    } else if mean.abs() > LEVEL_DB {
        Found::doubtful(format!(
            "the microphone reads {:.1} dB {} than before for the same sound",
            mean.abs(),
            if mean < 0.0 { "less" } else { "more" }
        ))
    } else {
        Found::passed("the microphone hears the sound as before")
    };
    found.with("mean_db", mean).with("ripple_db", ripple)
}

/// Change of every band that both captures hold well, in dB.
fn changes_db(now: &Bands, then: &Bands) -> Vec<f64> {
    let row = Role::Microphone as usize;
    let loudest = then.mean_square.row(row).fold(0.0f64, |a, b| a.max(*b));
    let heard = loudest * 10f64.powf(-HEARD_DB / 10.0);
    let pairs = now.bands.iter().enumerate().filter_map(|(column, band)| {
        let other = then.bands.iter().position(|b| b == band)?;
        let squares = [
            now.mean_square[(row, column)],
            then.mean_square[(row, other)],
        ];
        let usable = band.exact_hz() > 0.9 * LOWEST_HZ && squares.iter().all(|s| *s > heard);
        usable.then(|| 10.0 * (squares[0] / squares[1]).log10())
    });
    pairs.collect()
}
