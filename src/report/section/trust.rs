//! Can this recording be trusted?

use std::collections::BTreeMap;

use super::super::document::{Block, Cell, Doubt, Figure, Section, Table, Verdict};
use super::super::number;
use super::{base_name, capital, counted, fact, words};
use crate::calibration::Channel;
use crate::diagnostic::{Diagnostic, Problem, Severity};
use crate::measurement::{Kind, Outcome};
use crate::pipeline::{Record, TestBox};
use crate::quantity::Role;

/// The warnings of the record, one letter for each kind of doubt.
pub(super) fn doubts(record: &Record) -> Vec<Doubt> {
    let mut by_code: BTreeMap<&'static str, Vec<&Diagnostic>> = BTreeMap::new();
    let warnings = record.findings.iter();
    for finding in warnings.filter(|f| f.severity() == Severity::Warning) {
        by_code
            .entry(finding.problem().code())
            .or_default()
            .push(finding);
    }
    let mut doubts = Vec::new();
    for (code, findings) in &by_code {
        let text: Vec<String> = findings.iter().map(|finding| told(finding)).collect();
        let mut captures: Vec<String> = Vec::new();
        for capture in findings.iter().filter_map(|f| f.place().capture.as_ref()) {
            if !captures.contains(capture) {
                captures.push(capture.clone());
            }
        }
        doubts.push(Doubt {
            letter: 'A',
            code,
            brief: brief(findings[0], &captures),
            text: text.join("; "),
            advice: findings[0].problem().advice(),
            captures,
            spares: &[],
        });
    }
    for (channel, role) in described(record) {
        if channel.expanded_uncertainty_db.is_none() {
            doubts.push(Doubt {
                letter: 'A',
                code: "calibration.uncertainty",
                brief: format!("the uncertainty of the {} is not stated", role.name()),
                text: format!(
                    "the uncertainty of the {} calibration is not stated, so no figure from it carries one",
                    role.name()
                ),
                advice: "take it from the certificate into the calibration file".into(),
                captures: Vec::new(),
                // There the calibration cancels, or plays no part.
                spares: match role {
                    Role::Force => &[Kind::Directional],
                    Role::Microphone => &[Kind::Directional, Kind::Feedback],
                },
            });
        }
    }
    if open(record) {
        doubts.push(Doubt {
            letter: 'A',
            code: "session.box",
            brief: "the box was open".into(),
            text: "the box was open: noise of the room and reflections come into the levels and the directional figures".into(),
            advice: "close the box and record again".into(),
            captures: Vec::new(),
            spares: &[],
        });
    }
    for (doubt, letter) in doubts.iter_mut().zip('A'..='Z') {
        doubt.letter = letter;
    }
    doubts
}

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let failures: Vec<&Diagnostic> = with(record, Severity::Error).collect();
    let verdict = match (doubts, failures.as_slice()) {
        ([], []) => Verdict::Within,
        ([], _) => Verdict::NotMeasurable,
        _ => Verdict::Doubtful,
    };
    let many = counted(doubts.len(), "doubt", "doubts");
    let briefs: Vec<&str> = doubts.iter().map(|d| d.brief.as_str()).collect();
    let failed = counted(failures.len(), "part", "parts");
    let (short, headline) = match (doubts, failures.as_slice()) {
        ([], []) => (
            "Yes, as far as this version checks it.".to_owned(),
            String::new(),
        ),
        ([], _) => (
            format!("Only in part: {failed} could not be measured."),
            format!(
                "{} of what was asked could not be measured.",
                capital(&failed)
            ),
        ),
        ([one], _) => (
            format!("Yes, with one doubt: {}.", one.brief),
            "One doubt goes with the figures.".to_owned(),
        ),
        _ => (
            format!("Yes, but with {many}: {}.", briefs.join("; ")),
            format!("{} go with the figures.", capital(&many)),
        ),
    };
    let answer = vec![words(answer(&short, record))];
    let mut blocks = vec![Block::Table(checks(record, doubts))];
    if !failures.is_empty() {
        let told = |failure: &&Diagnostic| {
            let problem = failure.problem();
            format!(
                "Could not be done: {}. Next: {}.",
                told(failure),
                problem.advice()
            )
        };
        blocks.push(Block::Notes(failures.iter().map(told).collect()));
    }
    if !doubts.is_empty() {
        let told = |doubt: &Doubt| {
            let name = format!("Doubt {}", doubt.letter);
            let advice = &doubt.advice;
            fact(&name, format!("{}. Next: {advice}.", capital(&doubt.text)))
        };
        blocks.push(Block::Facts(doubts.iter().map(told).collect()));
    }
    blocks.push(Block::Table(captures(record)));
    let notes = notes(record);
    let mut details = vec![Block::Notes(vec![
        "Clipping: three or more neighbouring samples at the end of the range. Files: length and header against each other. This version does not check dropouts, constant offset, hum, the noise of the room, the delay between the channels or the age of the calibration; listen to the recordings and see the certificate.".into(),
    ])];
    if !notes.is_empty() {
        details.push(Block::Notes(notes));
    }
    Section {
        question: "Can this recording be trusted?".into(),
        verdict: Some(verdict),
        in_part: verdict == Verdict::NotMeasurable,
        short,
        headline,
        answer,
        doubts: Vec::new(),
        blocks,
        details,
    }
}

