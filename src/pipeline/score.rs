//! What was measured against what is true: for captures whose truth is known,
//! the errors of every quantity.

use std::collections::BTreeMap;

use serde_json::Value;

use super::record::Record;
use crate::diagnostic::{Problem, Result};
use crate::quantity::{Observation, observations};

/// Errors of one quantity over all captures and bands.
#[derive(Debug, Clone, PartialEq)]
pub struct ScoreRow {
    /// Entry and quantity, for instance `levels force.leq`.
    pub quantity: String,
    /// Unit of the errors.
    pub unit: String,
    /// How many figures were compared.
    pub compared: usize,
    /// True figures that the record does not hold.
    pub missing: usize,
    /// Events that the truth does not hold.
    pub extra: usize,
    /// Median size of the error.
    pub median: f64,
    /// Size that 95 % of the errors do not exceed.
    pub percentile_95: f64,
    /// Largest error.
    pub max: f64,
    /// Of the figures with a stated uncertainty, the share within it.
    pub covered_percent: Option<f64>,
}

/// Compares `record` with `truth`, a document of the same keys
/// (`truth.json` of a rendered scenario). A bound that holds is neither compared
/// nor missing; one that does not is an error of its full size.
///
/// # Errors
/// [`Problem::Document`] if `truth` has no entries.
pub fn score(record: &Record, truth: &Value) -> Result<Vec<ScoreRow>> {
    let cause = "a truth document holds `entries`";
    let entries = truth
        .get("entries")
        .and_then(Value::as_array)
        .ok_or_else(|| {
            let cause = cause.into();
            Problem::Document { cause }
        })?;
    let mut measured = BTreeMap::new();
    for entry in &record.entries {
        let value = serde_json::to_value(entry).map_err(|error| {
            let what = error.to_string();
            Problem::Internal { what }
        })?;
        measured.extend(keyed(&value));
    }
    let mut rows: BTreeMap<String, Errors> = BTreeMap::new();
    let mut known = Vec::new();
    for entry in entries {
        for (key, true_figure) in keyed(entry) {
            let Some(value) = true_figure.value else {
                continue;
            };
            let errors = rows.entry(key.name()).or_default();
            errors.unit.clone_from(&true_figure.unit);
            match measured.get(&key).and_then(|m| Some((m, m.value?))) {
                Some((m, bound)) if m.status == "at_most" && value <= bound => {}
                Some((m, bound)) if m.status == "at_least" && value >= bound => {}
                // A figure, or a bound that the truth breaks.
                Some((observation, figure)) => errors.add(figure - value, observation),
                None => errors.missing += 1,
            }
            known.push(key);
        }
    }
    // Events beyond the true ones are false alarms, where the truth knows events.
    for key in measured
        .keys()
        .filter(|key| key.quantity.starts_with("events.") && key.quantity.ends_with("frequency_hz"))
    {
        let judged = entries
            .iter()
            .any(|entry| key.is_of(entry) && entry.get("events").is_some());
        if judged && !known.contains(key) {
            rows.entry(key.name()).or_default().extra += 1;
        }
    }
    Ok(rows
        .into_iter()
        .map(|(quantity, errors)| errors.row(quantity))
        .collect())
}

/// What identifies a figure in a record and in its truth.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    entry: String,
    captures: String,
    quantity: String,
    nominal_mhz: Option<u64>,
}

impl Key {
    /// Entry and quantity without the numbers of events.
    fn name(&self) -> String {
        let words = self
            .quantity
            .split('.')
            .filter(|word| word.parse::<u32>().is_err());
        format!("{} {}", self.entry, words.collect::<Vec<_>>().join("."))
    }

    fn is_of(&self, entry: &Value) -> bool {
        names(entry) == (self.entry.clone(), self.captures.clone())
    }
}

fn names(entry: &Value) -> (String, String) {
    let text = |name: &str| entry.get(name).and_then(Value::as_str);
    let parts = [
        "capture",
        "front",
        "back",
        "noise_reduction_off",
        "noise_reduction_on",
    ];
    let captures: Vec<&str> = parts.into_iter().filter_map(text).collect();
    (
        text("entry").unwrap_or_default().to_owned(),
        captures.join(" "),
    )
}

fn keyed(entry: &Value) -> impl Iterator<Item = (Key, Observation)> {
    let (name, captures) = names(entry);
    observations(entry).into_iter().map(move |observation| {
        let key = Key {
            entry: name.clone(),
            captures: captures.clone(),
            quantity: observation.quantity.clone(),
            nominal_mhz: observation.nominal_hz.map(|hz| (1000.0 * hz) as u64),
        };
        (key, observation)
    })
}

#[derive(Default)]
struct Errors {
    unit: String,
    sizes: Vec<f64>,
    missing: usize,
    extra: usize,
    stated: usize,
    covered: usize,
}

impl Errors {
    fn add(&mut self, error: f64, observation: &Observation) {
        self.sizes.push(error.abs());
        if let Some(uncertainty) = observation.expanded_uncertainty {
            self.stated += 1;
            self.covered += usize::from(error.abs() <= uncertainty);
        }
    }

    fn row(mut self, quantity: String) -> ScoreRow {
        self.sizes.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let rank = (share * self.sizes.len().saturating_sub(1) as f64).ceil() as usize;
            self.sizes.get(rank).copied().unwrap_or(0.0)
        };
        ScoreRow {
            quantity,
            compared: self.sizes.len(),
            missing: self.missing,
            extra: self.extra,
            median: at(0.5),
            percentile_95: at(0.95),
            max: at(1.0),
            covered_percent: (self.stated > 0)
                .then(|| 100.0 * self.covered as f64 / self.stated as f64),
            unit: self.unit,
        }
    }
}
