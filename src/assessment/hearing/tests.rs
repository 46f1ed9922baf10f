use super::*;

fn person(text: &str) -> Person {
    toml::from_str(&format!("code = 'P-1'\n{text}")).unwrap()
}

fn hearing(text: &str) -> Result<Option<Hearing>> {
    let zero = DialZero::published("type_1").unwrap();
    Hearing::of(&person(text), Some(zero))
}

fn at(hearing: &Hearing, hz: f64) -> Reading<ForceLevel> {
    hearing.threshold(Band::named(hz).unwrap())
}

#[test]
fn a_dial_level_becomes_a_force_level_also_between_frequencies() {
    let heard = hearing("[thresholds]\n250 = 20\n500 = 20\n1000 = 30\n");
    let heard = heard.unwrap().unwrap();
    let db = |hz| at(&heard, hz).figure().unwrap().db();
    assert!((db(250.0) - 77.7).abs() < 1e-9);
    // 57.7 − 5 lg(315 / 250) / lg 2 dB of zero.
    assert!((db(315.0) - 76.033).abs() < 1e-3);
    assert!((db(1000.0) - 69.6).abs() < 1e-9);
    // Held for two thirds of an octave, no farther.
    assert!((db(160.0) - 77.7).abs() < 1e-9);
    assert!(matches!(at(&heard, 125.0), Reading::NotMeasured(_)));
    let Reading::Measured(_, budget) = at(&heard, 500.0) else {
        panic!("no threshold")
    };
    // Ten decibels of the person and 3.3 dB of the zero.
    assert!((budget.expanded().unwrap() - 10f64.hypot(3.3)).abs() < 1e-9);
}

#[test]
fn missing_and_unreachable_thresholds_are_told_apart() {
    let text = "[thresholds]\n500 = 20\n2000 = 30\n3000 = 'no_response'\n6000 = { above = 60 }";
    let heard = hearing(text).unwrap().unwrap();
    let why = |hz| match at(&heard, hz) {
        Reading::NotMeasured(why) => why,
        other => panic!("{other:?}"),
    };
    assert!(why(1000.0).contains("near enough"), "{}", why(1000.0));
    assert_eq!(why(2500.0), "no response at 3000 Hz");
    assert!(heard.no_response(Band::named(2500.0).unwrap()));
    assert!(!heard.no_response(Band::named(1000.0).unwrap()));
    match at(&heard, 6300.0) {
        Reading::AtLeast(level, why) => {
            assert!((level.db() - 92.6).abs() < 1e-9);
            assert!(why.contains("beyond the device’s limit"), "{why}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn an_uncomfortable_level_below_the_threshold_is_refused() {
    let text = "[thresholds]\n500 = 60\n1000 = 60\n[uncomfortable]\n500 = 50\n";
    let refused = hearing(text).unwrap_err().to_string();
    assert!(
        refused.contains("person.uncomfortable.500") && refused.contains("10 dB at or below"),
        "{refused}"
    );
}

#[test]
fn what_is_given_must_be_enough() {
    let key = |text: &str, zero| {
        let found = Hearing::of(&person(text), zero).unwrap_err();
        found.to_string()
    };
    let dial = "[thresholds]\n500 = 20\n";
    assert!(key(dial, None).contains("person.dial_zero"));
    let lids = "[uncomfortable]\n500 = 80\n";
    assert!(key(lids, None).contains("person.thresholds"));
    assert!(
        key(
            "[thresholds]\n510 = 20\n",
            DialZero::published("type_1").ok()
        )
        .contains("510")
    );
    assert!(Hearing::of(&person(""), None).unwrap().is_none());
    // Force levels need no zero.
    let force = "hearing_in = 'force_level'\n[thresholds]\n500 = 70\n";
    let heard = Hearing::of(&person(force), None).unwrap().unwrap();
    assert_eq!(at(&heard, 500.0).figure().unwrap().db(), 70.0);
}

#[test]
fn an_average_uncomfortable_level_is_said_to_be_one() {
    let text = "uncomfortable = 'average'\n[thresholds]\n500 = 20\n1000 = 20\n";
    let heard = hearing(text).unwrap().unwrap();
    assert!(heard.average);
    let lid = heard.uncomfortable(Band::named(1000.0).unwrap());
    assert!((lid.figure().unwrap().db() - 139.6).abs() < 1e-9);
    assert!(
        heard
            .assumptions
            .iter()
            .any(|a| a.contains("not this person’s"))
    );
}
