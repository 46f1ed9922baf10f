use super::*;
use serde_json::json;

/// A member whose record holds one level at 1 kHz, or a bound.
fn member(group: &str, device: &str, repeat: &str, db: Option<f64>) -> Member {
    let leq = json!({"status": if db.is_some() { "measured" } else { "at_most" },
        "value": db.unwrap_or(0.0), "unit": "dB", "reference": "1 µN"});
    let record = json!({
        "schema": 1,
        "calibration": {},
        "captures": [{"name": format!("{device}{repeat}"), "role": "speech"}],
        "entries": [{"entry": "levels", "capture": format!("{device}{repeat}"),
            "events": [{"frequency_hz": 1.0, "level": leq.clone()}],
            "doubts": [{"check": "hum"}],
            "channels": [{"role": "force", "bands": [{"nominal_hz": 1000.0, "leq": leq}]}]}],
    });
    Member {
        placed: Placed {
            record: format!("{group}{device}{repeat}.json").into(),
            group: group.into(),
            device: device.into(),
            condition: String::new(),
            repeat: repeat.into(),
        },
        record: Recorded::parse(&record.to_string()).unwrap(),
    }
}

fn found(members: &[Member]) -> Groups {
    let quantities = vec!["force".to_owned()];
    compare_groups(members, GroupOptions { quantities }).unwrap()
}

/// Two devices before and after: differences of 3 dB and 4 dB, whose t is
/// 3.5/(0.7071/√2) = 7 with one degree of freedom, whose distribution is Cauchy's:
/// p = 1 − 2 atan(7)/π = 0.09033.
#[test]
fn a_device_in_both_groups_is_its_own_control_and_counts_once() {
    let mut members = vec![
        member("old", "a", "1", Some(80.0)),
        member("old", "a", "2", Some(82.0)),
        member("old", "b", "1", Some(90.0)),
        member("new", "a", "1", Some(84.0)),
        member("new", "b", "1", Some(94.0)),
    ];
    let groups = found(&members);
    let [difference] = groups.differences.as_slice() else {
        panic!("{groups:#?}")
    };
    assert_eq!(difference.method, Method::Paired);
    assert_eq!(
        (difference.group.as_str(), difference.minus.as_str()),
        ("new", "old")
    );
    assert_eq!(
        (difference.devices, difference.difference),
        ([2, 2], Some(3.5))
    );
    let p = 1.0 - 2.0 * 7f64.atan() / std::f64::consts::PI;
    assert!((difference.p.unwrap() - p).abs() < 1e-12, "{difference:?}");
    assert_eq!(
        (difference.differs, difference.doubts.len()),
        (Some(false), 1)
    );
    let old = &groups.groups[0];
    assert_eq!((old.devices, old.records, old.mean), (2, 3, Some(85.5)));
    assert!((old.repeatability_limit.unwrap() - 2.8 * 2f64.sqrt()).abs() < 1e-12);
    // A third device in one group alone has no partner and changes no difference.
    members.push(member("new", "c", "1", Some(70.0)));
    assert_eq!(found(&members).differences[0].difference, Some(3.5));
}

#[test]
fn bounds_are_left_out_and_counted() {
    let members = [
        member("old", "a", "1", Some(80.0)),
        member("old", "b", "1", None),
        member("new", "c", "1", Some(80.0)),
        member("new", "d", "1", Some(80.0)),
    ];
    let groups = found(&members);
    assert_eq!(
        (groups.groups[0].records, groups.groups[0].left_out),
        (1, 1)
    );
    assert_eq!(groups.differences[0].method, Method::Unpaired);
    assert_eq!(
        (groups.differences[0].p, groups.differences[0].differs),
        (None, None)
    );
    assert!(groups.differences[0].reason.is_some());
}

#[test]
fn what_is_numbered_as_found_is_left_out_and_said() {
    let members = [
        member("old", "a", "1", Some(80.0)),
        member("old", "b", "1", Some(80.0)),
    ];
    let all = compare_groups(&members, GroupOptions::default()).unwrap();
    assert_eq!((all.groups.len(), all.differences.len()), (1, 0));
    assert!(
        all.notes.iter().any(|note| note.starts_with("4 figures")),
        "{:?}",
        all.notes
    );
}
