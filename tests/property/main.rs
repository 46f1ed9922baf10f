//! Laws that hold whatever the signal.

mod analysis;
mod at_once;
mod coverage;
mod fitting;
mod sessions;

use micronewton::levels::{Levels, Needs, Scope, StatedTone, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome};
use micronewton::quantity::Role;
use micronewton::quantity::observation::unit_of_coordinate;
use micronewton::{Calibrated, Reading};
use serde_json::Value;

/// Repeatable frames: noise with a tone in the force channel.
fn frames(count: usize, gain: f64) -> Vec<[f64; 2]> {
    let mut state = 1u32;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state as i32) / 2f64.powi(31)
    };
    (0..count)
        .map(|n| {
            let sound = 0.1 * next();
            let tone = 0.05 * (n as f64 * 0.37).sin();
            [gain * (0.5 * sound + tone + 0.01 * next()), gain * sound]
        })
        .collect()
}

fn levels(frames: Vec<[f64; 2]>) -> Levels {
    let needs = Kind::ALL
        .iter()
        .fold(Needs::default(), |needs, kind| needs.or(kind.needs()));
    reduce(
        Calibrated::from_signal(24_000, frames),
        needs,
        Scope::default(),
        &mut |_| {},
    )
    .unwrap()
}

/// Ten seconds that are stated to be of a calibrator, and are not, reduced to what
/// `kind` reads.
fn stated(kind: Kind) -> Levels {
    let tone = StatedTone {
        role: Role::Force,
        level_db: 94.0,
        frequency_hz: 1000.0,
    };
    let scope = Scope {
        tone: Some(tone),
        ..Scope::default()
    };
    let signal = Calibrated::from_signal(24_000, frames(240_000, 1.0));
    reduce(signal, kind.needs(), scope, &mut |_| {}).unwrap()
}

