//! # Was the recorder overdriven?
//!
//! *Evidence.* Three samples or more in a row at full scale.
//! *Found from.* One such run: the peak is lost, and whatever was measured there
//! with it.

use super::{Found, Input, recorded};

/// What to do.
pub const NEXT: &str = "lower the recorder's gain and record again";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    for (role, integrity) in recorded(input.levels) {
        if let Some(problem) = integrity.clipping() {
            return Found::doubtful(format!("in the {} channel {problem}", role.name()));
        }
    }
    Found::passed("no run of samples at full scale")
}
