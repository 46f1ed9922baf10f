//! Can this recording be trusted?

use std::collections::BTreeMap;

use super::super::document::{Block, Called, Cell, Curves, Doubt, Figure, Section, Table, Verdict};
use super::super::number;
use super::{TRUST, base_name, capital, counted, fact, words};
use crate::calibration::Channel;
use crate::diagnostic::{Diagnostic, Problem, Severity};
use crate::measurement::{Kind, Outcome};
use crate::pipeline::{Entry, Record};
use crate::quantity::Role;
use crate::trust::{Check, Checked, State};

/// The warnings of the record, one letter for each kind of doubt, from `first` on.
pub(super) fn doubts(record: &Record, first: char) -> Vec<Doubt> {
    let mut by_code: BTreeMap<&'static str, Vec<&Diagnostic>> = BTreeMap::new();
    for finding in with(record, Severity::Warning) {
        let code = finding.problem().code();
        by_code.entry(code).or_default().push(finding);
    }
    let mut doubts: Vec<Doubt> = by_code
        .iter()
        .map(|(code, findings)| {
            let mut captures: Vec<&str> = Vec::new();
            for capture in findings.iter().filter_map(|f| f.place().capture.as_deref()) {
                if !captures.contains(&capture) {
                    captures.push(capture);
                }
            }
            Doubt {
                letter: first,
                code,
                brief: brief(findings[0], &captures),
                text: once_each(findings.iter().copied()).join("; "),
                advice: findings[0].problem().advice(),
                touches: touched(record, code, &captures),
            }
        })
        .collect();
    let unstated = described(record).filter(|(c, _)| c.expanded_uncertainty_db.is_none());
    for (_, role) in unstated {
        doubts.push(Doubt {
            letter: first,
            code: "calibration.uncertainty",
            brief: format!("the uncertainty of the {} is not stated", role.name()),
            text: format!(
                "the uncertainty of the {} calibration is not stated, so no figure from it carries one",
                role.name()
            ),
            advice: "take it from the certificate into the calibration file".into(),
            // Elsewhere the calibration cancels, or plays no part.
            touches: match role {
                Role::Force => vec![Kind::Levels, Kind::SpeechPercentiles, Kind::Feedback],
                Role::Microphone => vec![Kind::Levels, Kind::SpeechPercentiles],
            },
        });
    }
    for (doubt, letter) in doubts.iter_mut().zip(first..='Z') {
        doubt.letter = letter;
    }
    doubts
}

/// The measurements that a warning touches: those that rely on the check behind
/// it, or else every one on its captures.
fn touched(record: &Record, code: &str, captures: &[&str]) -> Vec<Kind> {
    let touches = |entry: &&Entry| {
        if code.starts_with("trust.") {
            return entry.doubts.iter().any(|doubt| doubt.check.code() == code);
        }
        let mut parts = entry.captures.values();
        captures.is_empty() || parts.any(|name| captures.contains(&name.as_str()))
    };
    let kinds = record.entries.iter().filter(touches);
    let mut kinds: Vec<Kind> = kinds.map(|entry| entry.outcome.kind()).collect();
    kinds.sort();
    kinds.dedup();
    kinds
}

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let failures: Vec<&Diagnostic> = with(record, Severity::Error).collect();
    let failed_check = |checked: &Checked| checked.found.state == State::Failed;
    let untrusted = record.checks.iter().any(failed_check);
    let verdict = match (doubts, failures.as_slice()) {
        _ if untrusted => Verdict::Outside,
        ([], []) => Verdict::Within,
        ([], _) => Verdict::NotMeasurable,
        _ => Verdict::Doubtful,
    };
    let many = counted(doubts.len(), "doubt", "doubts");
    let briefs: Vec<&str> = doubts.iter().map(|d| d.brief.as_str()).collect();
    let failed = counted(failures.len(), "part", "parts");
    let (short, headline) = match (doubts, failures.as_slice()) {
        _ if untrusted => (
            format!("Not all of it: {}.", briefs.join("; ")),
            "Not every recording can be trusted.".to_owned(),
        ),
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
    let checks = checks(record, doubts);
    let unmade = checks.rows.iter();
    let unmade = unmade.filter(|row| row[0] == ended(Verdict::NotMeasurable));
    let unmade: Vec<String> = unmade
        .filter_map(|row| match &row[1] {
            Cell::Words(what) => Some(what.to_lowercase()),
            _ => None,
        })
        .collect();
    let short = match unmade.as_slice() {
        [] => short,
        unmade => format!("{short} Not checked: {}.", unmade.join(", ")),
    };
    let answer = vec![words(answer(&short, record))];
    let mut blocks = vec![Block::Curves(Curves::Marks(marks(&checks)))];
    let mut open = Vec::new();
    for verdict in [Verdict::Outside, Verdict::Doubtful, Verdict::NotMeasurable] {
        let rows = checks.rows.iter().filter(|row| row[0] == ended(verdict));
        open.extend(rows.cloned());
    }
    if !open.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "What did not pass, or could not be checked".into(),
            head: checks.head.clone(),
            rows: open,
        }));
    }
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
    let notes = once_each(with(record, Severity::Note));
    let notes: Vec<String> = notes.iter().map(|note| format!("{note}.")).collect();
    let mut details = vec![Block::Table(captures(record)), Block::Table(checks), Block::Notes(vec![
        "Files: length and header against each other. Every other check, its evidence and the strength from which it is found stand in docs/formats.md under “Set-up checks”.".into(),
    ])];
    if !notes.is_empty() {
        details.push(Block::Notes(notes));
    }
    Section {
        question: TRUST.into(),
        verdict: Some(verdict),
        in_part: verdict == Verdict::NotMeasurable,
        short,
        headline,
        answer,
        blocks,
        details,
        ..Section::default()
    }
}

