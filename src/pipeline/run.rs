//! Runs a plan.

use super::checks;
use super::plan::{CapturePlan, Plan, Request};
use super::record::{Assessment, CaptureRead, Entry, Record, Tool};
use super::session::CaptureRole;
use crate::assessment::{Evidence, Measured, assess};
use crate::capture::Recording;
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::levels::{Interval, Levels, Scope, reduce};
use crate::measurement::{Captures, Kind};
use crate::trust;

/// How far a run has come.
#[derive(Debug, Clone, Copy)]
pub struct Progress<'a> {
    /// The capture being read.
    pub capture: &'a str,
    /// Its number, from 1.
    pub number: usize,
    /// How many there are.
    pub count: usize,
    /// Share of this capture done, from 0 to 1.
    pub share: f64,
}

/// Reads every capture once and measures. What fails for one capture or one
/// measurement is a finding of the record; the rest goes on.
///
/// # Errors
/// The first failure, if not one measurement could be made.
pub fn run(plan: &Plan, progress: &mut dyn FnMut(Progress<'_>)) -> Result<Record> {
    let mut record = Record {
        schema: 1,
        tool: Tool::THIS,
        session: plan.session.clone(),
        withheld: Vec::new(),
        recipe: plan.recipe(),
        inputs: plan.documents.clone(),
        calibration: plan.calibration.clone(),
        options: plan.options.clone(),
        criteria: plan.criteria.clone(),
        captures: Vec::new(),
        checks: Vec::new(),
        entries: Vec::new(),
        assessments: Vec::new(),
        findings: Vec::new(),
        gaps: plan.gaps.clone(),
    };
    let mut levels: Vec<Option<Levels>> = Vec::new();
    for index in 0..plan.captures.len() {
        levels.push(match read(plan, index, progress) {
            Ok(mut levels) => {
                note(plan, index, &mut levels, &mut record);
                Some(levels)
            }
            Err(error) => {
                record
                    .findings
                    .push(error.in_capture(&plan.captures[index].name));
                None
            }
        });
    }
    // Calibrators first: whether the calibration held is a doubt to all others.
    for calibrators in [true, false] {
        let drift = checks::drift(&record.entries);
        let checks = checks::check(plan, &levels, calibrators, drift);
        record
            .findings
            .extend(checks.iter().filter_map(checks::finding));
        record.checks.extend(checks);
        let of = |kind: Kind| (kind == Kind::CalibratorTone) == calibrators;
        for request in plan.requests.iter().filter(|request| of(request.kind)) {
            measure(plan, request, &levels, &mut record);
        }
    }
    let assessed = assess(&evidence(plan, &record), &plan.criteria);
    for (captures, found) in assessed {
        match found {
            Ok(outcome) => {
                let doubts = record.doubts_of(&captures);
                record.assessments.push(Assessment {
                    captures,
                    doubts,
                    outcome,
                });
            }
            Err(error) => record.findings.push(error),
        }
    }
    let failed = record
        .findings
        .iter()
        .position(|f| f.severity() == crate::diagnostic::Severity::Error);
    match failed {
        Some(position) if record.entries.is_empty() => Err(record.findings.swap_remove(position)),
        _ => Ok(record),
    }
}

/// Adds the outcome of `request` to the record, or why there is none.
fn measure(plan: &Plan, request: &Request, levels: &[Option<Levels>], record: &mut Record) {
    let Some(captures) = bind(request, levels) else {
        record.gaps.push(unread(plan, request, levels));
        return;
    };
    let measured = checks::standing(plan, request, &record.checks).and_then(|doubts| {
        let outcome = request.kind.measure(&captures, &plan.options)?;
        let named =
            |(part, index): (&String, &usize)| (part.clone(), plan.captures[*index].name.clone());
        Ok(Entry {
            captures: request.captures.iter().map(named).collect(),
            doubts,
            outcome,
        })
    });
    match measured {
        Ok(entry) => record.entries.push(entry),
        Err(error) => record.findings.push(error),
    }
}

fn read(plan: &Plan, index: usize, progress: &mut dyn FnMut(Progress<'_>)) -> Result<Levels> {
    let capture = &plan.captures[index];
    let recording = Recording::open(capture.sources.clone())?;
    let mut interval = capture.interval;
    let duration_s = recording.frames() as f64 / f64::from(recording.rate_hz());
    let settling_s = settling_s(capture, duration_s);
    interval.from_s = interval.from_s.or(settling_s);
    let scope = Scope {
        range: plan.range,
        interval,
        tone: capture.tone,
        steps_s: capture.steps_s.clone(),
    };
    let signal = plan.calibration.apply(recording);
    let mut levels = reduce(
        signal,
        plan.needs(index).or(trust::NEEDS),
        scope,
        &mut |share| {
            progress(Progress {
                capture: &capture.name,
                number: index + 1,
                count: plan.captures.len(),
                share,
            });
        },
    );
    if let (Ok(levels), Some(settling_s)) = (&mut levels, settling_s) {
        let note = Diagnostic::from(Problem::Settling { settling_s }).note();
        levels.findings.push(note);
    }
    let file = capture
        .sources
        .iter()
        .flatten()
        .next()
        .map(|source| source.file.as_path());
    match file {
        Some(file) => levels.in_file(file),
        None => levels,
    }
}

/// How much of a capture of speech to leave out where the session does not say:
/// the first 15 s of 60 s, as in IEC 60118-15 (from memory), a quarter of less.
fn settling_s(capture: &CapturePlan, duration_s: f64) -> Option<f64> {
    let Interval { from_s, to_s } = capture.interval;
    let settling_s = (0.25 * duration_s).min(15.0);
    let free = from_s.is_none() && to_s.is_none_or(|to_s| settling_s < to_s);
    let talks = matches!(
        capture.role,
        CaptureRole::Speech
            | CaptureRole::SpeechPlusNoise
            | CaptureRole::SpeechMinusNoise
            | CaptureRole::SpeechPlusNoiseOn
            | CaptureRole::SpeechMinusNoiseOn
    );
    (talks && free).then_some(settling_s)
}

/// Moves what was read of a capture into the record.
fn note(plan: &Plan, index: usize, levels: &mut Levels, record: &mut Record) {
    let capture = &plan.captures[index];
    record.captures.push(CaptureRead {
        name: capture.name.clone(),
        role: capture.role,
        force: capture.sources[0].clone(),
        microphone: capture.sources[1].clone(),
        from_s: capture.interval.from_s,
        to_s: capture.interval.to_s,
        duration_s: levels.duration_s,
        rate_hz: levels.rate_hz,
        level_db_spl: capture.level_db_spl,
        level_db: capture.tone.map(|tone| tone.level_db),
        frequency_hz: capture.tone.map(|tone| tone.frequency_hz),
        direction_deg: capture.direction_deg,
        steps_s: capture.steps_s.clone(),
        note: capture.note.clone(),
    });
    for input in std::mem::take(&mut levels.inputs) {
        if !record.inputs.contains(&input) {
            record.inputs.push(input);
        }
    }
    let findings = std::mem::take(&mut levels.findings);
    let named = |finding: Diagnostic| finding.in_capture(&capture.name);
    record.findings.extend(findings.into_iter().map(named));
}

/// What the assessments may read of `record`.
fn evidence<'a>(plan: &'a Plan, record: &'a Record) -> Evidence<'a> {
    let measured = record.entries.iter().filter_map(|entry| {
        // Beside the one that is measured stand those that tell more of it.
        let names: Vec<&str> = match entry.captures.get("capture") {
            Some(only) => vec![only],
            None => entry.captures.values().map(String::as_str).collect(),
        };
        let capture = plan.captures.iter().find(|c| c.name == names[0])?;
        Some(Measured {
            captures: names,
            role: capture.role.name(),
            level_db_spl: capture.level_db_spl,
            outcome: &entry.outcome,
        })
    });
    Evidence {
        subject: plan.subject.as_ref(),
        data_sheet: plan.data_sheet.as_ref(),
        measured: measured.collect(),
    }
}

/// Why a request had to be left out.
fn unread(plan: &Plan, request: &Request, levels: &[Option<Levels>]) -> String {
    let parts = request.captures.values();
    let unread = parts.filter(|index| levels[**index].is_none());
    let names: Vec<&str> = unread
        .map(|index| plan.captures[*index].name.as_str())
        .collect();
    format!(
        "{}: could not read {}; see the errors",
        request.kind.name(),
        names.join(", ")
    )
}

/// The levels that play a part in `request`; `None` if one could not be read,
/// which is a finding already.
fn bind<'a>(request: &'a Request, levels: &'a [Option<Levels>]) -> Option<Captures<'a>> {
    let parts = request.captures.iter();
    let found: Option<Vec<_>> = parts
        .map(|(part, index)| Some((part.as_str(), levels[*index].as_ref()?)))
        .collect();
    Some(Captures::new(request.kind, found?))
}
