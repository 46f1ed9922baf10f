//! Band levels of white noise, pink noise and speech against two general-purpose
//! libraries (fixtures/reference/band_levels.csv, made by band_levels.py with
//! SciPy 1.17.1 and PyOctaveBand 2.0.0).
//!
//! `scipy` rows come from filters of the same design at the full sampling rate,
//! so they judge our decimation, our clock and our statistics; `pyoctaveband`
//! rows come from a design of its own and judge the levels.

use std::collections::BTreeMap;

use micronewton::levels::{Bands, Interval};
use micronewton::quantity::BandRange;

use crate::signals::{bands, db, pink, rows, speech, white};

#[derive(serde::Deserialize)]
struct Row {
    signal: String,
    method: String,
    nominal_hz: f64,
    to_s: f64,
    quantity: String,
    value_db: f64,
}

fn signal(name: &str) -> (u32, Vec<f64>) {
    match name {
        "white" => (48_000, white(1, 960_000, 0.05)),
        "pink" => (48_000, pink(2, 960_000, 0.02)),
        _ => speech(),
    }
}

fn ours(bands: &Bands, column: usize, quantity: &str) -> f64 {
    let at = (0, column);
    match quantity {
        "leq" => db(bands.mean_square[at]),
        "fast_max" => db(bands.fast.max[at]),
        "fast_min" => db(bands.fast.min.as_ref().unwrap()[at]),
        "slow_max" => db(bands.slow.max[at]),
        "slow_min" => db(bands.slow.min.as_ref().unwrap()[at]),
        other => panic!("unknown quantity {other}"),
    }
}

/// Ours minus the reference. Percentiles of speech may lie between two blocks
/// that are decibels apart; the reference may then stand anywhere between our
/// percentiles one block (half a percent) to either side.
fn distance(bands: &Bands, column: usize, quantity: &str, reference_db: f64) -> f64 {
    let Some(percent) = quantity.strip_prefix("percentile_") else {
        return ours(bands, column, quantity) - reference_db;
    };
    let percent: f64 = percent.parse().unwrap();
    let at = |percent: f64| bands.blocks[(0, column)].percentile_db(percent).unwrap();
    let (low, high) = (at(percent - 0.5), at(percent + 0.5));
    if reference_db < low {
        low - reference_db
    } else {
        (high - reference_db).min(0.0)
    }
}

/// Largest difference allowed, in dB. Half of it is the step of our histogram
/// (0.05 dB); the rest is sampling the square at a lower rate. The package of its
/// own design answers to partials of the voice near band edges differently.
fn tolerance_db(signal: &str, method: &str, quantity: &str) -> f64 {
    match (signal, method, quantity) {
        ("speech", "pyoctaveband", _) => 0.5,
        (_, "pyoctaveband", _) => 0.03,
        (_, _, "leq") => 0.02,
        // Ours listens once the filter has settled, up to 0.3 s after the
        // reference; of that, S still knows e^(−0.7) at the start of the span.
        (_, _, "slow_max") => 0.1,
        // In the pauses of speech a block is the ringing of a filter.
        ("speech", _, "fast_min" | "percentile_1" | "percentile_5") => 0.1,
        _ => 0.05,
    }
}

#[test]
fn levels_agree_with_two_general_purpose_libraries() {
    let table: Vec<Row> = rows("band_levels.csv");
    let mut worst: BTreeMap<(String, String, String), f64> = BTreeMap::new();
    let mut failed = Vec::new();
    let mut checked = 0;
    for name in ["white", "pink", "speech"] {
        let (rate_hz, samples) = signal(name);
        let interval = Interval {
            from_s: Some(1.0),
            to_s: table.iter().find(|r| r.signal == name).map(|r| r.to_s),
        };
        let frames = samples.into_iter().map(|x| [x, 0.0]).collect();
        let result = bands(rate_hz, frames, BandRange::default(), interval);
        for row in table.iter().filter(|row| row.signal == name) {
            let tolerance = tolerance_db(name, &row.method, &row.quantity);
            let Some(column) = result
                .bands
                .iter()
                .position(|b| b.nominal_hz() == row.nominal_hz)
            else {
                panic!("no band {}", row.nominal_hz);
            };
            // Order 6 with edges at −3.01 dB reads noise 10 lg(x / sin x) high,
            // x = π/12 (the header of the table).
            let bias = if row.method == "pyoctaveband" {
                0.0497
            } else {
                0.0
            };
            let difference = distance(&result, column, &row.quantity, row.value_db - bias);
            let key = (row.signal.clone(), row.method.clone(), row.quantity.clone());
            let largest = worst.entry(key).or_default();
            *largest = largest.max(difference.abs());
            checked += 1;
            if difference.abs() >= tolerance {
                failed.push(format!(
                    "{name}, {}, {} Hz, {}: {difference:.3} dB",
                    row.method, row.nominal_hz, row.quantity
                ));
            }
        }
    }
    assert!(checked > 860, "{checked} figures compared");
    assert!(failed.is_empty(), "{}", failed.join("\n"));
    for ((signal, method, quantity), largest) in worst {
        println!("{signal:7} {method:13} {quantity:14} {largest:.3} dB");
    }
}
