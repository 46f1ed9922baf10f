//! Groups of devices against SciPy and statsmodels
//! (fixtures/reference/group_statistics.csv, made by group_statistics.py beside it).

use std::collections::BTreeMap;

use micronewton::comparison::groups::Placed;
use micronewton::comparison::{GroupOptions, Groups, Member, Recorded, compare_groups};
use serde_json::{Value, json};

use crate::signals::rows;

#[derive(serde::Deserialize)]
struct Figure {
    group: String,
    device: String,
    condition: String,
    repeat: String,
    quantity: String,
    nominal_hz: f64,
    value: f64,
}

#[derive(serde::Deserialize)]
struct Expected {
    quantity: String,
    nominal_hz: f64,
    group: String,
    minus: String,
    statistic: String,
    value: f64,
}

/// The records that the figures would have come from; `device` may rename the device.
fn members(device: impl Fn(&Figure) -> String) -> Vec<Member> {
    let mut records: Vec<(Placed, BTreeMap<u64, Value>)> = Vec::new();
    for figure in rows::<Figure>("group_figures.csv") {
        let placed = Placed {
            record: "record.json".into(),
            device: device(&figure),
            group: figure.group,
            condition: figure.condition,
            repeat: figure.repeat,
        };
        if records.last().is_none_or(|(last, _)| *last != placed) {
            records.push((placed, BTreeMap::new()));
        }
        let bands = &mut records.last_mut().unwrap().1;
        let band = bands.entry(figure.nominal_hz as u64);
        band.or_insert_with(|| json!({"nominal_hz": figure.nominal_hz}))[&figure.quantity] = json!(
            {"status": "measured", "value": figure.value, "unit": "dB", "reference": "1 µN"}
        );
    }
    let member = |(placed, bands): (Placed, BTreeMap<u64, Value>)| {
        let bands: Vec<Value> = bands.into_values().collect();
        let record = json!({"schema": 1, "calibration": {}, "captures": [], "entries": [
            {"entry": "levels", "capture": "speech", "doubts": [],
             "channels": [{"role": "force", "bands": bands}]}]});
        let record = Recorded::parse(&record.to_string()).unwrap();
        Member { placed, record }
    };
    records.into_iter().map(member).collect()
}

/// The row of a statistic and the statistic, as the JSON has it.
fn found(groups: &Value, expected: &Expected) -> f64 {
    let list = match expected.minus.as_str() {
        "" => &groups["groups"],
        _ => &groups["differences"],
    };
    let is = |row: &&Value| {
        row["quantity"] == format!("force.{}", expected.quantity)
            && row["nominal_hz"] == expected.nominal_hz
            && row["group"] == expected.group
            && row["minus"].as_str().unwrap_or_default() == expected.minus
    };
    let row = list.as_array().unwrap().iter().find(is).unwrap();
    row[&expected.statistic].as_f64().unwrap()
}

/// Largest difference from the packages, by statistic.
fn largest(groups: &Groups) -> BTreeMap<String, f64> {
    let groups = serde_json::to_value(groups).unwrap();
    let mut largest = BTreeMap::new();
    for expected in rows::<Expected>("group_statistics.csv") {
        let off = (found(&groups, &expected) - expected.value).abs();
        let worst: &mut f64 = largest.entry(expected.statistic).or_default();
        *worst = worst.max(off);
    }
    largest
}

#[test]
fn every_statistic_is_that_of_scipy_and_statsmodels() {
    let members = members(|figure| figure.device.clone());
    let groups = compare_groups(&members, GroupOptions::default()).unwrap();
    let largest = largest(&groups);
    println!("{largest:#?}");
    assert_eq!(largest.len(), 16);
    for (statistic, off) in &largest {
        assert!(*off < 1e-9, "{statistic}: {off:e}");
    }
    // Three groups, three pairs, two quantities, five bands: nothing else is told.
    assert_eq!((groups.groups.len(), groups.differences.len()), (30, 30));
}

/// The companion that must fail: repeats passed off as devices of their own make every
/// interval too narrow.
#[test]
fn repeats_are_no_devices() {
    let alone = |f: &Figure| format!("{}{}{}{}", f.group, f.device, f.condition, f.repeat);
    let groups = compare_groups(&members(alone), GroupOptions::default()).unwrap();
    let groups = serde_json::to_value(&groups).unwrap();
    let width = |low: f64, high: f64| high - low;
    for expected in rows::<Expected>("group_statistics.csv") {
        if expected.statistic != "high" || !expected.minus.is_empty() || expected.group != "old" {
            continue;
        }
        let mean = |statistic: &str| {
            let of = |e: &Expected| e.statistic == statistic && e.minus.is_empty();
            let same = |e: &Expected| {
                (&e.quantity, e.nominal_hz, &e.group)
                    == (&expected.quantity, expected.nominal_hz, &expected.group)
            };
            rows::<Expected>("group_statistics.csv")
                .into_iter()
                .find(|e| of(e) && same(e))
                .unwrap()
        };
        let low = mean("low");
        let narrow = width(found(&groups, &low), found(&groups, &expected));
        assert!(narrow < 0.9 * width(low.value, expected.value), "{narrow}");
    }
}
