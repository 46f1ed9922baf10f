//! The tone of a calibrator against the limits of IEC 60942:2017 for class 1, and
//! against tones whose level is known.

use std::f64::consts::TAU;

use micronewton::Calibrated;
use micronewton::levels::{Needs, Scope, StatedTone, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome, calibrator_tone};
use micronewton::quantity::Role;
use micronewton::table::calibrator::Limits;
use serde::Deserialize;

use crate::signals::{rows, tone, white};

#[derive(Deserialize)]
struct Row {
    inside_hz: f64,
    frequency_percent: f64,
    fluctuation_db: f64,
    distortion_percent: f64,
}

const SECONDS: f64 = 12.0;

/// What is found in the sound pressure `signal`, stated to be 94 dB, 1 Pa.
fn measured(rate_hz: u32, stated_hz: f64, signal: Vec<f64>) -> calibrator_tone::Outcome {
    let frames = signal.into_iter().map(|pascal| [0.0, pascal]).collect();
    let scope = Scope {
        tone: Some(StatedTone {
            role: Role::Microphone,
            level_db: 20.0 * f64::log10(1.0 / 20e-6),
            frequency_hz: stated_hz,
        }),
        ..Scope::default()
    };
    let needs = Needs {
        tone: true,
        ..Needs::NONE
    };
    let signal = Calibrated::from_signal(rate_hz, frames);
    let levels = reduce(signal, needs, scope, &mut |_| {}).unwrap();
    let kind = Kind::CalibratorTone;
    let captures = Captures::new(kind, [("capture", &levels)]);
    match kind.measure(&captures, &Options::default()).unwrap() {
        Outcome::CalibratorTone(outcome) => outcome,
        _ => unreachable!(),
    }
}

/// A rate that carries the tone, and no higher than it takes.
fn rate_hz(tone_hz: f64) -> u32 {
    if tone_hz < 4000.0 { 16_000 } else { 48_000 }
}

fn frames(rate_hz: u32) -> usize {
    (SECONDS * f64::from(rate_hz)) as usize
}

fn believed(rate_hz: u32, stated_hz: f64, signal: Vec<f64>) -> bool {
    measured(rate_hz, stated_hz, signal).believable().is_ok()
}

#[test]
fn the_limits_are_those_of_the_standard() {
    for row in rows::<Row>("calibrators_class_1.csv") {
        let limits = Limits::class_1(row.inside_hz).unwrap();
        assert_eq!(limits.frequency_percent, row.frequency_percent);
        assert_eq!(limits.fluctuation_db, row.fluctuation_db);
        assert_eq!(limits.distortion_percent, row.distortion_percent);
    }
}

#[test]
fn a_frequency_just_within_its_limit_is_believed_and_just_beyond_it_is_not() {
    for row in rows::<Row>("calibrators_class_1.csv") {
        let rate_hz = rate_hz(row.inside_hz);
        for side in [-1.0, 1.0] {
            let off = |share: f64| {
                let hz = row.inside_hz * (1.0 + side * share * row.frequency_percent / 100.0);
                tone(rate_hz, hz, frames(rate_hz)).collect::<Vec<_>>()
            };
            assert!(
                believed(rate_hz, row.inside_hz, off(0.98)),
                "{}",
                row.inside_hz
            );
            assert!(
                !believed(rate_hz, row.inside_hz, off(1.02)),
                "{}",
                row.inside_hz
            );
        }
    }
}

#[test]
fn a_fluctuation_just_within_its_limit_is_believed_and_just_beyond_it_is_not() {
    // Level modulated at 0.25 Hz, three times in 12 s; the time weighting F passes
    // of it 1/√(1 + (2π 0.25 Hz 0.125 s)²) (textbook).
    const MODULATION_HZ: f64 = 0.25;
    let passed = 1.0 / f64::hypot(1.0, TAU * MODULATION_HZ * 0.125);
    for row in rows::<Row>("calibrators_class_1.csv") {
        let rate_hz = rate_hz(row.inside_hz);
        let swinging = |share: f64| {
            // The level falls further than it rises: −20 lg(1 − m) below the mean.
            let depth = (1.0 - 10f64.powf(-share * row.fluctuation_db / 20.0)) / passed;
            let envelope = |n: usize| {
                1.0 + depth * (TAU * MODULATION_HZ * n as f64 / f64::from(rate_hz)).sin()
            };
            let carrier = tone(rate_hz, row.inside_hz, frames(rate_hz)).enumerate();
            carrier.map(|(n, x)| envelope(n) * x).collect::<Vec<_>>()
        };
        assert!(
            believed(rate_hz, row.inside_hz, swinging(0.97)),
            "{}",
            row.inside_hz
        );
        assert!(
            !believed(rate_hz, row.inside_hz, swinging(1.03)),
            "{}",
            row.inside_hz
        );
    }
}