fn measure(kind: Kind, parts: &[(&'static str, &Levels)]) -> Value {
    let captures = Captures::new(kind, parts.iter().copied());
    serde_json::to_value(kind.measure(&captures, &Options::default()).unwrap()).unwrap()
}

/// Every outcome of the catalogue on one ordinary capture.
fn outcomes(capture: &Levels) -> Vec<Value> {
    let calibrator = stated(Kind::CalibratorTone);
    vec![
        measure(Kind::Levels, &[("capture", capture)]),
        measure(Kind::SpeechPercentiles, &[("capture", capture)]),
        measure(Kind::Feedback, &[("capture", capture)]),
        measure(Kind::Directional, &[("front", capture), ("back", capture)]),
        measure(Kind::DirectionalAtOnce, &[("capture", capture)]),
        measure(
            Kind::Directivity,
            &[
                ("angle_0", capture),
                ("angle_90", capture),
                ("angle_180", capture),
            ],
        ),
        measure(
            Kind::NoiseReduction,
            &[
                ("noise_reduction_off", capture),
                ("noise_reduction_on", capture),
            ],
        ),
        measure(Kind::NoiseReductionOnset, &[("capture", capture)]),
        measure(Kind::Sensitivity, &[("capture", capture)]),
        measure(
            Kind::EquivalentInputNoise,
            &[("capture", capture), ("sensitivity", capture)],
        ),
        measure(
            Kind::PhaseInversion,
            &[
                ("speech_plus_noise", capture),
                ("speech_minus_noise", capture),
                ("speech_plus_noise_on", capture),
                ("speech_minus_noise_on", capture),
            ],
        ),
        measure(Kind::OutputForceLevel, &[("capture", capture)]),
        measure(Kind::HarmonicDistortion, &[("capture", capture)]),
        measure(Kind::AttackRelease, &[("capture", capture)]),
        measure(
            Kind::CalibratorTone,
            &[("capture", &calibrator), ("earlier", &calibrator)],
        ),
    ]
}

#[test]
fn ten_decibels_in_are_ten_decibels_out() {
    let soft = measure(Kind::Levels, &[("capture", &levels(frames(72_000, 1.0)))]);
    let loud = measure(
        Kind::Levels,
        &[("capture", &levels(frames(72_000, 10f64.sqrt())))],
    );
    let mut compared = 0;
    for channel in 0..2 {
        let bands = |record: &Value| {
            record["channels"][channel]["bands"]
                .as_array()
                .unwrap()
                .clone()
        };
        for (a, b) in bands(&soft).iter().zip(&bands(&loud)) {
            for key in ["leq", "fast_max", "slow_max", "fast_min"] {
                let values = [a, b].map(|band| band[key]["value"].as_f64());
                let [Some(a), Some(b)] = values else {
                    assert_eq!(values, [None, None], "{key}");
                    continue;
                };
                let difference = b - a;
                assert!((difference - 10.0).abs() < 1e-9, "{key}: {difference}");
                compared += 1;
            }
            // The histogram steps by 0.05 dB; ten decibels are 200 steps.
            let median = |v: &Value| v["exceeded"]["50"]["value"].as_f64().unwrap();
            assert!((median(b) - median(a) - 10.0).abs() < 0.0501);
        }
    }
    assert!(compared > 100);
}

#[test]
fn silence_is_not_measured_and_never_minus_infinity() {
    let silent = levels(vec![[0.0; 2]; 48_000]);
    let outcome = measure(Kind::Levels, &[("capture", &silent)]);
    let leq = &outcome["channels"][0]["bands"][0]["leq"];
    assert_eq!(leq["status"], "not_measured");
    assert!(leq["value"].is_null());
    assert!(leq["reason"].as_str().unwrap().contains("silence"));
    // No signal is no evidence against feedback.
    let captures = Captures::new(Kind::Feedback, [("capture", &silent)]);
    let refused = Kind::Feedback
        .measure(&captures, &Options::default())
        .unwrap_err();
    assert_eq!(refused.problem().code(), "capture.silent");
    let directional = measure(Kind::Directional, &[("front", &silent), ("back", &silent)]);
    assert_eq!(directional["broadband"]["status"], "not_measured");
}

#[test]
fn exchanged_channels_exchange_their_levels() {
    let straight = levels(frames(48_000, 1.0)).bands.unwrap();
    let crossed = frames(48_000, 1.0)
        .into_iter()
        .map(|[a, b]| [b, a])
        .collect();
    let crossed = levels(crossed).bands.unwrap();
    assert_eq!(straight.mean_square.row(0), crossed.mean_square.row(1));
    assert_eq!(straight.mean_square.row(1), crossed.mean_square.row(0));
}

#[test]
fn a_capture_against_itself_has_no_front_and_no_back() {
    let capture = levels(frames(72_000, 1.0));
    let outcome = measure(
        Kind::Directional,
        &[("front", &capture), ("back", &capture)],
    );
    assert_eq!(outcome["broadband"]["value"], 0.0);
}

/// Bare numbers whose names state no unit, as paths.
fn bare_numbers(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(object) if object.contains_key("status") => {
            for key in ["value", "unit", "reference", "expanded_uncertainty"] {
                assert!(object.contains_key(key), "{path} lacks {key}");
            }
        }
        Value::Object(object) => {
            for (name, inner) in object {
                if inner.is_number() && unit_of_coordinate(name).is_none() {
                    found.push(format!("{path}.{name}"));
                }
                bare_numbers(inner, &format!("{path}.{name}"), found);
            }
        }
        Value::Array(items) => {
            for item in items {
                // A list of numbers states its unit in its own name.
                if item.is_number() && unit_of_coordinate(path).is_none() {
                    found.push(path.to_owned());
                }
                bare_numbers(item, path, found);
            }
        }
        _ => {}
    }
}

#[test]
fn every_number_of_every_outcome_has_a_unit() {
    let mut found = Vec::new();
    for outcome in outcomes(&levels(frames(72_000, 1.0))) {
        bare_numbers(&outcome, outcome["entry"].as_str().unwrap(), &mut found);
    }
    assert!(found.is_empty(), "{found:?}");
    bare_numbers(&serde_json::json!({"gain": 3.0}), "planted", &mut found);
    assert_eq!(found, ["planted.gain"]);
}

#[test]
fn each_measurement_works_with_exactly_what_it_needs() {
    for kind in Kind::ALL {
        let capture = stated(*kind);
        let parts = [
            ("capture", &capture),
            ("front", &capture),
            ("back", &capture),
            ("angle_0", &capture),
            ("noise_reduction_off", &capture),
            ("noise_reduction_on", &capture),
            ("sensitivity", &capture),
            ("speech_plus_noise", &capture),
            ("speech_minus_noise", &capture),
            ("speech_plus_noise_on", &capture),
            ("speech_minus_noise_on", &capture),
        ];
        let captures = Captures::new(*kind, parts);
        let outcome: Outcome = kind.measure(&captures, &Options::default()).unwrap();
        assert_eq!(outcome.kind(), *kind);
    }
}

#[test]
fn a_reading_of_nothing_keeps_its_unit() {
    let reading = Reading::<micronewton::PressureLevel>::not_measured("no microphone");
    let json = serde_json::to_value(reading).unwrap();
    assert_eq!(json["reference"], "20 µPa");
}