/// Every note once, with the captures that it concerns.
fn notes(record: &Record) -> Vec<String> {
    let mut concerned: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for note in with(record, Severity::Note) {
        let captures = concerned.entry(message(note)).or_default();
        captures.extend(place(note));
    }
    let told = concerned.iter().map(|(message, places)| {
        let places = match places.as_slice() {
            [] => String::new(),
            places => format!(" ({})", places.join("; ")),
        };
        format!("{}{places}.", capital(message))
    });
    told.collect()
}

fn with(record: &Record, severity: Severity) -> impl Iterator<Item = &Diagnostic> {
    record
        .findings
        .iter()
        .filter(move |finding| finding.severity() == severity)
}

fn open(record: &Record) -> bool {
    record
        .session
        .as_ref()
        .is_some_and(|session| session.test_box == Some(TestBox::Open))
}

fn described(record: &Record) -> impl Iterator<Item = (&Channel, Role)> {
    let channels = record.calibration.channels().iter().zip(Role::ALL);
    channels.filter_map(|(channel, role)| Some((channel.as_ref()?, role)))
}

/// A warning in a few words, with the captures concerned.
fn brief(finding: &Diagnostic, captures: &[String]) -> String {
    let what = match finding.problem() {
        Problem::Clipped { .. } => "samples at full scale",
        Problem::RepairedWav { .. } => "a damaged file, repaired",
        _ => return told(finding),
    };
    match captures {
        [] => what.to_owned(),
        [one] => format!("{what} in “{one}”"),
        several => format!("{what} in {} recordings", number::count(several.len())),
    }
}

/// The short answer, and how much it rests on.
fn answer(short: &str, record: &Record) -> String {
    let total: f64 = record.captures.iter().map(|c| c.duration_s).sum();
    format!(
        "{short} {} of {} in all {} read.",
        super::capital(&counted(record.captures.len(), "recording", "recordings")),
        number::duration(total),
        if record.captures.len() == 1 {
            "was"
        } else {
            "were"
        }
    )
}

/// A finding with its place, file names without folders.
fn told(finding: &Diagnostic) -> String {
    match place(finding) {
        Some(place) => format!("{place}: {}", message(finding)),
        None => message(finding),
    }
}

