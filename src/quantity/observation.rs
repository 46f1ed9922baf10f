//! One flat view of any outcome: every figure in it with its key and band.
//!
//! The key is the path of the figure in the JSON record, so that the record,
//! the CSV, limits and comparisons all speak of `force.leq` alike.

use serde::Deserialize;
use serde_json::{Map, Value};

use super::uncertainty::Uncertainty;

/// One figure of an outcome.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Path in the outcome, for instance `force.leq` or `events.1.frequency_hz`.
    pub quantity: String,
    /// Nominal midband frequency in Hz where the figure belongs to a band.
    pub nominal_hz: Option<f64>,
    /// `measured`, `at_most`, `at_least` or `not_measured`.
    pub status: String,
    /// The figure; absent where nothing was measured.
    pub value: Option<f64>,
    /// Unit of the figure.
    pub unit: String,
    /// Reference of a level.
    pub reference: Option<String>,
    /// Expanded uncertainty (k = 2) in the unit of the figure.
    pub expanded_uncertainty: Option<f64>,
    /// The parts of that uncertainty.
    pub budget: Uncertainty,
    /// Why there is no figure, or why only a bound, or why no uncertainty.
    pub reason: Option<String>,
}

/// Units of coordinates, which stand as bare numbers and name their unit.
const COORDINATES: [(&str, &str); 7] = [
    ("_db_per_s", "dB/s"),
    ("_hz", "Hz"),
    ("_deg", "°"),
    ("_s", "s"),
    ("_db", "dB"),
    ("_percent", "%"),
    ("confidence", "1"),
];

/// The unit that the name of a bare number states, if it states one.
pub fn unit_of_coordinate(name: &str) -> Option<&'static str> {
    COORDINATES
        .iter()
        .find(|(suffix, _)| name.ends_with(suffix))
        .map(|(_, unit)| *unit)
}

/// Every figure of a serialised outcome, in the order of the record.
///
/// Objects with a `role` lend it to the keys below them, objects with
/// `nominal_hz` lend the band, other list items are numbered from 1.
pub fn observations(outcome: &Value) -> Vec<Observation> {
    let mut found = Vec::new();
    walk(outcome, &mut Vec::new(), None, &mut found);
    found
}

fn walk(value: &Value, path: &mut Vec<String>, band: Option<f64>, found: &mut Vec<Observation>) {
    match value {
        Value::Object(object) if object.contains_key("status") => {
            found.push(reading(object, path.join("."), band));
        }
        Value::Object(object) => {
            let band = object.get("nominal_hz").and_then(Value::as_f64).or(band);
            for (name, inner) in object {
                if matches!(name.as_str(), "nominal_hz" | "exact_hz") {
                    continue;
                }
                path.push(name.clone());
                match inner.as_f64() {
                    Some(number) => found.extend(coordinate(name, number, path.join("."), band)),
                    None => walk(inner, path, band, found),
                }
                path.pop();
            }
        }
        Value::Array(items) => list(items, path, band, found),
        _ => {}
    }
}

fn list(items: &[Value], path: &mut Vec<String>, band: Option<f64>, found: &mut Vec<Observation>) {
    let name = path.pop();
    for (position, item) in items.iter().enumerate() {
        let depth = path.len();
        if let Some(role) = item.get("role").and_then(Value::as_str) {
            path.push(role.to_owned());
        } else if item.get("nominal_hz").is_none() {
            path.extend(name.clone());
            path.push((position + 1).to_string());
        }
        walk(item, path, band, found);
        path.truncate(depth);
    }
    path.extend(name);
}

fn reading(object: &Map<String, Value>, quantity: String, nominal_hz: Option<f64>) -> Observation {
    let text = |name: &str| object.get(name).and_then(Value::as_str).map(str::to_owned);
    let number = |name: &str| object.get(name).and_then(Value::as_f64);
    Observation {
        quantity,
        nominal_hz,
        status: text("status").unwrap_or_default(),
        value: number("value"),
        unit: text("unit").unwrap_or_default(),
        reference: text("reference"),
        expanded_uncertainty: number("expanded_uncertainty"),
        budget: object
            .get("uncertainty_parts")
            .and_then(|parts| Uncertainty::deserialize(parts).ok())
            .unwrap_or_default(),
        reason: text("reason").or_else(|| text("uncertainty_note")),
    }
}

fn coordinate(name: &str, value: f64, quantity: String, band: Option<f64>) -> Option<Observation> {
    Some(Observation {
        quantity,
        nominal_hz: band,
        status: "measured".to_owned(),
        value: Some(value),
        unit: unit_of_coordinate(name)?.to_owned(),
        reference: None,
        expanded_uncertainty: None,
        budget: Uncertainty::EXACT,
        reason: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn roles_bands_and_numbered_items_make_the_keys() {
        let leq = json!({"status": "measured", "value": 90.0, "unit": "dB", "reference": "1 µN",
                         "expanded_uncertainty": 0.5});
        let outcome = json!({
            "channels": [{"role": "force", "bands": [{"nominal_hz": 500.0, "exact_hz": 501.2, "leq": leq}]}],
            "events": [{"frequency_hz": 2900.0, "level": leq}],
        });
        let found = observations(&outcome);
        let keys: Vec<(&str, Option<f64>)> = found
            .iter()
            .map(|o| (o.quantity.as_str(), o.nominal_hz))
            .collect();
        assert_eq!(
            keys,
            [
                ("force.leq", Some(500.0)),
                ("events.1.frequency_hz", None),
                ("events.1.level", None)
            ]
        );
        assert_eq!(found[1].unit, "Hz");
    }
}
