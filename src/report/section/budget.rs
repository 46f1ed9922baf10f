//! The uncertainty budget: a view over what every figure carries.

use std::collections::BTreeMap;

use super::super::document::{Block, Cell, Table};
use super::super::number;
use super::{capital, observed};
use crate::diagnostic::Result;
use crate::pipeline::Record;
use crate::quantity::{Observation, Origin};

/// What is said of the absence of a part.
const NOT_STATED: &str = "not stated";

/// Figures of one unit that rest on the same parts.
type Group = (String, String, Vec<(Origin, bool)>);

/// One table for each group of figures, and what is missing from all of them.
///
/// # Errors
/// [`Problem::Internal`](crate::Problem::Internal) if an outcome cannot be read
/// back.
pub(super) fn of(record: &Record) -> Result<Vec<Block>> {
    let mut groups: Vec<(Group, Vec<Observation>)> = Vec::new();
    let entries = record.entries.iter().map(|e| &e.outcome);
    let entries = entries.map(|outcome| (outcome.kind().name(), observed(outcome)));
    let assessments = record.assessments.iter().map(|a| &a.outcome);
    let assessments = assessments.map(|outcome| (outcome.kind().name(), observed(outcome)));
    for (name, found) in entries.chain(assessments) {
        for observation in found? {
            let parts = observation.budget.parts();
            let parts: Vec<_> = parts.map(|(origin, u)| (origin, u.is_some())).collect();
            if parts.is_empty() {
                continue;
            }
            let unit = observation.unit.clone();
            let group = (subject(name, &observation), unit, parts);
            match groups.iter_mut().find(|(known, _)| *known == group) {
                Some((_, members)) => members.push(observation),
                None => groups.push((group, vec![observation])),
            }
        }
    }
    if groups.is_empty() {
        let none = "No figure of this record carries an uncertainty.";
        return Ok(vec![Block::Notes(vec![none.into()])]);
    }
    let notes = Block::Notes(vec![HOW.into(), unstated(&groups)]);
    let tables = groups.iter().map(|((subject, ..), of)| table(subject, of));
    Ok(std::iter::once(notes)
        .chain(tables.map(Block::Table))
        .collect())
}

const HOW: &str = "Expanded uncertainties, k = 2, about 95 %, after JCGM 100:2008 (from memory): the \
    parts add as root of the sum of squares. Where a part differs between bands or recordings, \
    its smallest and largest stand here; the record in JSON has those of every figure.";

/// `levels, force` or `directional`.
fn subject(entry: &str, observation: &Observation) -> String {
    match observation.quantity.split_once('.') {
        Some((role @ ("force" | "microphone"), _)) => format!("{entry}, {role}"),
        _ => entry.to_owned(),
    }
}

/// The parts that some figure lacks, in one line.
fn unstated(groups: &[(Group, Vec<Observation>)]) -> String {
    let mut names: Vec<String> = Vec::new();
    for ((.., parts), _) in groups {
        for (origin, _) in parts.iter().filter(|(_, stated)| !stated) {
            let name = origin.name().replace('_', " ");
            if !names.contains(&name) {
                names.push(name);
            }
        }
    }
    match names.as_slice() {
        [] => "Every part is stated.".into(),
        names => format!("Not stated, and so not contained: {}.", names.join(", ")),
    }
}

fn table(subject: &str, members: &[Observation]) -> Table {
    let mut parts: BTreeMap<Origin, Vec<f64>> = BTreeMap::new();
    for (origin, part) in members.iter().flat_map(|o| o.budget.parts()) {
        parts.entry(origin).or_default().extend(part);
    }
    let row = |name: String, figures: &[f64], meaning: &str| {
        vec![
            Cell::Words(name),
            Cell::Figure(range(figures)),
            Cell::Words(meaning.to_owned()),
        ]
    };
    let mut rows: Vec<_> = parts
        .iter()
        .map(|(origin, u)| row(origin.name().replace('_', " "), u, origin.meaning()))
        .collect();
    let combined: Vec<f64> = members
        .iter()
        .filter_map(|o| o.expanded_uncertainty)
        .collect();
    let meaning = match combined.as_slice() {
        [] => members
            .iter()
            .find_map(|o| o.reason.as_deref())
            .unwrap_or_default(),
        _ => "root of the sum of the squares of the parts stated",
    };
    rows.push(row("combined".into(), &combined, meaning));
    let unit = members.first().map_or("", |o| o.unit.as_str());
    Table {
        caption: format!(
            "{}: {}",
            capital(&subject.replace('_', " ")),
            quantities(members)
        ),
        head: vec![
            "Part".into(),
            match unit {
                "1" => "±, k = 2".into(),
                unit => format!("± {unit}, k = 2"),
            },
            "What it covers".into(),
        ],
        rows,
    }
}

/// The names of the figures without role, numbers of events and percents.
fn quantities(members: &[Observation]) -> String {
    let mut names: Vec<String> = Vec::new();
    for member in members {
        let words = member
            .quantity
            .split('.')
            .filter(|word| word.parse::<u32>().is_err() && !["force", "microphone"].contains(word));
        let name = words.collect::<Vec<_>>().join(" ").replace('_', " ");
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.join(", ")
}

/// `0.5`, `0.05 to 0.31`, `not stated`.
fn range(figures: &[f64]) -> String {
    let low = figures.iter().copied().fold(f64::INFINITY, f64::min);
    let high = figures.iter().copied().fold(0.0, f64::max);
    let told = |u: f64| number::fixed(u, 2);
    match (figures, told(low) == told(high)) {
        ([], _) => NOT_STATED.into(),
        (_, true) => told(low),
        (_, false) => format!("{} to {}", told(low), told(high)),
    }
}
