//! # Is there a constant offset?
//!
//! *Evidence.* Mean of all samples, of full scale.
//! *Found from.* 1 %: it takes room from the signal and tells of a faulty input.
//! Band levels do not contain it.

use super::{Found, Input, recorded};

/// What to do.
pub const NEXT: &str = "check the input stage and the supply of the transducer, and record again";

const MATTERS: f64 = 0.01;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let mut largest = 0.0f64;
    for (role, integrity) in recorded(input.levels) {
        let percent = 100.0 * integrity.dc;
        if integrity.dc.abs() > MATTERS {
            return Found::doubtful(format!(
                "the {} channel is offset by {percent:.1} % of full scale",
                role.name()
            ))
            .with("offset_percent", percent);
        }
        largest = largest.max(percent.abs());
    }
    Found::passed("no offset worth mentioning").with("offset_percent", largest)
}
