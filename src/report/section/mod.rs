//! From the record to questions and answers. A measurement of the catalogue
//! without a section of its own gets one from its observations.

mod both;
mod budget;
mod calibration;
mod changed;
mod compared;
mod directivity;
mod features;
mod feedback;
mod force;
mod margin;
mod names;
mod noise_reduction;
mod own_data;
mod particulars;
mod phase_inversion;
mod plain;
mod reach;
mod ripple;
mod too_much;
mod trust;

use std::path::Path;

use super::document::{Called, Document, Doubt, Fact, Figure, Section, Series, Span, Verdict};
use super::{Told, ears, number};
use crate::assessment::Kind as Assessed;
use crate::diagnostic::{Problem, Result};
use crate::measurement::Kind;
use crate::pipeline::{AgeGroup, Entry, Record, Side, TestBox};
use crate::quantity::{Observation, observations};

pub(super) use particulars::BUDGET;

type Tells = fn(&Record) -> bool;
type Make = fn(&Record, &[Doubt]) -> Section;

/// Sections of their own, in the order of the report, and whether there is
/// something for them to tell.
const OWN: [(Tells, Make); 11] = [
    (
        |record| measured(record, Kind::CalibratorTone),
        calibration::section,
    ),
    (|record| measured(record, Kind::Levels), force::section),
    (
        |record| {
            own_data::TOLD.iter().any(|kind| measured(record, *kind))
                || assessed(record, Assessed::DataSheet)
        },
        own_data::section,
    ),
    (
        |record| assessed(record, Assessed::Audibility),
        reach::section,
    ),
    (
        |record| assessed(record, Assessed::Discomfort),
        too_much::section,
    ),
    (|record| measured(record, Kind::Feedback), feedback::section),
    (
        |record| measured(record, Kind::Directional),
        features::section,
    ),
    (
        |record| measured(record, Kind::DirectionalAtOnce),
        features::at_once,
    ),
    (
        |record| measured(record, Kind::Directivity),
        directivity::section,
    ),
    (
        |record| {
            measured(record, Kind::NoiseReduction) || measured(record, Kind::NoiseReductionOnset)
        },
        noise_reduction::section,
    ),
    (
        |record| measured(record, Kind::PhaseInversion),
        phase_inversion::section,
    ),
];
/// The measurements that they tell.
const TOLD: [Kind; 10] = [
    Kind::CalibratorTone,
    Kind::Levels,
    Kind::SpeechPercentiles,
    Kind::Feedback,
    Kind::Directional,
    Kind::DirectionalAtOnce,
    Kind::Directivity,
    Kind::NoiseReduction,
    Kind::NoiseReductionOnset,
    Kind::PhaseInversion,
];

// The questions, in the order of the report.
const TRUST: &str = "Can this recording be trusted?";
const FORCE: &str = "What force does the device deliver?";
const OWN_DATA: &str = "Is the device within its own data?";
const REACH: &str = "Does speech reach this person?";
const TOO_MUCH: &str = "Is it ever too much?";
const FEEDBACK: &str = "Is it feeding back, and how near is it?";
const FEATURES: &str = "Do the features work?";
const CHANGED: &str = "What changed since the earlier record?";
const BOTH: &str = "Do left and right differ?";

/// What a verdict is called on a question that its own word does not answer.
fn called(question: &str, verdict: Verdict) -> Option<Called> {
    let word = match (question, verdict) {
        (TRUST, Verdict::Within) => "yes",
        (TRUST, Verdict::Doubtful) => "yes, with a doubt",
        (TRUST, Verdict::Outside) => "not all of it",
        (REACH, Verdict::Within) => "on target",
        (REACH, Verdict::Outside) => "off target",
        (TOO_MUCH, Verdict::Within) => "no",
        (TOO_MUCH, Verdict::Doubtful) => "too near to call",
        (TOO_MUCH, Verdict::Outside) => "too much",
        (FEEDBACK, Verdict::Within) => "no",
        (FEEDBACK, Verdict::Doubtful) => "no, but near it",
        (FEEDBACK, Verdict::Outside) => "feeds back",
        (FEATURES, Verdict::Within) => "yes",
        (FEATURES, Verdict::Outside) => "no",
        (CHANGED, Verdict::Within) => "unchanged",
        (CHANGED, Verdict::Outside) => return Some(Called::News("changed")),
        (BOTH, Verdict::Within) => "alike",
        (BOTH, Verdict::Outside) => return Some(Called::News("differ")),
        _ => return None,
    };
    Some(Called::Answer(word))
}

/// Most sentences of the lead.
const LEAD: usize = 3;

