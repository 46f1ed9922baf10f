//! A sweep with missing, repeated, too short or clipped steps gets a partial answer
//! that says what is missing.

use micronewton::measurement::Outcome;
use micronewton::measurement::output_force_level;
use micronewton::measurement::presented::Verdict;

use crate::{bench, measured, sweep};

fn outcome(text: &str) -> output_force_level::Outcome {
    let (record, _) = measured(text);
    let mut outcomes = record.entries.into_iter().map(|entry| entry.outcome);
    outcomes
        .find_map(|outcome| match outcome {
            Outcome::OutputForceLevel(outcome) => Some(outcome),
            _ => None,
        })
        .unwrap()
}

fn points(outcome: &output_force_level::Outcome) -> Vec<f64> {
    outcome.curve.iter().map(|p| p.nominal_hz).collect()
}

fn said(outcome: &output_force_level::Outcome, hz: &str, why: &str) {
    let mut sentences = outcome.missing.iter();
    assert!(
        sentences.any(|s| s.starts_with(&format!("{hz} Hz: ")) && s.contains(why)),
        "{hz} Hz, {why}: {:#?}",
        outcome.missing
    );
}

#[test]
fn a_missing_step_leaves_no_average_and_is_named() {
    let capture = sweep("s", "output_force_level", "1000, 2000, 2500", 0.5, 90.0);
    let found = outcome(&(bench(24_000, 24, 50.0) + &capture));
    assert_eq!(points(&found), [1000.0, 2000.0, 2500.0]);
    said(&found, "1600", "no step was found");
    assert!(found.summary.high_frequency_average.figure().is_none());
    assert!(found.summary.maximum.figure().is_some());
    // With the step, there is an average, and nothing is said of it.
    let capture = sweep("s", "output_force_level", "1000, 1600, 2500", 0.5, 90.0);
    let whole = outcome(&(bench(24_000, 24, 50.0) + &capture));
    assert!(whole.summary.high_frequency_average.figure().is_some());
    assert!(!whole.missing.iter().any(|s| s.starts_with("1600")));
}

#[test]
fn of_a_repeated_step_the_first_counts() {
    let capture = sweep("s", "output_force_level", "1000, 2000, 1000", 0.5, 90.0);
    let found = outcome(&(bench(24_000, 24, 50.0) + &capture));
    assert_eq!(points(&found), [1000.0, 2000.0]);
    let verdicts: Vec<bool> = found
        .steps
        .iter()
        .map(|s| matches!(s.verdict, Verdict::Repeated(_)))
        .collect();
    assert_eq!(verdicts, [false, false, true]);
}

#[test]
fn steps_too_short_to_settle_are_refused() {
    let capture = sweep("s", "output_force_level", "1000, 2000, 4000", 0.15, 90.0);
    let found = outcome(&(bench(24_000, 24, 50.0) + &capture));
    assert!(points(&found).is_empty(), "{found:?}");
    assert!(found.summary.maximum.figure().is_none());
    said(&found, "2000", "are needed to settle");
}

#[test]
fn a_step_presented_at_another_level_is_refused_with_its_level() {
    let capture = sweep("s", "output_force_level", "1000, 2000", 0.5, 85.0);
    let found = outcome(&(bench(24_000, 24, 50.0) + &capture));
    assert!(points(&found).is_empty());
    said(&found, "1000", "presented at 85.0 dB SPL");
}

#[test]
fn a_clipped_step_is_refused_and_the_others_stand() {
    // The resonance at 800 Hz lifts that tone alone over full scale: 30 dB of gain at
    // 90 dB SPL are 1 N rms, 0.19 V peak with 0.132 V/N; 6 dB more are 0.37 V.
    let bench = bench(24_000, 24, 50.0).replace("full_scale_v = 0.5", "full_scale_v = 0.3");
    let capture = sweep("s", "output_force_level", "2000, 800, 4000", 0.5, 90.0);
    let found = outcome(&(bench + &capture));
    assert_eq!(points(&found), [2000.0, 4000.0], "{found:?}");
    said(&found, "800", "clips");
}

#[test]
fn a_glide_has_no_steps() {
    let capture = "[[capture]]\nname = \"s\"\nrole = \"output_force_level\"\nduration_s = 6.0\n\
                   stimulus = { kind = \"sweep\", length_s = 6.0 }\nlevel_db_spl = 90.0\n";
    let found = outcome(&(bench(24_000, 24, 50.0) + capture));
    assert!(points(&found).is_empty(), "{found:?}");
    assert!(found.missing.len() > 10);
}
