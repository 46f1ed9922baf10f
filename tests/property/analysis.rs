//! The stated part for the filters holds what they do to spectra whose true band
//! levels are known: sums of tones.

use std::f64::consts::TAU;

use micronewton::levels::Scope;
use micronewton::measurement::Kind;
use micronewton::quantity::{Band, BandRange};
use serde_json::Value;

use super::measure;

const RATE_HZ: u32 = 16_000;
const SECONDS: u32 = 4;

/// Bands 250 Hz to 2 kHz of a sum of `(frequency in Hz, mean square in N²)`.
fn bands(tones: &[(f64, f64)]) -> Vec<Value> {
    let frame = |n: u32| {
        let phase = |(k, (hz, power)): (usize, &(f64, f64))| {
            // Phases of a sweep, so that the tones do not peak together.
            let turn = hz * f64::from(n) / f64::from(RATE_HZ) + 0.31 * (k * k) as f64;
            (2.0 * power).sqrt() * (TAU * turn).sin()
        };
        [tones.iter().enumerate().map(phase).sum(), 0.0]
    };
    let frames = (0..SECONDS * RATE_HZ).map(frame).collect();
    let range = BandRange::new(Band::named(250.0).unwrap(), Band::named(2000.0).unwrap()).unwrap();
    let signal = micronewton::Calibrated::from_signal(RATE_HZ, frames);
    let scope = Scope {
        range,
        ..Scope::default()
    };
    let levels =
        micronewton::levels::reduce(signal, Kind::Levels.needs(), scope, &mut |_| {}).unwrap();
    let outcome = measure(Kind::Levels, &[("capture", &levels)]);
    outcome["channels"][0]["bands"].as_array().unwrap().clone()
}

fn at(bands: &[Value], nominal_hz: f64) -> &Value {
    let band = bands.iter().find(|band| band["nominal_hz"] == nominal_hz);
    &band.unwrap()["leq"]
}

fn analysis_db(leq: &Value) -> f64 {
    leq["uncertainty_parts"]["analysis"].as_f64().unwrap()
}

/// Twelve tones in every band from 160 Hz to 3150 Hz; each band `slope_db`
/// stronger than the one below, without a step between bands. With it the true
/// level of each band, dB re 1 µN.
fn slope(slope_db: f64) -> (Vec<(f64, f64)>, impl Fn(&Value) -> f64) {
    let tone = move |k: i32| {
        let bands = (f64::from(k) + 0.5) / 12.0;
        (
            1000.0 * 10f64.powf(bands / 10.0),
            1e-9 * 10f64.powf(slope_db * bands / 10.0),
        )
    };
    let tones: Vec<(f64, f64)> = (-102..66).map(tone).collect();
    let kept = tones.clone();
    let truth = move |band: &Value| {
        let middle = band["exact_hz"].as_f64().unwrap();
        let inside = kept
            .iter()
            .filter(|(hz, _)| (10.0 * (hz / middle).log10()).abs() < 0.5);
        10.0 * (inside.map(|(_, power)| power).sum::<f64>() * 1e12).log10()
    };
    (tones, truth)
}

#[test]
fn smooth_spectra_have_a_small_part_and_it_holds() {
    // 0 dB: pink. 1 dB: white.
    for slope_db in [0.0, 1.0] {
        let (tones, truth) = slope(slope_db);
        for band in &bands(&tones) {
            let stated = analysis_db(&band["leq"]);
            let error = band["leq"]["value"].as_f64().unwrap() - truth(band);
            assert!(stated < 0.1, "{slope_db} dB: {stated} dB");
            assert!(
                error.abs() <= stated,
                "{slope_db} dB: {error} dB, stated {stated} dB"
            );
        }
    }
}

#[test]
fn steep_spectra_have_a_larger_part_and_it_holds() {
    for slope_db in [-12.0, 4.0, 8.0] {
        let (tones, truth) = slope(slope_db);
        let bands = bands(&tones);
        // The ends know one neighbour only.
        for band in &bands[1..bands.len() - 1] {
            let leq = &band["leq"];
            let error = leq["value"].as_f64().unwrap() - truth(band);
            match leq["status"].as_str().unwrap() {
                "measured" => {
                    let stated = analysis_db(leq);
                    assert!(
                        error.abs() <= stated,
                        "{slope_db} dB: {error} dB, stated {stated} dB"
                    );
                }
                status => assert!(
                    status == "at_most" && error > 0.0,
                    "{slope_db} dB: {status}"
                ),
            }
        }
    }
}

#[test]
fn beside_a_tone_a_band_is_bounded_or_says_how_little_it_knows() {
    // A tone in the band of 1 kHz and sound 50 dB below it in every band.
    for bands_off in [-0.3, -0.2, 0.0, 0.2, 0.3] {
        let (mut tones, _) = slope(0.0);
        let floor: f64 = 12.0 * tones[0].1;
        tones.push((1000.0 * 10f64.powf(bands_off / 10.0), 1e5 * floor));
        let bands = bands(&tones);
        for beside in [800.0, 1250.0] {
            assert_eq!(
                at(&bands, beside)["status"],
                "at_most",
                "{beside} Hz, {bands_off}"
            );
        }
        let own = at(&bands, 1000.0);
        let error = own["value"].as_f64().unwrap() - 10.0 * (1e5 * floor * 1e12).log10();
        assert!(error.abs() <= analysis_db(own), "{bands_off}: {error} dB");
        // Two bands away a class 1 skirt is deep enough.
        assert_eq!(at(&bands, 400.0)["status"], "measured");
        assert!(analysis_db(at(&bands, 400.0)) < 0.1);
    }
}
