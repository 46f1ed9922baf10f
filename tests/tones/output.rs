//! OFL90 within 0.1 dB of the bench's truth.

use micronewton::measurement::Outcome;

use crate::{bench, measured, measured_with, row, sweep};

const TONES: &str = "200, 251.19, 316.23, 398.11, 501.19, 630.96, 794.33, 1000, 1258.9, 1584.9, \
                     1995.3, 2511.9, 3162.3, 3981.1, 5011.9, 6309.6";

fn errors(rate_hz: u32, bits: u16, step_s: f64) {
    let device = "[device.limiter]\nceiling_db = 112.0\n[device.compression]\nratio = [1.3]\n";
    let capture = sweep("sweep", "output_force_level", TONES, step_s, 90.0);
    let (_, rows) = measured(&format!("{}{device}{capture}", bench(rate_hz, bits, 60.0)));
    for quantity in ["force", "maximum", "high_frequency_average"] {
        let row = row(&rows, &format!("output_force_level {quantity}"));
        eprintln!(
            "{rate_hz} Hz, {bits} bit: {quantity} {} of {} within {:.3} dB",
            row.compared,
            row.compared + row.missing,
            row.max
        );
        assert_eq!(row.missing, 0, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.max <= 0.1, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.covered_percent.is_none_or(|c| c >= 95.0), "{row:?}");
    }
}

#[test]
fn the_curve_stands_within_a_tenth_of_a_decibel_at_every_rate_and_depth() {
    for rate_hz in [16_000, 44_100, 96_000] {
        for bits in [16, 24] {
            errors(rate_hz, bits, 0.5);
        }
    }
    errors(48_000, 24, 1.0);
}

#[test]
fn the_special_purpose_average_is_over_the_frequencies_that_the_session_names() {
    let capture = sweep("sweep", "output_force_level", TONES, 0.5, 90.0);
    let (record, _) = measured_with(
        &format!("{}{capture}", bench(24_000, 24, 40.0)),
        &|session| {
            format!(
                "{session}\n[options.output_force_level]\nspecial_purpose_hz = [800, 1250, 2000]\n"
            )
        },
    );
    let mut outcomes = record.entries.iter().map(|entry| &entry.outcome);
    let found = outcomes.find_map(|outcome| match outcome {
        Outcome::OutputForceLevel(found) => Some(found),
        _ => None,
    });
    let found = found.unwrap();
    let at = |hz: f64| {
        let point = found.curve.iter().find(|p| p.nominal_hz == hz);
        point.unwrap().force.figure().unwrap().db()
    };
    let average = found
        .summary
        .special_purpose_average
        .as_ref()
        .unwrap()
        .figure()
        .unwrap();
    let by_hand = (at(800.0) + at(1250.0) + at(2000.0)) / 3.0;
    assert!((average.db() - by_hand).abs() < 1e-9, "{average:?}");
    assert!(
        (average.db() - found.summary.high_frequency_average.figure().unwrap().db()).abs() > 0.1
    );
}
