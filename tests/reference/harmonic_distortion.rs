//! Fundamental and total harmonic distortion against NumPy's FFT of coherently
//! sampled tones (fixtures/reference/harmonic_distortion.csv, made by
//! harmonic_distortion.py beside it, numpy 2.4.6).

use std::f64::consts::{SQRT_2, TAU};

use micronewton::Calibrated;
use micronewton::levels::{Scope, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome, harmonic_distortion};
use serde::Deserialize;

use crate::signals::rows;

#[derive(Debug, Clone, Copy, Deserialize)]
struct Row {
    rate_hz: u32,
    frequency_hz: f64,
    second: f64,
    third: f64,
    ceiling: f64,
    fundamental_db: f64,
    percent: f64,
}

/// The distorted tone in the force, the clean one at the level of the test in the
/// microphone channel.
fn outcome(row: Row) -> harmonic_distortion::Outcome {
    let level_db = if row.frequency_hz == 1600.0 {
        65.0
    } else {
        70.0
    };
    let pascals = SQRT_2 * 20e-6 * 10f64.powf(level_db / 20.0);
    let frame = |n: u32| {
        let x = (TAU * row.frequency_hz * f64::from(n) / f64::from(row.rate_hz)).sin();
        let y = x + row.second * x.powi(2) + row.third * x.powi(3);
        [y.clamp(-row.ceiling, row.ceiling), pascals * x]
    };
    let signal = Calibrated::from_signal(row.rate_hz, (0..row.rate_hz).map(frame).collect());
    let kind = Kind::HarmonicDistortion;
    let levels = reduce(signal, kind.needs(), Scope::default(), &mut |_| {}).unwrap();
    let captures = Captures::new(kind, [("capture", &levels)]);
    match kind.measure(&captures, &Options::default()).unwrap() {
        Outcome::HarmonicDistortion(outcome) => outcome,
        _ => unreachable!(),
    }
}

/// Distortion in per cent and level of the fundamental in dB re 1 N.
fn found(row: Row) -> [f64; 2] {
    let outcome = outcome(row);
    let mut tones = outcome.tones.iter();
    let tone = tones.find(|t| t.nominal_hz == row.frequency_hz).unwrap();
    let force = outcome.steps[0].force.figure();
    [
        tone.total
            .figure()
            .unwrap_or_else(|| panic!("{row:?}: {tone:?}"))
            .0,
        force.unwrap().db() - 120.0,
    ]
}

#[test]
fn tones_have_the_distortion_that_an_fft_finds() {
    for row in rows::<Row>("harmonic_distortion.csv") {
        let [percent, fundamental_db] = found(row);
        // A step ends where its frames do; 0.01 points is a tenth of what is promised.
        assert!((percent - row.percent).abs() < 0.01, "{row:?}: {percent}");
        let off_db = fundamental_db - row.fundamental_db;
        assert!(off_db.abs() < 0.01, "{row:?}: {fundamental_db}");
    }
}

#[test]
fn another_curve_is_told_apart() {
    let row = rows::<Row>("harmonic_distortion.csv")[1];
    let [percent, _] = found(Row {
        second: 0.03,
        ..row
    });
    assert!((percent - row.percent).abs() > 0.1, "{percent}");
}

/// Harmonics of 1600 Hz from the fifth on lie above 7.2 kHz at 16 kHz.
#[test]
fn harmonics_outside_the_band_are_named() {
    let all = rows::<Row>("harmonic_distortion.csv");
    let row = all.iter().find(|r| r.frequency_hz == 1600.0).unwrap();
    let outcome = outcome(*row);
    let tone = outcome
        .tones
        .iter()
        .find(|t| t.nominal_hz == 1600.0)
        .unwrap();
    assert_eq!(tone.outside_band, [5, 6, 7, 8, 9, 10]);
    assert!(tone.octave_rise.figure().is_none());
}
