//! Conformance after IEC TC 29: the worked examples of IEC 60942:2017, Table E.1,
//! and IEC 61672-1:2013, Table C.1 (fixtures/reference/tc29_conformance_examples.csv,
//! public transcription).

use micronewton::Reading;
use micronewton::assessment::{Limits, Verdict};
use micronewton::quantity::{LevelDifference, Origin, Uncertainty};

use crate::signals::rows;

#[derive(serde::Deserialize)]
struct Example {
    table: String,
    example: u32,
    deviation_db: f64,
    limit_plus_db: f64,
    limit_minus_db: f64,
    #[serde(rename = "U_actual_db")]
    actual_db: f64,
    #[serde(rename = "U_max_db")]
    largest_db: f64,
    conforms: u8,
    outcome: u8,
}

fn verdict(example: &Example, largest_db: Option<f64>) -> Verdict {
    let limits = Limits {
        lower: Some(LevelDifference::from_db(example.limit_minus_db)),
        upper: Some(LevelDifference::from_db(example.limit_plus_db)),
        largest_uncertainty: largest_db,
    };
    limits.verdict(&Reading::measured(
        LevelDifference::from_db(example.deviation_db),
        Uncertainty::of(Origin::Analysis, example.actual_db),
    ))
}

#[test]
fn the_worked_examples_conform_or_do_not_as_printed() {
    let examples: Vec<Example> = rows("tc29_conformance_examples.csv");
    assert_eq!(examples.len(), 18);
    for example in &examples {
        let verdict = verdict(example, Some(example.largest_db));
        let (table, number) = (&example.table, example.example);
        assert_eq!(
            verdict == Verdict::Within,
            example.conforms == 1,
            "{table} {number}"
        );
        // 2: only the uncertainty is too large; 3: only the deviation; 4: both.
        let expected = match example.outcome {
            1 => vec![Verdict::Within],
            2 => vec![Verdict::Doubtful],
            3 => vec![Verdict::Outside],
            _ => vec![Verdict::Doubtful, Verdict::Outside],
        };
        assert!(expected.contains(&verdict), "{table} {number}: {verdict:?}");
    }
}

#[test]
fn another_rule_would_not_pass_the_examples() {
    // Without the permitted uncertainty the whole interval must lie within, and
    // a deviation at the limit does not.
    let examples: Vec<Example> = rows("tc29_conformance_examples.csv");
    let differs = |e: &&Example| (verdict(e, None) == Verdict::Within) != (e.conforms == 1);
    assert!(examples.iter().filter(differs).count() > 3);
}
