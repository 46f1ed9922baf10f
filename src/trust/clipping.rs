//! # Was the recorder overdriven?
//!
//! *Evidence.* Three samples or more in a row at full scale.
//! *Found from.* One such run: the peak is lost, and whatever was measured there
//! with it.

use super::{Found, Input, channels};
use crate::capture::Places;

/// What to do.
pub const NEXT: &str = "lower the recorder's gain and record again";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    for role in channels(input.levels) {
        let Some(integrity) = &input.levels.integrity[role as usize] else {
            continue;
        };
        let Places { count, samples, .. } = integrity.clipped;
        if let [first_s, ..] = integrity.clipped.starts_s[..] {
            let places = if count == 1 { "place" } else { "places" };
            return Found::doubtful(format!(
                "{samples} samples at full scale in {count} {places} of the {} channel, the first at {first_s:.3} s",
                role.name()
            ))
            .with("first_s", first_s);
        }
    }
    Found::passed("no run of samples at full scale")
}
