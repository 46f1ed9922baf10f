use super::super::hearing::DialZero;
use super::*;
use crate::measurement::speech_percentiles::Speech;
use crate::quantity::{Band, PressureLevel, Quantity, Uncertainty};

const TABLE: &str = "nominal_hz,speech_level_db_spl,age_group,target_db\n\
    1000,55,adult,80\n1000,65,adult,88\n1000,65,child,95\n";

fn person(text: &str) -> Person {
    toml::from_str(&format!("code = 'P-1'\n{text}")).unwrap()
}

fn hearing(text: &str) -> Hearing {
    let zero = DialZero::published("type_1").ok();
    Hearing::of(&person(text), zero).unwrap().unwrap()
}

fn levels<Q: Quantity>(leq: Reading<Q>, percentile_99: Reading<Q>) -> Speech<Q> {
    Speech {
        percentile_30: leq.clone(),
        percentile_65: leq.clone(),
        leq,
        percentile_99,
    }
}

/// Speech of 49 dB SPL in the band at `hz`, its peaks 10 dB higher.
fn speech(hz: f64) -> BandSpeech {
    let sound = |db| Reading::measured(PressureLevel::from_db(db), Uncertainty::EXACT);
    let none = || Reading::not_measured("not part of this check");
    BandSpeech {
        band: Band::named(hz).unwrap(),
        force: levels(none(), none()),
        sound: levels(sound(49.0), sound(59.0)),
        gain: levels(Reading::not_measured("none"), Reading::not_measured("none")),
    }
}

#[test]
fn a_table_answers_for_its_levels_and_age_group_only() {
    let adult = person("age_group = 'adult'\nbinaural_correction_db = 3");
    let table = Source::table(TABLE).unwrap();
    let prescription = Prescription::of(&adult, table).unwrap();
    let heard = hearing("[thresholds]\n1000 = 20");
    let target = |level| prescription.target(&speech(1000.0), Some(level), &heard);
    assert_eq!(target(65.0).figure().unwrap().db(), 85.0);
    assert!(matches!(target(75.0), Reading::NotMeasured(why) if why.contains("75 dB SPL")));
    assert!(
        prescription
            .assumptions
            .iter()
            .any(|a| a.contains("3 dB lower"))
    );

    let adults = TABLE.lines().take(3).collect::<Vec<_>>().join("\n");
    let child = person("age_group = 'child'");
    let refused = Prescription::of(&child, Source::table(&adults).unwrap());
    let refused = refused.unwrap_err().to_string();
    assert!(refused.contains("(child)"), "{refused}");
    let unsaid = Prescription::of(&person(""), Source::table(TABLE).unwrap());
    assert!(unsaid.unwrap_err().to_string().contains("person.age_group"));
}

#[test]
fn a_childs_targets_are_not_lowered() {
    let child = person("age_group = 'child'\nbinaural_correction_db = 3");
    let refused = Prescription::of(&child, Source::StartingPoint).unwrap_err();
    assert!(refused.to_string().contains("learn speech"), "{refused}");
}

#[test]
fn the_starting_point_follows_its_formula_up_to_the_uncomfortable_level() {
    let start = Prescription::of(&person(""), Source::StartingPoint).unwrap();
    let heard = hearing("[thresholds]\n500 = 40\n1000 = 40");
    let db = |hz, heard: &Hearing| {
        let target = start.target(&speech(hz), None, heard);
        target.figure().unwrap().db()
    };
    // 49 dB + 20 dB − 2.4 dB + 39.6 dB; 49 + 20 − 5 − 4.4 + 52.7 at 500 Hz.
    assert!((db(1000.0, &heard) - 106.2).abs() < 1e-9);
    assert!((db(500.0, &heard) - 112.3).abs() < 1e-9);
    // 70 dB on the dial are 109.6 dB, and the peaks take 10 dB of it.
    let bounded = hearing("[thresholds]\n500 = 40\n1000 = 40\n[uncomfortable]\n1000 = 70");
    assert!((db(1000.0, &bounded) - 99.6).abs() < 1e-9);
}
