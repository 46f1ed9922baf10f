//! The record as CSV: one row per quantity and band.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::pipeline::{Doubt, Record, Side};
use crate::quantity::{Observation, observations};
use crate::report::Told;

/// Columns of the table.
pub(super) const COLUMNS: [&str; 12] = [
    "capture",
    "entry",
    "quantity",
    "nominal_hz",
    "status",
    "value",
    "unit",
    "reference",
    "expanded_uncertainty",
    "reason",
    "doubts",
    "side",
];

/// The figures of the record as CSV text, then those of the other ear.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub fn csv<'a>(told: impl Into<Told<'a>>) -> Result<String> {
    table(&COLUMNS, rows(told.into())?.into_iter())
}

/// One row per figure, then those of the other ear.
///
/// # Errors
/// [`Problem::Internal`] if a part of the record cannot be written.
pub(super) fn rows(told: Told<'_>) -> Result<Vec<Vec<String>>> {
    let mut all = rows_of(told.record)?;
    if let Some(other) = told.other_ear {
        all.extend(rows_of(other.record)?);
    }
    Ok(all)
}

fn rows_of(record: &Record) -> Result<Vec<Vec<String>>> {
    let side = record.side().map_or("", Side::name);
    let rows = told(record)?
        .into_iter()
        .flat_map(|(captures, doubts, outcome)| {
            let names: Vec<String> = captures.iter().map(|name| plain(name)).collect();
            let entry = outcome.get("entry").and_then(Value::as_str);
            let (names, entry) = (names.join(" "), entry.unwrap_or_default().to_owned());
            let row = move |o: Observation| {
                let mut row = vec![names.clone(), entry.clone()];
                row.extend(observation_cells(o));
                row.extend([doubts.clone(), side.to_owned()]);
                row
            };
            observations(&outcome).into_iter().map(row)
        });
    Ok(rows.collect())
}

/// A figure from its quantity to the reason why there is none.
pub(super) fn observation_cells(o: Observation) -> [String; 8] {
    [
        o.quantity,
        cell(o.nominal_hz),
        o.status,
        cell(o.value),
        o.unit,
        o.reference.unwrap_or_default(),
        cell(o.expanded_uncertainty),
        o.reason.unwrap_or_default(),
    ]
}

/// A table with its head as CSV text.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub(super) fn table(
    columns: &[&str],
    rows: impl Iterator<Item: IntoIterator<Item = String>>,
) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(columns).map_err(internal)?;
    for row in rows {
        writer.write_record(row).map_err(internal)?;
    }
    let bytes = writer.into_inner().map_err(internal)?;
    String::from_utf8(bytes).map_err(internal)
}

/// A number in full; nothing where there is none.
pub(super) fn cell(number: Option<f64>) -> String {
    number.map(|n| n.to_string()).unwrap_or_default()
}

/// Measurements and assessments: the captures behind them, the checks that those
/// did not pass, and the outcome.
fn told(record: &Record) -> Result<Vec<(Vec<&str>, String, Value)>> {
    let mut all = Vec::new();
    for entry in &record.entries {
        let captures = match entry.captures.get("capture") {
            Some(capture) => vec![capture.as_str()],
            None => entry.captures.values().map(String::as_str).collect(),
        };
        let outcome = serde_json::to_value(&entry.outcome).map_err(internal)?;
        all.push((captures, names(&entry.doubts), outcome));
    }
    for assessment in &record.assessments {
        let captures = assessment.captures.iter().map(String::as_str).collect();
        let outcome = serde_json::to_value(&assessment.outcome).map_err(internal)?;
        all.push((captures, names(&assessment.doubts), outcome));
    }
    Ok(all)
}

/// The checks behind doubts, each once.
fn names(doubts: &[Doubt]) -> String {
    let names: BTreeSet<&str> = doubts.iter().map(|doubt| doubt.check.name()).collect();
    names.into_iter().collect::<Vec<_>>().join(" ")
}

/// A name from the user that no spreadsheet takes for a formula.
pub(super) fn plain(name: &str) -> String {
    if name.starts_with(['=', '+', '-', '@']) {
        format!("'{name}")
    } else {
        name.to_owned()
    }
}

fn internal(error: impl std::fmt::Display) -> Diagnostic {
    let what = format!("the table cannot be written: {error}");
    Problem::Internal { what }.into()
}
