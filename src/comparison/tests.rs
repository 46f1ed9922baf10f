use super::*;
use serde_json::{Value, json};

/// A record of one level at 1 kHz, `parts` being its budget.
fn record(name: &str, db: f64, parts: Value, sensitivity: f64) -> Recorded {
    let expanded = parts
        .as_object()
        .unwrap()
        .values()
        .filter_map(Value::as_f64);
    let expanded = expanded.map(|u| u * u).sum::<f64>().sqrt();
    let leq = json!({"status": "measured", "value": db, "unit": "dB", "reference": "1 µN",
        "expanded_uncertainty": expanded, "uncertainty_parts": parts});
    let record = json!({
        "schema": 1,
        "tool": {"name": "micronewton", "version": "0.1.0"},
        "calibration": {"force": {"sensitivity_v_per_n": sensitivity}},
        "captures": [{"name": name, "role": "speech"}],
        "entries": [{"entry": "levels", "capture": name, "doubts": [],
            "channels": [{"role": "force", "bands": [{"nominal_hz": 1000.0, "leq": leq}]}]}],
    });
    Recorded::parse(&record.to_string()).unwrap()
}

fn only(before: &Recorded, after: &Recorded, repeatability_db: Option<f64>) -> Difference {
    let made = compare(before, after, Options { repeatability_db }).unwrap();
    assert_eq!(made.differences.len(), 1, "{:?}", made.differences);
    made.differences[0].clone()
}

