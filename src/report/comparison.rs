//! A comparison, told: table for a terminal, JSON and CSV.

use super::csv::{cell, plain, table};
use super::json::pretty;
use super::number;
use super::terminal::text::{DIM, HEADING, Paragraph, grid, paint};
use crate::comparison::{Comparison, Difference, Verdict};
use crate::diagnostic::Result;
use crate::quantity::Band;

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
const COLUMNS: [&str; 13] = [
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
    for group in changed.chunk_by(|a, b| a.entry == b.entry) {
        out.push_str(&format!("\n{}\n", paint(HEADING, &group[0].entry)));
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
    let figure = |value: Option<f64>, sign: bool| {
        let Some(value) = value else {
            return (number::ABSENT.to_owned(), true);
        };
        let digits = if difference.unit == "dB" { 1 } else { 3 };
        let plus = if sign && value > 0.0 { "+" } else { "" };
        let text = number::fixed(value, digits);
        (format!("{plus}{text} {}", difference.unit), true)
    };
    let doubt = if difference.doubts.is_empty() {
        ""
    } else {
        " ?"
    };
    let label = |hz| Band::named(hz).map_or_else(|_| hz.to_string(), Band::label);
    vec![
        (difference.capture.clone(), false),
        (format!("{}{doubt}", difference.quantity), false),
        (difference.nominal_hz.map(label).unwrap_or_default(), true),
        figure(difference.before, false),
        figure(difference.after, false),
        figure(difference.difference, true),
        figure(difference.expanded_uncertainty, false),
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
    let rows = comparison.differences.iter().map(|d| {
        [
            d.entry.clone(),
            plain(&d.capture),
            d.quantity.clone(),
            cell(d.nominal_hz),
            d.unit.clone(),
            d.reference.clone().unwrap_or_default(),
            cell(d.before),
            cell(d.after),
            cell(d.difference),
            cell(d.expanded_uncertainty),
            d.verdict.name().to_owned(),
            d.reason.clone().unwrap_or_default(),
            d.doubts.join(" "),
        ]
    });
    table(&COLUMNS, rows)
}
