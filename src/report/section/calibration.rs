//! Did the calibration hold? From the recordings of calibrators.

use super::super::document::{Block, Cell, Doubt, Figure, Section, Table, Verdict};
use super::super::number;
use super::{TRUST, carried, entries, words};
use crate::measurement::Kind;
use crate::measurement::calibrator_tone::Outcome;
use crate::pipeline::{Entry, Record};

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let mut told = Vec::new();
    let (mut levels, mut tones) = (Vec::new(), Vec::new());
    let mut worst = Verdict::Within;
    for entry in entries(record, Kind::CalibratorTone) {
        let crate::measurement::Outcome::CalibratorTone(tone) = &entry.outcome else {
            continue;
        };
        let verdict = verdict(tone);
        worst = worst.max(verdict);
        told.push(sentence(entry, tone, verdict));
        levels.push(level_row(entry, tone, verdict));
        tones.push(tone_row(entry, tone));
    }
    let short = match worst {
        Verdict::Within => "The calibrators read as the calibration file says.",
        Verdict::NotMeasurable => "A recording of a calibrator cannot be believed.",
        Verdict::Doubtful => "Whether the calibration held cannot be told for certain.",
        Verdict::Outside => {
            "The calibration did not hold: what was measured in between is doubtful by as much."
        }
    };
    Section {
        question: TRUST.into(),
        part: Some("Calibrators"),
        verdict: Some(worst),
        short: short.into(),
        headline: match worst {
            Verdict::Within => String::new(),
            _ => told.join(" "),
        },
        answer: vec![words(told.join(" "))],
        doubts: carried(Kind::CalibratorTone, doubts),
        blocks: vec![
            table("What the calibrators read", &LEVELS, levels),
            table("How good their tones are", &TONES, tones),
        ],
        details: vec![Block::Notes(METHOD.map(str::to_owned).to_vec())],
        ..Section::default()
    }
}

/// The drift where there is one, else the deviation from the file.
fn figure(tone: &Outcome) -> Figure {
    Figure::from(tone.drift.as_ref().unwrap_or(&tone.level_deviation))
}

fn verdict(tone: &Outcome) -> Verdict {
    let figure = figure(tone);
    let limit = tone.largest_drift_db;
    match (figure.value(), figure.interval()) {
        (None, _) => Verdict::NotMeasurable,
        (Some(value), _) if value.abs() > limit => Verdict::Outside,
        (_, Some((low, high))) if low < -limit || high > limit => Verdict::Doubtful,
        _ => Verdict::Within,
    }
}

fn sentence(entry: &Entry, tone: &Outcome, verdict: Verdict) -> String {
    let figure = figure(tone);
    let channel = tone.role.name();
    let capture = recording(entry);
    let told = number::told(&figure, "dB");
    if let Figure::Absent(why) = &figure {
        return format!("The calibrator in “{capture}” cannot be believed: {why}.");
    }
    let limit = number::fixed(tone.largest_drift_db, 1);
    let beyond = match verdict {
        Verdict::Outside => format!(", more than {limit}\u{a0}dB"),
        _ => String::new(),
    };
    match entry.captures.get("earlier") {
        Some(earlier) => format!(
            "The {channel} channel drifted by {told} between “{earlier}” and “{capture}”{beyond}."
        ),
        None => format!(
            "The calibrator in “{capture}” reads {told} from what it makes, by the {channel} channel{beyond}."
        ),
    }
}

const LEVELS: [&str; 5] = [
    "Verdict",
    "Recording",
    "Channel",
    "Deviation, dB",
    "Drift, dB",
];
const TONES: [&str; 4] = [
    "Recording",
    "Frequency, Hz",
    "Fluctuation, dB",
    "Distortion, %",
];

fn table(caption: &str, head: &[&str], rows: Vec<Vec<Cell>>) -> Block {
    Block::Table(Table {
        caption: caption.into(),
        head: head.iter().map(|name| (*name).to_owned()).collect(),
        rows,
    })
}

fn level_row(entry: &Entry, tone: &Outcome, verdict: Verdict) -> Vec<Cell> {
    let drift = tone.drift.as_ref().map(Figure::from);
    vec![
        Cell::Verdict(verdict, None),
        Cell::Words(recording(entry).to_owned()),
        Cell::Words(tone.role.name().to_owned()),
        cell(&Figure::from(&tone.level_deviation)),
        drift.map_or_else(|| Cell::Figure(number::ABSENT.into()), |drift| cell(&drift)),
    ]
}

fn tone_row(entry: &Entry, tone: &Outcome) -> Vec<Cell> {
    vec![
        Cell::Words(recording(entry).to_owned()),
        cell(&Figure::from(&tone.frequency)),
        cell(&Figure::from(&tone.fluctuation)),
        cell(&Figure::from(&tone.distortion)),
    ]
}

fn cell(figure: &Figure) -> Cell {
    Cell::Figure(number::pair(figure))
}

fn recording(entry: &Entry) -> &str {
    entry.captures.get("capture").map_or("", String::as_str)
}

const METHOD: [&str; 3] = [
    "Method: level of the tone alone, by the calibration file, minus the level that the calibrator is stated to make; the drift is the later deviation minus the first one, the error of the calibrator itself cancels in it.",
    "Source: limits of frequency, short-term level fluctuation and total distortion and noise for calibrators of class 1, IEC 60942:2017, from a public transcription. The largest drift is common practice, no source.",
    "Limits: how the drift ran in between is not known. How well the microphone repeats in the coupler is not in the uncertainty.",
];
