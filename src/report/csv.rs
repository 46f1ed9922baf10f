//! The record as CSV: one row per quantity and band.

use serde_json::Value;

use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::pipeline::Record;
use crate::quantity::observations;

/// Columns of the table.
const COLUMNS: [&str; 11] = [
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
];

/// The figures of the record as CSV text.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub fn csv(record: &Record) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS).map_err(internal)?;
    for entry in &record.entries {
        let joined = |names: Vec<String>| names.join(" ");
        let captures = joined(entry.captures.values().map(|name| plain(name)).collect());
        let doubts = entry
            .doubts
            .iter()
            .map(|doubt| doubt.check.name().to_owned());
        let doubts: std::collections::BTreeSet<String> = doubts.collect();
        let doubts = joined(doubts.into_iter().collect());
        let outcome = serde_json::to_value(&entry.outcome).map_err(internal)?;
        for o in observations(&outcome) {
            let number = |n: Option<f64>| n.map(|n| n.to_string()).unwrap_or_default();
            writer
                .write_record([
                    &captures,
                    outcome
                        .get("entry")
                        .and_then(Value::as_str)
                        .unwrap_or_default(),
                    &o.quantity,
                    &number(o.nominal_hz),
                    &o.status,
                    &number(o.value),
                    &o.unit,
                    o.reference.as_deref().unwrap_or_default(),
                    &number(o.expanded_uncertainty),
                    o.reason.as_deref().unwrap_or_default(),
                    &doubts,
                ])
                .map_err(internal)?;
        }
    }
    let bytes = writer.into_inner().map_err(internal)?;
    String::from_utf8(bytes).map_err(internal)
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
