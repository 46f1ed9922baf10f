//! The data sheet against the worked examples of IEC TC 29 (IEC 60942:2017, Table E.1,
//! and IEC 61672-1:2013, Table C.1; fixtures/reference/tc29_conformance_examples.csv,
//! public transcription): each example is a line of a sheet, and a measured band whose
//! deviation and uncertainty are the example's.

use micronewton::Reading;
use micronewton::assessment::data_sheet::{DataSheet, Input, Options, Outcome, assess};
use micronewton::assessment::{Evidence, Measured, Verdict};
use micronewton::measurement::{self, directional};
use micronewton::quantity::{BandRange, LevelDifference, Origin, Uncertainty};

use crate::signals::rows;

#[derive(serde::Deserialize)]
struct Example {
    deviation_db: f64,
    limit_plus_db: f64,
    limit_minus_db: f64,
    #[serde(rename = "U_actual_db")]
    actual_db: f64,
    #[serde(rename = "U_max_db")]
    largest_db: f64,
    conforms: u8,
}

const NOMINAL_DB: f64 = 12.0;
const HEAD: &str =
    "quantity,frequency_hz,nominal,tolerance_minus,tolerance_plus,unit,largest_uncertainty";

/// A record with one band for each example.
fn measured(examples: &[Example]) -> measurement::Outcome {
    let bands = examples.iter().zip(BandRange::default().bands());
    let bands = bands.map(|(example, band)| directional::BandDifference {
        band,
        front_to_back: Reading::measured(
            LevelDifference::from_db(NOMINAL_DB + example.deviation_db),
            Uncertainty::of(Origin::Analysis, example.actual_db),
        ),
    });
    measurement::Outcome::Directional(directional::Outcome {
        bands: bands.collect(),
        broadband: Reading::not_measured("silence"),
        importance_weighted: micronewton::measurement::importance::Weighted::over([]),
    })
}

fn judged(sheet: &str, outcome: &measurement::Outcome) -> Outcome {
    let sheet = DataSheet::parse(sheet).unwrap();
    let evidence = Evidence {
        data_sheet: Some(&sheet),
        measured: vec![Measured {
            captures: vec!["a"],
            role: "front",
            level_db_spl: None,
            outcome,
        }],
        ..Evidence::default()
    };
    assess(&Input::bind(&evidence)[0], &Options::default()).unwrap()
}

#[test]
fn each_worked_example_keeps_to_its_sheet_or_not_as_printed() {
    let examples: Vec<Example> = rows("tc29_conformance_examples.csv");
    let mut sheet = format!("{HEAD}\n");
    for (example, band) in examples.iter().zip(BandRange::default().bands()) {
        sheet += &format!(
            "directional front_to_back,{},{NOMINAL_DB},{},{},dB,{}\n",
            band.nominal_hz(),
            -example.limit_minus_db,
            example.limit_plus_db,
            example.largest_db
        );
    }
    let found = judged(&sheet, &measured(&examples));
    assert_eq!(found.lines.len(), 18);
    for (line, example) in found.lines.iter().zip(&examples) {
        let conforms = line.verdict == Verdict::Within;
        assert_eq!(conforms, example.conforms == 1, "{line:?}");
    }
    // With a nominal figure 5 dB off, none does.
    let off = sheet.replace(",12,", ",17,");
    assert_ne!(off, sheet);
    let found = judged(&off, &measured(&examples));
    assert!(
        found
            .lines
            .iter()
            .all(|line| line.verdict != Verdict::Within)
    );
}

#[test]
fn what_a_line_does_not_find_is_not_measurable_and_says_why() {
    let examples: Vec<Example> = rows("tc29_conformance_examples.csv");
    let lines = [
        (
            "directional loudness,1000,12,3,3,dB,",
            "nothing of this name",
        ),
        (
            "directional front_to_back,1100,12,3,3,dB,",
            "at this frequency",
        ),
        ("directional front_to_back,,12,3,3,dB,", "must name one"),
        (
            "directional front_to_back,1000,12,3,3,s,",
            "the record in dB",
        ),
        ("directional broadband,,12,3,3,dB,", "silence"),
    ];
    for (line, why) in lines {
        let found = judged(&format!("{HEAD}\n{line}\n"), &measured(&examples));
        assert_eq!(found.lines[0].verdict, Verdict::NotMeasurable);
        let told = found.lines[0].measured.reason.clone().unwrap();
        assert!(told.contains(why), "{told}");
    }
}

#[test]
fn a_sheet_that_says_nothing_or_a_minus_twice_is_refused() {
    for line in [
        "directional broadband,,12,,,dB,",
        "directional broadband,,12,-3,3,dB,",
        "directional broadband,,twelve,3,3,dB,",
    ] {
        assert!(
            DataSheet::parse(&format!("{HEAD}\n{line}\n")).is_err(),
            "{line}"
        );
    }
}