/// Every message once, with the places that it concerns.
fn once_each<'a>(findings: impl Iterator<Item = &'a Diagnostic>) -> Vec<String> {
    let mut concerned: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for finding in findings {
        let places = concerned.entry(message(finding)).or_default();
        places.extend(place(finding));
    }
    let told = concerned.iter().map(|(message, places)| {
        let places = match places.as_slice() {
            [] => String::new(),
            places => format!(" ({})", places.join("; ")),
        };
        format!("{}{places}", capital(message))
    });
    told.collect()
}

fn with(record: &Record, severity: Severity) -> impl Iterator<Item = &Diagnostic> {
    record
        .findings
        .iter()
        .filter(move |finding| finding.severity() == severity)
}

fn described(record: &Record) -> impl Iterator<Item = (&Channel, Role)> {
    let channels = record.calibration.channels().iter().zip(Role::ALL);
    channels.filter_map(|(channel, role)| Some((channel.as_ref()?, role)))
}

/// A warning in a few words, with the captures concerned.
fn brief(finding: &Diagnostic, captures: &[&str]) -> String {
    let what = match finding.problem() {
        Problem::RepairedWav { .. } => "a damaged file, repaired".to_owned(),
        problem @ Problem::SetUp { .. } => problem.to_string(),
        _ => return told(finding),
    };
    let all = finding_captures(captures);
    format!("{what}{all}")
}

/// ` in “this”`, ` in three recordings`.
fn finding_captures(captures: &[&str]) -> String {
    match captures {
        [] => String::new(),
        [one] => format!(" in “{one}”"),
        several => format!(" in {} recordings", number::count(several.len())),
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

/// How a check ended.
fn ended(verdict: Verdict) -> Cell {
    let word = match verdict {
        Verdict::Within => "passed",
        Verdict::Doubtful => "doubtful",
        Verdict::Outside => "failed",
        Verdict::NotMeasurable => "not checked",
    };
    Cell::Verdict(verdict, Some(Called::Answer(word)))
}

/// Verdict and name of every row.
fn marks(checks: &Table) -> Vec<(Verdict, Called, String)> {
    let of = |row: &Vec<Cell>| match row.as_slice() {
        [Cell::Verdict(verdict, Some(called)), Cell::Words(what), ..] => {
            Some((*verdict, *called, what.clone()))
        }
        _ => None,
    };
    checks.rows.iter().filter_map(of).collect()
}

/// What was checked, what was found.
fn checks(record: &Record, doubts: &[Doubt]) -> Table {
    let mut rows = Vec::new();
    let mut row = |verdict, what: &str, evidence: String| {
        rows.push(vec![
            ended(verdict),
            Cell::Words(what.to_owned()),
            Cell::Words(evidence),
        ]);
    };
    let all = counted(record.captures.len(), "recording", "recordings");
    match doubts.iter().find(|doubt| doubt.code == "capture.repaired") {
        None => row(
            Verdict::Within,
            "Files",
            format!("whole and consistent: {all}"),
        ),
        Some(doubt) => {
            let evidence = format!("{} (doubt {})", doubt.brief, doubt.letter);
            row(Verdict::Doubtful, "Files", evidence);
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
    for check in Check::ALL {
        if let Some((verdict, evidence)) = checked(record, *check, doubts) {
            row(verdict, &named(*check), evidence);
        }
    }
    Table {
        caption: "What was checked".into(),
        head: ["Ended", "Check", "Evidence"].map(str::to_owned).to_vec(),
        rows,
    }
}

/// What a reader calls a check; the strength of each calibration has a row of its own.
fn named(check: Check) -> String {
    match check {
        Check::Calibration => "Calibration age".to_owned(),
        other => capital(&other.name().replace('_', " ")),
    }
}

/// How a check ended over all captures, and its evidence: the worst first.
fn checked(record: &Record, check: Check, doubts: &[Doubt]) -> Option<(Verdict, String)> {
    let of = |state: State| {
        let all = record.checks.iter();
        all.filter(move |c| c.check == check && c.found.state == state)
    };
    for (state, verdict) in [
        (State::Failed, Verdict::Outside),
        (State::Doubtful, Verdict::Doubtful),
    ] {
        let captures: Vec<&str> = of(state).map(|c| c.capture.as_str()).collect();
        if let Some(first) = of(state).next() {
            let letter = doubts.iter().find(|doubt| doubt.code == check.code());
            let letter = letter.map_or(String::new(), |d| format!(" (doubt {})", d.letter));
            let all = finding_captures(&captures);
            return Some((verdict, format!("{}{all}{letter}", first.found.finding)));
        }
    }
    let (passed, open) = (of(State::Passed).count(), of(State::NotChecked).count());
    match (of(State::Passed).next(), of(State::NotChecked).next()) {
        (Some(first), None) => Some((Verdict::Within, first.found.finding.clone())),
        (Some(first), Some(_)) => Some((
            Verdict::Within,
            format!(
                "{} (in {passed} of {} recordings; the others cannot tell)",
                first.found.finding,
                passed + open
            ),
        )),
        (None, Some(reason)) => Some((Verdict::NotMeasurable, reason.found.finding.clone())),
        (None, None) => None,
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
