//! # Is the calibration in date?
//!
//! *Evidence.* Date and interval of each certificate against the day of the
//! session.
//! *Found from.* The day after it fell due, or a certificate younger than the
//! session.

use super::{Found, Input, State};
use crate::diagnostic::Severity;

/// What to do.
pub const NEXT: &str =
    "have the transducer calibrated, or put its present certificate into the calibration file";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let mut found = Found::passed("every certificate is in date");
    for channel in input.levels.channels.iter().flatten() {
        let Some(finding) = channel.age_finding(input.stated.date) else {
            continue;
        };
        let state = match finding.severity() {
            Severity::Note => State::NotChecked,
            Severity::Warning | Severity::Error => State::Doubtful,
        };
        if state > found.state {
            let told = format!("{}: {}", channel.role.name(), finding.problem());
            found = Found::new(state, told);
        }
    }
    found
}
