//! Speech intelligibility index, one-third-octave procedure of ANSI S3.5-1997:
//! against the package speech-intelligibility-index
//! (fixtures/reference/speech_intelligibility.csv, made by
//! speech_intelligibility.py), figures that its program and a reference program
//! in C print, and the same figures through forces at an abutment.

use std::collections::BTreeMap;

use micronewton::assessment::audibility;
use micronewton::assessment::hearing::{DialZero, Hearing};
use micronewton::assessment::prescription::{Prescription, Source};
use micronewton::assessment::speech_intelligibility::{QUIET_DB, Spectrum, index, normal_speech};
use micronewton::assessment::{Evidence, Measured, Person, Subject};
use micronewton::measurement::Outcome;
use micronewton::measurement::speech_percentiles::{self, BandSpeech, Speech};
use micronewton::quantity::{Band, Level, Quantity, Uncertainty};
use micronewton::{ForceLevel, Reading};

use crate::signals::rows;

/// Agreement asked for. The package writes 3159 Hz where the table of the
/// standard has 3150 Hz; that moves the index by less than 0.0001.
const TOLERANCE: f64 = 0.001;

#[derive(serde::Deserialize)]
struct Row {
    case: String,
    speech_db: f64,
    noise_db: f64,
    threshold_db_hl: f64,
    index: f64,
}

#[derive(Default)]
struct Case {
    spectra: [Vec<f64>; 3],
    index: f64,
}

fn cases() -> BTreeMap<String, Case> {
    let mut cases = BTreeMap::<String, Case>::new();
    for row in rows::<Row>("speech_intelligibility.csv") {
        let case = cases.entry(row.case).or_default();
        let values = [row.speech_db, row.noise_db, row.threshold_db_hl];
        for (spectrum, value) in case.spectra.iter_mut().zip(values) {
            spectrum.push(value);
        }
        case.index = row.index;
    }
    cases
}

fn ours(case: &Case, off_db: f64) -> f64 {
    let [speech, noise, threshold]: [Spectrum; 3] = std::array::from_fn(|which| {
        let spectrum = &case.spectra[which];
        std::array::from_fn(|band| spectrum[band] + if which == 0 { off_db } else { 0.0 })
    });
    index(&speech, &noise, &threshold)
}

#[test]
fn the_index_is_that_of_an_independent_program() {
    let cases = cases();
    assert!(cases.len() >= 13, "{}", cases.len());
    let mut moved = 0;
    for (name, case) in &cases {
        let found = ours(case, 0.0);
        assert!(
            (found - case.index).abs() < TOLERANCE,
            "{name}: {found} for {}",
            case.index
        );
        moved += usize::from((ours(case, 1.0) - case.index).abs() >= TOLERANCE);
    }
    // Speech that is 1 dB off is another case in nearly all of them.
    assert!(moved > cases.len() / 2, "{moved} of {}", cases.len());
}

#[test]
fn published_figures_are_met() {
    // Test list of the program that the package was translated from: two ears,
    // thresholds 1.7 dB lower.
    let two_ears = index(&normal_speech(), &[QUIET_DB; 18], &[-1.7; 18]);
    assert!((two_ears - 0.9969).abs() < 5e-5, "{two_ears}");
    // Reference program in C: 0.445.
    let published = &cases()["published 0.445"];
    assert!((ours(published, 0.0) - 0.445).abs() < 5e-4);
}

fn speech<Q: Quantity>(leq: Option<Q>) -> Speech<Q> {
    let reading = || match leq {
        Some(level) => Reading::measured(level, Uncertainty::EXACT),
        None => Reading::not_measured("not part of this check"),
    };
    Speech {
        leq: reading(),
        percentile_30: reading(),
        percentile_65: reading(),
        percentile_99: reading(),
    }
}

/// Normal speech as the force of equal hearing level: band level + zero of the
/// dial − threshold of the free field (ISO 226:2003).
fn normal_speech_as_force() -> Outcome {
    const BANDWIDTH_DB: [f64; 18] = [
        15.65, 16.65, 17.65, 18.65, 19.65, 20.65, 21.65, 22.65, 23.65, 24.65, 25.65, 26.65, 27.65,
        28.65, 29.65, 30.65, 31.65, 32.65,
    ];
    const FREE_FIELD_DB: [f64; 18] = [
        17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0, 2.2, 2.4, 3.5, 1.7, -1.3, -4.2, -6.0, -5.4, -1.5,
        6.0, 12.6,
    ];
    // The zero of type 1, interpolated by hand on the logarithm of frequency.
    const ZERO_DB: [f64; 18] = [
        57.7, 57.7, 57.7, 56.033, 54.310, 52.7, 48.311, 43.789, 39.6, 38.169, 35.183, 28.9, 30.386,
        31.685, 32.1, 32.375, 32.6, 32.6,
    ];
    const NOMINAL_HZ: [f64; 18] = [
        160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0,
        2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0,
    ];
    let bands = (0..18).map(|i| {
        let db = normal_speech()[i] + BANDWIDTH_DB[i] - FREE_FIELD_DB[i] + ZERO_DB[i];
        BandSpeech {
            band: Band::named(NOMINAL_HZ[i]).unwrap(),
            force: speech(Some(ForceLevel::from_db(db))),
            sound: speech(None::<Level<_>>),
            gain: speech(None),
        }
    });
    Outcome::SpeechPercentiles(speech_percentiles::Outcome {
        from_s: 0.0,
        to_s: 45.0,
        section_s: 0.125,
        delay: Reading::not_measured("not part of this check"),
        presented: Reading::not_measured("not part of this check"),
        bands: bands.collect(),
    })
}

#[test]
fn the_same_speech_as_force_has_the_same_index() {
    // Figures of the package for normal speech and flat losses.
    for (dial, expected) in [
        (0, 0.9958),
        (10, 0.9816),
        (20, 0.9500),
        (30, 0.7015),
        (40, 0.3823),
    ] {
        let answers: Vec<String> = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000]
            .map(|hz| format!("{hz} = {dial}"))
            .to_vec();
        let person: Person = toml::from_str(&format!(
            "code = 'P-1'\n[thresholds]\n{}",
            answers.join("\n")
        ))
        .unwrap();
        let zero = DialZero::published("type_1").unwrap();
        let subject = Subject {
            age_group: None,
            hearing: Hearing::of(&person, Some(zero)).unwrap().unwrap(),
            prescription: Prescription::of(&person, Source::None).unwrap(),
        };
        let outcome = normal_speech_as_force();
        let evidence = Evidence {
            subject: Some(&subject),
            measured: vec![Measured {
                captures: vec!["speech"],
                role: "speech",
                level_db_spl: Some(62.0),
                outcome: &outcome,
            }],
            ..Evidence::default()
        };
        let inputs = audibility::Input::bind(&evidence);
        let found = audibility::assess(&inputs[0], &audibility::Options::default()).unwrap();
        let index = found.audibility_index.figure().unwrap().0;
        assert!((index - expected).abs() < 2e-4, "dial {dial} dB: {index}");
    }
}
