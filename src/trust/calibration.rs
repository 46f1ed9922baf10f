//! # Is the calibration in date, and did it hold?
//!
//! *Evidence.* Date and interval of each certificate against the day of the
//! session; the drift between two captures of a calibrator.
//! *Found from.* The day after it fell due, or a certificate younger than the
//! session; a drift above 0.5 dB (common practice, no source; the option
//! `calibrator_tone.largest_drift_db`).

use super::{Found, Input, State};
use crate::diagnostic::Severity;

/// What to do.
pub const NEXT: &str =
    "calibrate again, and repeat what was recorded since the calibration was last known to hold";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let drift = input.stated.drift;
    if let Some(drift) = drift.filter(|drift| drift.db.abs() > drift.allowed_db) {
        return Found::doubtful(format!(
            "the calibration drifted by {:.1} dB between its checks",
            drift.db.abs()
        ))
        .with("drift_db", drift.db);
    }
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