#[test]
fn a_distortion_just_within_its_limit_is_believed_and_just_beyond_it_is_not() {
    for row in rows::<Row>("calibrators_class_1.csv") {
        let rate_hz = rate_hz(row.inside_hz);
        // A tone of its own at no multiple counts like a harmonic; so do both,
        // and noise, wherever they lie between 22.4 Hz and 22.4 kHz.
        for other_hz in [1.7 * row.inside_hz.max(60.0), 0.45 * f64::from(rate_hz)] {
            let spoilt = |share: f64| {
                let part = share * row.distortion_percent / 100.0;
                let part = part / (1.0 - part * part).sqrt();
                let other = tone(rate_hz, other_hz, frames(rate_hz));
                let pure = tone(rate_hz, row.inside_hz, frames(rate_hz));
                pure.zip(other)
                    .map(|(x, y)| x + part * y)
                    .collect::<Vec<_>>()
            };
            assert!(
                believed(rate_hz, row.inside_hz, spoilt(0.995)),
                "{}",
                row.inside_hz
            );
            assert!(
                !believed(rate_hz, row.inside_hz, spoilt(1.005)),
                "{}",
                row.inside_hz
            );
        }
    }
}

#[test]
fn the_level_comes_back_whatever_noise_harmonics_bits_and_rate() {
    for (rate_hz, bits, true_hz) in [
        (16_000, 16, 1000.0),
        (16_000, 24, 251.1),
        (44_100, 24, 997.3),
        (48_000, 16, 1006.0),
        (48_000, 24, 249.0),
        (96_000, 24, 994.0),
        (192_000, 16, 1000.0),
    ] {
        let part = |multiple: f64| tone(rate_hz, multiple * true_hz, frames(rate_hz));
        let noise = white(u64::from(rate_hz) + bits, frames(rate_hz), 0.01);
        let harmonics = part(2.0)
            .zip(part(3.0))
            .map(|(a, b)| 0.02 / 2f64.sqrt() * (a + b));
        // 1 Pa r.m.s. stands 20 dB below full scale.
        let step = 14.0 / 2f64.powi(bits as i32 - 1);
        let signal = part(1.0)
            .zip(harmonics)
            .zip(&noise)
            .map(|((tone, harmonics), noise)| ((tone + harmonics + noise) / step).round() * step)
            .collect();
        let stated_hz = if true_hz < 500.0 { 250.0 } else { 1000.0 };
        let found = measured(rate_hz, stated_hz, signal);
        let at = format!("{rate_hz} Hz, {bits} bits, {true_hz} Hz: {found:?}");
        assert!(
            found.level_deviation.figure().unwrap().db().abs() < 0.01,
            "{at}"
        );
        assert!(
            (found.frequency.figure().unwrap().0 - true_hz).abs() < 0.05,
            "{at}"
        );
        // Harmonics of 2 % and noise of 1 %; above 22.4 kHz noise does not count.
        let heard = (22_400.0 / (f64::from(rate_hz) / 2.0)).min(1.0);
        let parts = f64::hypot(0.02, 0.01 * heard.sqrt());
        let expected = 100.0 * parts / f64::hypot(1.0, parts);
        assert!(
            (found.distortion.figure().unwrap().0 - expected).abs() < 0.05,
            "{at}"
        );
        assert!(found.fluctuation.figure().unwrap().db() < 0.01, "{at}");
    }
}

#[test]
fn half_a_decibel_is_seen() {
    let louder = tone(48_000, 1000.0, frames(48_000)).map(|x| x * 10f64.powf(0.5 / 20.0));
    let found = measured(48_000, 1000.0, louder.collect());
    let deviation = found.level_deviation.figure().unwrap().db();
    assert!((deviation - 0.5).abs() < 0.001, "{deviation}");
}