impl Document {
    /// Tells a record, and what changed since an earlier one, in sections.
    ///
    /// # Errors
    /// [`Problem::Internal`](crate::Problem::Internal) if a part of the record
    /// cannot be serialised.
    pub fn of<'a>(told: impl Into<Told<'a>>) -> Result<Self> {
        let told = told.into();
        let left = Self::of_one(told, 'A')?;
        let Some(right) = told.other_ear else {
            return Ok(left);
        };
        // Doubts of the two ears never share a letter.
        let first = ('A'..='Z').nth(trust::doubts(told.record, 'A').len());
        let beside = both::section(told.record, right.record)?;
        let right = Self::of_one(*right, first.unwrap_or('Z'))?;
        Ok(ears::together(left, right, beside))
    }

    /// The report of one record; its doubts have letters from `first` on.
    fn of_one(
        Told {
            record, changes, ..
        }: Told<'_>,
        first: char,
    ) -> Result<Self> {
        let doubts = trust::doubts(record, first);
        let mut sections = vec![trust::section(record, &doubts)];
        for (has_something, make) in OWN {
            if has_something(record) {
                sections.push(make(record, &doubts));
            }
        }
        for kind in Kind::ALL {
            let told = TOLD.contains(kind) || own_data::TOLD.contains(kind);
            if !told && measured(record, *kind) {
                sections.push(plain::section(record, *kind, &doubts)?);
            }
        }
        for section in &mut sections {
            // No figure is better than the recording that it comes from.
            if section.verdict == Some(Verdict::Within) && !section.doubts.is_empty() {
                section.verdict = Some(Verdict::Doubtful);
                continue;
            }
            let own = |verdict| called(&section.question, verdict);
            section.called = section.called.or(section.verdict.and_then(own));
        }
        // What changed is news, whether good or bad: it comes last and is never crowded out.
        let mut lead = lead(&sections);
        if let Some(changed) = changes.map(changed::section) {
            lead.push(words(format!(" {}", changed.headline)));
            sections.push(changed);
        }
        Ok(Document {
            title: title(record),
            identity: record.session.as_ref().map_or_else(
                || "analysis of recordings".to_owned(),
                |session| {
                    let date = session.date.iter().map(|date| format!(", {date}"));
                    format!("session {}{}", session.code, date.collect::<String>())
                },
            ),
            lead: vec![lead],
            facts: facts(record),
            sections,
            gaps: record.gaps.iter().map(|gap| gap_of(gap)).collect(),
            particulars: particulars::of(record)?,
            cautions: particulars::CAUTIONS.map(str::to_owned).to_vec(),
        })
    }
}

/// Whether a figure lies above a limit of zero.
fn above_zero(figure: &Figure) -> Verdict {
    match figure {
        Figure::AtLeast(value) if *value > 0.0 => Verdict::Within,
        Figure::AtMost(value) if *value < 0.0 => Verdict::Outside,
        Figure::Absent(_) => Verdict::NotMeasurable,
        figure => match figure.interval() {
            Some((low, _)) if low > 0.0 => Verdict::Within,
            Some((_, high)) if high < 0.0 => Verdict::Outside,
            _ => Verdict::Doubtful,
        },
    }
}

/// The entries of one measurement.
fn entries(record: &Record, kind: Kind) -> impl Iterator<Item = &Entry> {
    record
        .entries
        .iter()
        .filter(move |entry| entry.outcome.kind() == kind)
}

fn measured(record: &Record, kind: Kind) -> bool {
    entries(record, kind).next().is_some()
}

fn assessed(record: &Record, kind: Assessed) -> bool {
    record.assessments.iter().any(|a| a.outcome.kind() == kind)
}

/// The figures of an outcome, by their keys.
fn observed(outcome: &impl serde::Serialize) -> Result<Vec<Observation>> {
    let outcome = serde_json::to_value(outcome).map_err(|error| {
        let what = format!("an outcome cannot be read back: {error}");
        Problem::Internal { what }
    })?;
    Ok(observations(&outcome))
}

/// The capture behind an entry that has one.
fn capture_of(entry: &Entry) -> &str {
    entry.captures.values().next().map_or("", String::as_str)
}

/// The doubts that touch `kind`.
fn carried(kind: Kind, doubts: &[Doubt]) -> Vec<Doubt> {
    let touched = |doubt: &&Doubt| doubt.touches.contains(&kind);
    doubts.iter().filter(touched).cloned().collect()
}

/// The last part of a path: what a report may show of it.
fn base_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}

fn words(text: impl Into<String>) -> Span {
    Span::Words(text.into())
}

fn fact(name: &str, text: impl Into<String>) -> Fact {
    Fact {
        name: name.to_owned(),
        text: text.into(),
    }
}

