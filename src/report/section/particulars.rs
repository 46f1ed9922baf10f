//! What the report was made from, and what to heed before acting on it.

use serde_json::Value;

use super::super::document::{Block, Cell, Fact, Table};
use super::super::number;
use super::{base_name, budget, capital, fact};
use crate::diagnostic::{Problem, Result};
use crate::pipeline::Record;
use crate::quantity::Role;

/// What to heed before acting on a report.
pub(super) const CAUTIONS: [&str; 6] = [
    "This is an analysis of recordings. It is not a medical device, makes no diagnosis and decides no fitting. A licensed audiologist decides, under the law of the place.",
    "Never run a test of maximum output, or a sweep, on a device that somebody wears. Take it off the head first.",
    "Sounds in an open box can be loud. Protect your ears, and those of everybody in the room.",
    "A skull simulator is not a head. What a person hears, and whether it is comfortable, only the person can say.",
    "A wrong calibration shifts every figure that rests on it, and nothing on this page would show it.",
    "The figures concern only this device, in the state in which it was recorded.",
];

/// Heading of the uncertainty budget.
pub(in crate::report) const BUDGET: &str = "Uncertainty budget";

/// Inputs, calibration, budget and options, each under its heading.
///
/// # Errors
/// [`Problem::Internal`] if the options cannot be serialised.
pub(super) fn of(record: &Record) -> Result<Vec<(String, Vec<Block>)>> {
    let tool = format!(
        "{} {}, record layout {}. The record in JSON holds every figure at full precision, the CSV the same as a table.",
        record.tool.name, record.tool.version, record.schema
    );
    let mut notes = vec![tool];
    if !record.withheld.is_empty() {
        let withheld = record.withheld.join(", ");
        notes.push(format!("De-identified. Withheld: {withheld}."));
    }
    let mut parts = Vec::new();
    if !record.inputs.is_empty() {
        parts.push(("Files read".to_owned(), vec![Block::Table(inputs(record))]));
    }
    parts.push((
        "Calibration".to_owned(),
        vec![Block::Facts(calibration(record))],
    ));
    parts.push((BUDGET.to_owned(), budget::of(record)?));
    parts.push((
        "Program and options".to_owned(),
        vec![Block::Notes(notes), Block::Facts(options(record)?)],
    ));
    Ok(parts)
}

fn inputs(record: &Record) -> Table {
    let row = |input: &crate::capture::InputFile| {
        vec![
            Cell::Words(base_name(&input.path)),
            Cell::Figure(input.bytes.to_string()),
            Cell::Words(input.sha256.clone().unwrap_or_else(|| "withheld".into())),
        ]
    };
    Table {
        caption: "Files read".into(),
        head: ["File", "Bytes", "SHA-256"].map(str::to_owned).to_vec(),
        rows: record.inputs.iter().map(row).collect(),
    }
}

fn calibration(record: &Record) -> Vec<Fact> {
    let calibration = &record.calibration;
    let volts = format!("{} V at full scale", calibration.full_scale_v());
    let mut facts = vec![fact("Recorder", volts)];
    for (channel, role) in calibration.channels().iter().zip(Role::ALL) {
        let Some(channel) = channel else {
            facts.push(fact(&capital(role.name()), "not described"));
            continue;
        };
        let unit = match role {
            Role::Force => "V/N",
            Role::Microphone => "V/Pa",
        };
        let mut text = format!(
            "channel {}, {} {unit}",
            channel.channel, channel.sensitivity
        );
        text.push_str(match channel.response {
            Some(_) => ", its response over frequency undone",
            None => ", taken as flat over frequency",
        });
        match channel.expanded_uncertainty_db {
            Some(u) => text.push_str(&format!(", ± {u} dB (k = 2)")),
            None => text.push_str(", uncertainty not stated"),
        }
        match &channel.certificate {
            Some(certificate) => text.push_str(&format!(", certificate {certificate}")),
            None => text.push_str(", no certificate named"),
        }
        text.extend(channel.date.iter().map(|date| format!(" of {date}")));
        if let Some(months) = channel.interval_months {
            text.push_str(&format!(", due every {months} months"));
        }
        facts.push(fact(&capital(role.name()), text));
    }
    facts
}

fn options(record: &Record) -> Result<Vec<Fact>> {
    let options = serde_json::to_value(&record.options).map_err(|error| {
        let what = format!("the options cannot be read back: {error}");
        Problem::Internal { what }
    })?;
    let criteria = serde_json::to_value(&record.criteria).map_err(|error| {
        let what = format!("the criteria cannot be read back: {error}");
        Problem::Internal { what }
    })?;
    let mut facts = Vec::new();
    let each = [options, criteria];
    for (part, options) in each.iter().filter_map(|all| all.as_object()).flatten() {
        for (name, value) in options.as_object().into_iter().flatten() {
            let key = format!("{part}.{name}");
            facts.push(fact(&key, option(value)));
        }
    }
    Ok(facts)
}

fn option(value: &Value) -> String {
    match value {
        Value::Array(items) => items.iter().map(option).collect::<Vec<_>>().join(", "),
        Value::Number(number) => number.as_f64().map_or(number.to_string(), |n| {
            if n.fract() == 0.0 {
                number::fixed(n, 0)
            } else {
                number::significant(n)
            }
        }),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}
