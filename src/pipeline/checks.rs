//! The set-up checks of every capture, and what they mean for a measurement.

use super::plan::{Plan, Request};
use super::record::{Doubt, Entry};
use super::session::{CaptureRole, TestBox};
use crate::diagnostic::{At, Diagnostic, Problem};
use crate::levels::Levels;
use crate::measurement::Outcome;
use crate::trust::{Check, Checked, Drift, Input, State, Stated};

/// The largest drift between the calibrators of a session.
pub(super) fn drift(entries: &[Entry]) -> Option<Drift> {
    let drifts = entries.iter().filter_map(|entry| match &entry.outcome {
        Outcome::CalibratorTone(tone) => Some(Drift {
            db: tone.drift.as_ref()?.figure()?.db(),
            allowed_db: tone.largest_drift_db,
        }),
        _ => None,
    });
    drifts.max_by(|a, b| a.db.abs().total_cmp(&b.db.abs()))
}

/// Every check on every capture that could be read, of calibrators or of all
/// others.
pub(super) fn check(
    plan: &Plan,
    levels: &[Option<Levels>],
    calibrators: bool,
    drift: Option<Drift>,
) -> Vec<Checked> {
    let mut checks = Vec::new();
    for (index, capture) in plan.captures.iter().enumerate() {
        let Some(read) = &levels[index] else { continue };
        if capture.role.calibrated().is_some() != calibrators {
            continue;
        }
        let of_role = |role: CaptureRole| {
            let other = plan.captures.iter().zip(levels).enumerate();
            other
                .filter(move |(other, (c, _))| *other != index && c.role == role)
                .filter_map(|(_, (c, levels))| Some((c, levels.as_ref()?)))
        };
        let same_sound = |other: &&super::CapturePlan| {
            other.level_db_spl == capture.level_db_spl && capture.level_db_spl.is_some()
        };
        let input = Input {
            stated: stated(plan, index, drift),
            levels: read,
            room_noise: of_role(CaptureRole::RoomNoise).map(|(_, l)| l).next(),
            earlier: of_role(CaptureRole::Earlier)
                .find(|(other, _)| same_sound(other))
                .map(|(_, levels)| levels),
        };
        checks.extend(Check::ALL.iter().map(|check| Checked {
            check: *check,
            capture: capture.name.clone(),
            found: check.check(&input),
        }));
    }
    checks
}

fn stated(plan: &Plan, index: usize, drift: Option<Drift>) -> Stated {
    let capture = &plan.captures[index];
    let session = plan.session.as_ref();
    let [force, microphone] = &capture.sources;
    Stated {
        sound: capture.role.sound(),
        level_db_spl: capture.level_db_spl,
        date: session.and_then(|s| s.date),
        box_open: session
            .and_then(|s| s.test_box)
            .map(|test_box| test_box == TestBox::Open),
        drift,
        separate_files: matches!((force, microphone), (Some(f), Some(m)) if f.file != m.file),
    }
}

/// A check that is not passed, as a finding of the record.
pub(super) fn finding(checked: &Checked) -> Option<Diagnostic> {
    matters(checked).then(|| {
        let problem = Problem::SetUp {
            code: checked.check.code(),
            finding: checked.found.finding.clone(),
            next: checked.check.next(),
        };
        Diagnostic::from(problem)
            .warning()
            .in_capture(&checked.capture)
    })
}

/// The checks not passed on which `request` relies.
fn doubts<'a>(
    plan: &'a Plan,
    request: &'a Request,
    checks: &'a [Checked],
) -> impl Iterator<Item = &'a Checked> {
    let relied = request.kind.relies_on();
    let takes_part = |checked: &Checked| {
        let mut captures = request.captures.values();
        captures.any(|index| plan.captures[*index].name == checked.capture)
    };
    checks.iter().filter(move |checked| {
        matters(checked) && relied.contains(&checked.check) && takes_part(checked)
    })
}

/// Why `request` cannot be measured, or the doubts that go with its figures.
pub(super) fn standing(
    plan: &Plan,
    request: &Request,
    checks: &[Checked],
) -> Result<Vec<Doubt>, Diagnostic> {
    let doubts = || doubts(plan, request, checks);
    if let Some(failed) = doubts().find(|checked| checked.found.state == State::Failed) {
        let problem = Problem::NotTrusted {
            measurement: request.kind.name(),
            finding: failed.found.finding.clone(),
            next: failed.check.next(),
        };
        return Err(Diagnostic::from(problem).in_capture(&failed.capture));
    }
    let doubt = |checked: &Checked| Doubt {
        check: checked.check,
        capture: checked.capture.clone(),
    };
    Ok(doubts().map(doubt).collect())
}

fn matters(checked: &Checked) -> bool {
    checked.found.state >= State::Doubtful
}