/// `what: record this` in two parts.
fn gap_of(gap: &str) -> Fact {
    match gap.split_once(": ") {
        Some((what, how)) => fact(what, how),
        None => fact("", gap),
    }
}

fn title(record: &Record) -> String {
    let session = record.session.as_ref();
    let device = session.and_then(|s| s.device.as_ref()).map(|device| {
        let side = match device.side {
            Some(Side::Left) => ", left side",
            Some(Side::Right) => ", right side",
            None => "",
        };
        format!("Device {}{side}", device.code)
    });
    let person = session.and_then(|s| s.person.as_ref());
    match (device, person, record.captures.as_slice()) {
        (Some(device), Some(person), _) => format!("{device}, person {}", person.code),
        (Some(device), None, _) => device,
        (None, _, [only]) => format!("Recording “{}”", only.name),
        (None, _, captures) => format!("{} recordings", capital(&number::count(captures.len()))),
    }
}

/// The worst news first, in at most three sentences.
fn lead(sections: &[Section]) -> Vec<Span> {
    // What the recording leaves in doubt comes after what was found in it.
    let (trust, found) = sections.split_at(sections.len().min(1));
    let mut ranked: Vec<&Section> = found
        .iter()
        .chain(trust)
        .filter(|section| !section.headline.is_empty())
        .collect();
    // Stable: sections of one rank keep the order of the report.
    ranked.sort_by_key(|section| std::cmp::Reverse(section.verdict));
    let mut spans = Vec::new();
    for section in ranked.into_iter().take(LEAD) {
        let sentence = section.headline.clone();
        spans.push(match section.verdict {
            Some(Verdict::Outside) => Span::Alarm(sentence),
            Some(Verdict::Doubtful) => Span::Doubt(sentence),
            _ => Span::Words(sentence),
        });
        spans.push(words(" "));
    }
    spans.pop();
    spans
}

fn facts(record: &Record) -> Vec<Fact> {
    let channels = match record.calibration.channels() {
        [Some(_), Some(_)] => "force on a skull simulator, and sound at the reference microphone",
        [Some(_), None] => "force on a skull simulator; no microphone channel",
        [None, _] => "sound at the reference microphone; no force channel",
    };
    let mut facts = vec![fact("Measured", channels)];
    if let Some(session) = &record.session {
        let when = session.date.iter().map(ToString::to_string);
        let how = session.test_box.map(|test_box| match test_box {
            TestBox::Closed => "box closed".to_owned(),
            TestBox::Open => "box open".to_owned(),
        });
        let when: Vec<String> = when.chain(how).collect();
        if !when.is_empty() {
            facts.push(fact("When", when.join(", ")));
        }
        let group = session.person.as_ref().and_then(|p| p.age_group);
        if let Some(group) = group {
            let group = match group {
                AgeGroup::Adult => "adult",
                AgeGroup::Child => "child",
            };
            facts.push(fact("Person", group));
        }
    }
    if !record.withheld.is_empty() {
        let told = "names, codes, notes and dates but the year were taken out";
        facts.push(fact("De-identified", told));
    }
    let total: f64 = record.captures.iter().map(|c| c.duration_s).sum();
    facts.push(fact(
        "Recordings",
        match record.captures.as_slice() {
            [_] => format!("one, {}", number::duration(total)),
            several => format!("{}, together {}", several.len(), number::duration(total)),
        },
    ));
    facts.push(fact(
        "Figures",
        "force levels in dB re 1 µN, sound pressure levels in dB re 20 µPa; ± is the expanded uncertainty, k\u{a0}=\u{a0}2",
    ));
    facts
}

/// The text with its first letter raised.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// `one recording`, `three recordings`.
fn counted(n: usize, one: &str, several: &str) -> String {
    format!(
        "{} {}",
        number::count(n),
        if n == 1 { one } else { several }
    )
}

/// Where the drawn series stand highest and lowest, in words.
fn extremes(rows: &[Series], bands: &[f64], what: &str) -> String {
    let told = rows.iter().filter(|row| row.drawn).filter_map(|row| {
        let values = || {
            let points = bands.iter().zip(&row.points);
            points.filter_map(|(band, point)| Some((*band, point.figure.value()?)))
        };
        let (low, least) = values().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let (high, most) = values().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let name = &row.name;
        Some(format!(
            "{name}: the {what} is highest at {} with {} and lowest at {} with {}",
            number::band(high),
            number::fixed(most, 1),
            number::band(low),
            number::fixed(least, 1)
        ))
    });
    let told: Vec<String> = told.collect();
    if told.is_empty() {
        return "No figure could be drawn.".to_owned();
    }
    format!("{}.", told.join("; "))
}
