//! A record computed again, told: table for a terminal, JSON and CSV.

use super::comparison::reasons;
use super::csv::{cell, plain, table};
use super::json::pretty;
use super::number;
use super::terminal::text::{DIM, Paragraph, grid};
use crate::comparison::{Reproduced, Reproduction, ReproductionState as State};
use crate::diagnostic::Result;

/// Columns of the table of changes.
const HEAD: [&str; 7] = [
    "capture", "entry", "quantity", "band Hz", "recorded", "now", "change",
];
/// Columns of the CSV.
const COLUMNS: [&str; 10] = [
    "entry",
    "capture",
    "quantity",
    "nominal_hz",
    "unit",
    "recorded",
    "recomputed",
    "difference",
    "state",
    "reason",
];
/// Most rows of the table; CSV and JSON hold all.
const ROWS: usize = 40;

/// What came out again, as text with ANSI styles, `width` columns wide.
pub fn reproduction_terminal(made: &Reproduction, width: usize) -> String {
    let count = |state| made.count(state);
    let of = made.figures.len() - count(State::New);
    let lead = match count(State::Same) {
        same if same == of => format!("All {of} figures of the record are the same."),
        same => format!(
            "Of {of} figures of the record, {same} are the same, {} changed, {} cannot be recomputed.",
            count(State::Changed),
            count(State::NotRecomputable),
        ),
    };
    let mut out = Paragraph::plain(&lead).wrapped(0, width);
    let changed: Vec<&Reproduced> = made
        .figures
        .iter()
        .filter(|figure| figure.state == State::Changed)
        .collect();
    if !changed.is_empty() {
        let rows: Vec<_> = changed
            .iter()
            .take(ROWS)
            .map(|figure| row(figure))
            .collect();
        out.push('\n');
        out.push_str(&grid(&HEAD.map(str::to_owned), &rows, 2, width));
        if changed.len() > ROWS {
            let more = format!("and {} more: --format csv tells all.", changed.len() - ROWS);
            out.push_str(&Paragraph::plain(&more).wrapped(2, width));
        }
    }
    out.push('\n');
    for (reason, count) in reasons(made.figures.iter().filter_map(|f| f.reason.as_deref())) {
        let told = format!("{count} figures: {reason}.");
        out.push_str(&Paragraph::styled(DIM, &told).wrapped(0, width));
    }
    let mut note = format!(
        "Recorded by version {}, recomputed by {}, with the options of the record, from files with the hashes of the record.",
        made.recorded_by, made.tool.version
    );
    if count(State::New) > 0 {
        note.push_str(&format!(
            " {} figures are new in this version.",
            count(State::New)
        ));
    }
    out.push_str(&Paragraph::styled(DIM, &note).wrapped(0, width));
    out
}

fn row(figure: &Reproduced) -> Vec<(String, bool)> {
    let told = |value: Option<f64>, form: fn(f64, usize) -> String| {
        let text = value.map_or(number::ABSENT.to_owned(), |value| {
            format!("{} {}", form(value, 4), figure.unit)
        });
        (text, true)
    };
    vec![
        (figure.capture.clone(), false),
        (figure.entry.clone(), false),
        (figure.quantity.clone(), false),
        (
            figure
                .nominal_hz
                .map(number::band_label)
                .unwrap_or_default(),
            true,
        ),
        told(figure.recorded, number::fixed),
        told(figure.recomputed, number::fixed),
        told(figure.difference, number::signed),
    ]
}

/// It as JSON text.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn reproduction_json(made: &Reproduction) -> Result<String> {
    pretty(made)
}

/// One row per figure.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn reproduction_csv(made: &Reproduction) -> Result<String> {
    let row = |figure: &Reproduced| {
        [
            figure.entry.clone(),
            plain(&figure.capture),
            figure.quantity.clone(),
            cell(figure.nominal_hz),
            figure.unit.clone(),
            cell(figure.recorded),
            cell(figure.recomputed),
            cell(figure.difference),
            figure.state.name().to_owned(),
            figure.reason.clone().unwrap_or_default(),
        ]
    };
    table(&COLUMNS, made.figures.iter().map(row))
}
