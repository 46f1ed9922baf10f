//! A comparison, told: table for a terminal, JSON and CSV.

use super::csv::{cell, plain, table};
use super::json::pretty;
use super::number;
use super::terminal::text::{DIM, HEADING, Paragraph, grid, paint};
use crate::comparison::{Comparison, Difference, Name, Verdict};
use crate::diagnostic::Result;

/// Columns of the table of changes.
const HEAD: [&str; 7] = [
    "capture",
    "quantity",
    "band Hz",
    "before",
    "after",
    "change",
    "uncertainty",
];
/// Columns of the CSV.
pub(super) const COLUMNS: [&str; 13] = [
    "entry",
    "capture",
    "quantity",
    "nominal_hz",
    "unit",
    "reference",
    "before",
    "after",
    "difference",
    "expanded_uncertainty",
    "verdict",
    "reason",
    "doubts",
];

/// What changed, as text with ANSI styles, `width` columns wide.
pub fn comparison_terminal(comparison: &Comparison, width: usize) -> String {
    let count = |verdict| comparison.count(verdict);
    let lead = format!(
        "{} figures changed beyond the uncertainty of their difference (k = 2); {} did not; {} cannot be compared.",
        count(Verdict::Changed),
        count(Verdict::NotBeyondUncertainty),
        count(Verdict::NotComparable),
    );
    let mut out = Paragraph::plain(&lead).wrapped(0, width);
    let differences = comparison.differences.iter();
    let changed: Vec<&Difference> = differences
        .filter(|difference| difference.verdict == Verdict::Changed)
        .collect();
    for group in changed.chunk_by(|a, b| a.name.entry == b.name.entry) {
        out.push_str(&format!("\n{}\n", paint(HEADING, &group[0].name.entry)));
        let rows: Vec<_> = group.iter().map(|difference| row(difference)).collect();
        out.push_str(&grid(&HEAD.map(str::to_owned), &rows, 2, width));
    }
    let doubtful = changed.iter().filter(|d| !d.doubts.is_empty()).count();
    if doubtful > 0 {
        let told = format!(
            "{doubtful} of the changed figures, marked ?, rely on a set-up check that a record did not pass."
        );
        out.push('\n');
        out.push_str(&Paragraph::plain(&told).wrapped(0, width));
    }
    out.push('\n');
    for note in &comparison.notes {
        out.push_str(&Paragraph::plain(note).wrapped(0, width));
    }
    let given = comparison.differences.iter();
    for (reason, count) in reasons(given.filter_map(|d| d.reason.as_deref())) {
        let told = format!("Not comparable, {count} figures: {reason}.");
        out.push_str(&Paragraph::styled(DIM, &told).wrapped(0, width));
    }
    out
}

fn row(difference: &Difference) -> Vec<(String, bool)> {
    let name = &difference.name;
    let figure = |value: Option<f64>, form: fn(f64, usize) -> String| {
        let told = value.map(|value| format!("{} {}", form(value, digits(name)), name.unit));
        (told.unwrap_or(number::ABSENT.to_owned()), true)
    };
    let [capture, quantity, band] = name_columns(name, &difference.doubts);
    vec![
        capture,
        quantity,
        band,
        figure(difference.before, number::fixed),
        figure(difference.after, number::fixed),
        figure(difference.difference, number::signed),
        figure(difference.expanded_uncertainty, number::fixed),
    ]
}

/// Capture, quantity with a mark where it is doubtful, and band: the first columns.
pub(super) fn name_columns(name: &Name, doubts: &[String]) -> [(String, bool); 3] {
    let doubt = if doubts.is_empty() { "" } else { " ?" };
    let band = name.nominal_hz.map(number::band_label).unwrap_or_default();
    [
        (name.capture.clone(), false),
        (format!("{}{doubt}", name.quantity), false),
        (band, true),
    ]
}

/// Decimals of a figure that stands beside others of its kind.
pub(super) fn digits(name: &Name) -> usize {
    if name.unit == "dB" { 1 } else { 3 }
}

/// The first six cells of a row of the CSV.
pub(super) fn name_cells(name: &Name) -> Vec<String> {
    vec![
        name.entry.clone(),
        plain(&name.capture),
        name.quantity.clone(),
        cell(name.nominal_hz),
        name.unit.clone(),
        name.reference.clone().unwrap_or_default(),
    ]
}

/// Each reason once, most frequent first.
pub(super) fn reasons<'a>(given: impl Iterator<Item = &'a str>) -> Vec<(&'a str, usize)> {
    let mut found: Vec<(&str, usize)> = Vec::new();
    for reason in given {
        match found.iter_mut().find(|(known, _)| *known == reason) {
            Some((_, count)) => *count += 1,
            None => found.push((reason, 1)),
        }
    }
    found.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    found
}

/// The comparison as JSON text.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn comparison_json(comparison: &Comparison) -> Result<String> {
    pretty(comparison)
}

/// One row per figure of either record.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if a part of it cannot be written.
pub fn comparison_csv(comparison: &Comparison) -> Result<String> {
    table(&COLUMNS, rows(comparison))
}

/// The rows of the CSV.
pub(super) fn rows(comparison: &Comparison) -> impl Iterator<Item = Vec<String>> {
    comparison.differences.iter().map(|d| {
        let mut row = name_cells(&d.name);
        row.extend([d.before, d.after, d.difference, d.expanded_uncertainty].map(cell));
        row.extend([
            d.verdict.name().to_owned(),
            d.reason.clone().unwrap_or_default(),
            d.doubts.join(" "),
        ]);
        row
    })
}
