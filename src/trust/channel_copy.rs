//! # Does each channel hold a signal of its own?
//!
//! *Evidence.* Samples that are the same in both, or all zero.
//! *Found from.* Two channels alike to the last bit, or a silent one.

use super::{Found, Input, Sound, recorded};

/// What to do.
pub const NEXT: &str =
    "check both cables and that the recorder takes two inputs, not one twice; record again";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    for (role, integrity) in recorded(input.levels) {
        let sounds = !matches!(input.stated.sound, Sound::Silence | Sound::Calibrator);
        if integrity.silent() && sounds {
            return Found::doubtful(format!(
                "the {} channel is silent: every sample is zero",
                role.name()
            ));
        }
        if integrity.same_as.is_some() {
            return Found::doubtful("the two channels hold one and the same signal");
        }
    }
    Found::passed("each channel holds a signal of its own")
}
