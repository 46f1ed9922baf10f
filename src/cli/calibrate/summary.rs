//! What `calibrate` tells of a tone, and of a sensitivity old and new.

use std::path::Path;

use micronewton::calibration::Channel;
use micronewton::calibration::revision::{Revision, sensitivity_key};
use micronewton::diagnostic::{At, Diagnostic, Problem};
use micronewton::measurement::calibrator_tone::Outcome;
use micronewton::quantity::{Quantity, Reading};

/// A new sensitivity this far from the old one casts doubt on what was measured
/// since, in dB (common practice, no source).
const DRIFT_DB: f64 = 0.5;
/// This far from the known one something other than drift is the cause, in dB
/// (own choice).
const BLUNDER_DB: f64 = 3.0;
/// Distance of the two levels that many sound calibrators offer, 94 dB and
/// 114 dB.
const SWITCH_DB: f64 = 20.0;

/// The tone that was found.
pub fn tone(tone: &Outcome, file: &Path) -> String {
    format!(
        "{}: {} dB at {} Hz stated\n  frequency             {}\n  level fluctuation     {}\n  distortion and noise  {}\n",
        file.display(),
        tone.stated_level_db,
        tone.stated_frequency_hz,
        figure(&tone.frequency),
        figure(&tone.fluctuation),
        figure(&tone.distortion),
    )
}

fn figure<Q: Quantity>(reading: &Reading<Q>) -> String {
    match reading.figure() {
        Some(figure) => format!("{:.2} {}", figure.value(), Q::UNIT),
        None => "not measured".into(),
    }
}

/// Old and new sensitivity, and the papers that went with the old one.
pub fn change(new: &Revision, old: Option<&Channel>) -> String {
    let key = sensitivity_key(new.role);
    let mut lines = vec![match old {
        Some(old) => format!(
            "{}.{key}: {} before, {} now, {}",
            new.role.name(),
            old.sensitivity,
            new.sensitivity,
            difference(difference_db(new, old.sensitivity))
        ),
        None => format!("{}.{key}: {}", new.role.name(), new.sensitivity),
    }];
    lines.push(match new.expanded_uncertainty_db {
        Some(expanded) => format!("  expanded uncertainty  {expanded} dB (k = 2)"),
        None => {
            "  expanded uncertainty  not stated (--uncertainty): no level will carry one".into()
        }
    });
    if let Some(old) = old {
        let gone = [
            (
                "certificate",
                old.certificate.is_some() && new.certificate.is_none(),
            ),
            (
                "expanded_uncertainty_db",
                old.expanded_uncertainty_db.is_some() && new.expanded_uncertainty_db.is_none(),
            ),
            (
                "temperature_c",
                old.temperature_c.is_some() && new.temperature_c.is_none(),
            ),
        ];
        let gone: Vec<&str> = gone
            .iter()
            .filter(|(_, gone)| *gone)
            .map(|(key, _)| *key)
            .collect();
        if !gone.is_empty() {
            lines.push(format!(
                "  taken out with the old sensitivity: {}",
                gone.join(", ")
            ));
        }
    }
    lines.join("\n") + "\n"
}

/// A warning where the new sensitivity is not what was known of it. `level_db` is
/// what a calibrator was stated to make, if it comes from one.
pub fn moved(new: &Revision, known: f64, level_db: Option<f64>) -> Option<Diagnostic> {
    let moved_db = difference_db(new, known);
    if moved_db.abs() <= DRIFT_DB {
        return None;
    }
    let what = format!(
        "the new sensitivity is {} from the one known before, {known}",
        difference(moved_db)
    );
    let other_level = level_db.map(|level_db| level_db + SWITCH_DB.copysign(moved_db));
    let next = match other_level {
        Some(other) if (moved_db.abs() - SWITCH_DB).abs() < BLUNDER_DB => format!(
            "the calibrator most likely stood at {other} dB: look at its switch and label, and calibrate again with the level that it makes"
        ),
        _ if moved_db.abs() > BLUNDER_DB => {
            "look for another gain of the recorder, another transducer or a unit mistaken, and calibrate again".into()
        }
        _ => "what was measured since the calibration before is in doubt by as much".into(),
    };
    let problem = Problem::SensitivityMoved { what, next };
    Some(
        Diagnostic::from(problem)
            .in_channel(new.role.name())
            .warning(),
    )
}

fn difference_db(new: &Revision, known: f64) -> f64 {
    20.0 * (new.sensitivity / known).log10()
}

fn difference(db: f64) -> String {
    format!("{db:+.2} dB").replace('-', "\u{2212}")
}