/// Where a finding points, as far as a report may show it.
fn place(finding: &Diagnostic) -> Option<String> {
    let place = finding.place();
    let mut parts = Vec::new();
    match (&place.capture, &place.file) {
        (Some(capture), _) => parts.push(capture.clone()),
        (None, Some(file)) => parts.push(base_name(file)),
        (None, None) => {}
    }
    parts.extend(place.line.map(|line| format!("line {line}")));
    parts.extend(place.channel.iter().map(|c| format!("channel {c}")));
    parts.extend(place.key.iter().map(|key| format!("key {key}")));
    parts.extend(place.time_s.map(|s| format!("at {}", number::seconds(s))));
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// What a finding says, file names without folders.
fn message(finding: &Diagnostic) -> String {
    let message = finding.problem().to_string();
    match finding.problem() {
        Problem::Unmatched { first_file, .. } => {
            message.replace(first_file, &base_name(first_file.as_ref()))
        }
        _ => message,
    }
}

/// What was checked, what was found.
fn checks(record: &Record, doubts: &[Doubt]) -> Table {
    let mut rows = Vec::new();
    let mut row = |verdict, what: &str, evidence: String| {
        rows.push(vec![
            Cell::Verdict(verdict),
            Cell::Words(what.to_owned()),
            Cell::Words(evidence),
        ]);
    };
    let warned = |code: &str| doubts.iter().find(|doubt| doubt.code == code);
    let all = counted(record.captures.len(), "recording", "recordings");
    let quiet = [
        (
            "capture.clipped",
            "Clipping",
            "no run of samples at full scale in",
        ),
        ("capture.repaired", "Files", "whole and consistent:"),
    ];
    for (code, what, fine) in quiet {
        match warned(code) {
            None => row(Verdict::Within, what, format!("{fine} {all}")),
            Some(doubt) => {
                let evidence = format!("{} (doubt {})", doubt.brief, doubt.letter);
                row(Verdict::Doubtful, what, evidence);
            }
        }
    }
    for (channel, role) in described(record) {
        let what = format!("{} calibration", capital(role.name()));
        match channel.expanded_uncertainty_db {
            Some(u) => row(
                Verdict::Within,
                &what,
                format!(
                    "± {} dB stated{}",
                    number::uncertainty(&Figure::Measured(0.0, Some(u))),
                    certificate(channel)
                ),
            ),
            None => row(
                Verdict::Doubtful,
                &what,
                format!("uncertainty not stated{}", certificate(channel)),
            ),
        }
    }
    let test_box = record.session.as_ref().and_then(|s| s.test_box);
    match test_box {
        Some(TestBox::Closed) => row(Verdict::Within, "Box", "closed, as stated".into()),
        Some(TestBox::Open) => row(Verdict::Doubtful, "Box", "open, as stated".into()),
        None => row(Verdict::NotMeasurable, "Box", "not stated".into()),
    }
    Table {
        caption: "What was checked".into(),
        head: ["Verdict", "Check", "Evidence"].map(str::to_owned).to_vec(),
        rows,
    }
}

/// What is known of the paper behind a calibration.
fn certificate(channel: &Channel) -> String {
    let mut text = String::new();
    if let Some(certificate) = &channel.certificate {
        text.push_str(&format!(", certificate {certificate}"));
    }
    if let Some(date) = &channel.date {
        text.push_str(&format!(" of {date}"));
    }
    if let Some(months) = channel.interval_months {
        text.push_str(&format!(", due every {months} months"));
    }
    text
}

fn captures(record: &Record) -> Table {
    let interval = |name: &str| {
        record
            .entries
            .iter()
            .find_map(|entry| match &entry.outcome {
                Outcome::Levels(levels) if entry.captures.values().any(|c| c == name) => {
                    let interval = levels.interval;
                    Some(format!(
                        "{} to {}",
                        number::fixed(interval.from_s, 1),
                        number::fixed(interval.to_s, 1)
                    ))
                }
                _ => None,
            })
    };
    let stated = |level: Option<f64>, direction: Option<f64>| {
        let level = level.map(|db| format!("{}\u{a0}dB\u{a0}SPL", number::fixed(db, 0)));
        let direction = direction.map(|deg| format!("{}°", number::fixed(deg, 0)));
        let stated: Vec<String> = level.into_iter().chain(direction).collect();
        if stated.is_empty() {
            return number::ABSENT.to_owned();
        }
        stated.join(", ")
    };
    let rows = record.captures.iter().map(|capture| {
        let role = capture.role.name().replace('_', " ");
        vec![
            Cell::Words(capture.name.clone()),
            Cell::Words(role),
            Cell::Words(stated(capture.level_db_spl, capture.direction_deg)),
            Cell::Figure(number::fixed(capture.duration_s, 2)),
            Cell::Figure(interval(&capture.name).unwrap_or(number::ABSENT.into())),
            Cell::Figure(format!("{}", f64::from(capture.rate_hz) / 1000.0)),
        ]
    });
    Table {
        caption: "The recordings".into(),
        head: [
            "Recording",
            "Role",
            "Stated",
            "Length, s",
            "Analysed, s",
            "Rate, kHz",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: rows.collect(),
    }
}