/// 0.3 and 0.4 in squares are 0.5: a change of 0.51 dB exceeds it, one of 0.49 dB does not.
#[test]
fn a_shared_calibration_cancels_and_the_rest_adds_in_squares() {
    let parts = |statistics: f64| json!({"force_transducer": 2.0, "statistics": statistics});
    let before = record("speech", 80.0, parts(0.3), 0.132);
    for (db, verdict) in [
        (80.51, Verdict::Changed),
        (80.49, Verdict::NotBeyondUncertainty),
    ] {
        let found = only(&before, &record("speech", db, parts(0.4), 0.132), None);
        assert!((found.expanded_uncertainty.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!(found.verdict, verdict);
    }
    // Another calibration: √(2² + 2² + 0.25) = 2.872.
    let found = only(&before, &record("speech", 80.51, parts(0.4), 0.140), None);
    assert!((found.expanded_uncertainty.unwrap() - 8.25f64.sqrt()).abs() < 1e-12);
    assert_eq!(found.verdict, Verdict::NotBeyondUncertainty);
}

#[test]
fn remounting_does_not_cancel_and_a_stated_repeatability_counts() {
    let parts = || json!({"force_transducer": 0.5, "remounting": 0.6, "statistics": 0.0});
    let (before, after) = (
        record("a", 80.0, parts(), 1.0),
        record("a", 81.0, parts(), 1.0),
    );
    let found = only(&before, &after, None);
    assert!((found.expanded_uncertainty.unwrap() - 0.72f64.sqrt()).abs() < 1e-12);
    assert_eq!(found.verdict, Verdict::Changed);
    let found = only(&before, &after, Some(1.0));
    assert!((found.expanded_uncertainty.unwrap() - 1.72f64.sqrt()).abs() < 1e-12);
    assert_eq!(found.verdict, Verdict::NotBeyondUncertainty);
}

#[test]
fn captures_of_other_names_go_by_their_role() {
    let parts = || json!({"force_transducer": 0.5, "statistics": 0.1});
    let found = only(
        &record("tense", 80.0, parts(), 1.0),
        &record("freed", 83.0, parts(), 1.0),
        None,
    );
    assert_eq!(
        (found.name.capture.as_str(), found.difference),
        ("tense", Some(3.0))
    );
}

#[test]
fn without_a_stated_uncertainty_nothing_is_judged() {
    let parts = || json!({"force_transducer": null, "statistics": 0.1});
    let (before, after) = (
        record("a", 80.0, parts(), 1.0),
        record("a", 90.0, parts(), 2.0),
    );
    let found = only(&before, &after, None);
    assert_eq!(found.verdict, Verdict::NotComparable);
    assert!(
        found
            .reason
            .unwrap()
            .contains("not stated for the force transducer")
    );
}

/// The extremes of a noise move from one recording to the next, and their budget
/// does not say by how much.
#[test]
fn a_figure_that_leaves_chance_out_needs_a_stated_repeatability() {
    let parts = || json!({"force_transducer": 0.5, "analysis": 0.1});
    let (before, after) = (
        record("a", 80.0, parts(), 1.0),
        record("a", 82.0, parts(), 1.0),
    );
    let found = only(&before, &after, None);
    assert_eq!(found.verdict, Verdict::NotComparable);
    assert!(found.reason.unwrap().contains("chance"));
    assert_eq!(only(&before, &after, Some(1.0)).verdict, Verdict::Changed);
}

/// A record of oscillations at some frequencies, all levels certain within 0.1 dB.
fn ringing(events: &[(f64, f64)]) -> Recorded {
    let event = |(hz, db): &(f64, f64)| {
        let level = json!({"status": "measured", "value": db, "unit": "dB",
            "reference": "1 µN", "expanded_uncertainty": 0.1,
            "uncertainty_parts": {"statistics": 0.1}});
        json!({"frequency_hz": hz, "level": level})
    };
    let events: Vec<Value> = events.iter().map(event).collect();
    let record = json!({"schema": 1, "calibration": {},
        "captures": [{"name": "a", "role": "speech"}],
        "entries": [{"entry": "feedback", "capture": "a", "events": events}]});
    Recorded::parse(&record.to_string()).unwrap()
}

#[test]
fn oscillations_go_by_their_frequency_and_not_by_their_number() {
    let before = ringing(&[(1200.0, 70.0), (2900.0, 80.0), (4000.0, 60.0)]);
    let after = ringing(&[(2910.0, 85.0), (4150.0, 61.0), (1199.0, 70.0)]);
    let made = compare(&before, &after, Options::default()).unwrap();
    let level = |number: usize| {
        let quantity = format!("events.{number}.level");
        let mut rows = made
            .differences
            .iter()
            .filter(|d| d.name.quantity == quantity);
        let row = rows.next().unwrap();
        assert!(rows.next().is_none());
        (row.verdict, row.before, row.after)
    };
    assert_eq!(
        level(1),
        (Verdict::NotBeyondUncertainty, Some(70.0), Some(70.0))
    );
    assert_eq!(level(2), (Verdict::Changed, Some(80.0), Some(85.0)));
    // 4 kHz and 4.15 kHz lie 3.7 % apart: one has gone, another has come.
    assert_eq!(level(3), (Verdict::NotComparable, Some(60.0), None));
    assert_eq!(level(4), (Verdict::NotComparable, None, Some(61.0)));
}

#[test]
fn two_oscillations_at_one_frequency_stay_in_their_order() {
    let twice = ringing(&[(2900.0, 80.0), (2900.0, 70.0)]);
    let made = compare(&twice, &twice, Options::default()).unwrap();
    let levels = made
        .differences
        .iter()
        .filter(|d| d.name.quantity.ends_with("level"));
    assert_eq!(levels.filter(|d| d.difference == Some(0.0)).count(), 2);
}

#[test]
fn items_numbered_as_found_without_a_frequency_are_not_taken_for_the_same_thing() {
    let record = json!({"schema": 1, "calibration": {}, "captures": [], "entries": [
        {"entry": "x", "capture": "a", "items": [{"level": {"status": "measured",
            "value": 1.0, "unit": "dB", "expanded_uncertainty": 0.1}}]}]});
    let record = Recorded::parse(&record.to_string()).unwrap();
    let found = only(&record, &record, Some(0.1));
    assert!(found.reason.unwrap().contains("numbered"));
}

#[test]
fn a_repeatability_below_nothing_is_refused() {
    let repeatability_db = Some(-1.0);
    assert!(Options { repeatability_db }.check().is_err());
}
