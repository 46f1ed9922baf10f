//! Oscillations, margin and change on simulated true loops, whose margin the
//! scenario fixes. A short subset; `cargo bench --bench feedback` runs all and
//! prints the tables of docs/feedback.md.

mod cases;

use cases::{Case, Played, change, control, found, with_line};
use micronewton::Reading;
use micronewton::measurement::feedback::Conclusion;

#[test]
fn the_margin_of_a_linear_device_is_found_from_speech_and_noise() {
    let played = [Played::Pink, Played::Speech, Played::SpeechNoise];
    for (number, margin_db) in [1.0, 2.0, 3.0, 6.0, 12.0, 20.0].into_iter().enumerate() {
        let case = Case::new(number as u64, played[number % 3], Some(margin_db));
        let margin = case.found().margin;
        let tolerance_db = if margin_db > 12.0 { 1.5 } else { 0.3 };
        match &margin.gain_margin {
            Reading::Measured(found, uncertainty) => {
                let error_db = found.db() - margin_db;
                println!(
                    "{margin_db} dB: {error_db:+.2} ± {:?}",
                    uncertainty.expanded()
                );
                assert!(error_db.abs() < tolerance_db, "{case:?}: {error_db}");
            }
            other => assert!(margin_db > 12.0, "{case:?}: {other:?}"),
        }
    }
}

#[test]
fn a_device_that_compresses_speech_gets_a_bound() {
    let case = Case {
        compression: Some([2.0, 0.005, 0.1]),
        ..Case::new(11, Played::Speech, Some(4.0))
    };
    let margin = case.found().margin.gain_margin;
    assert!(!matches!(margin, Reading::Measured(..)), "{margin:?}");
}

#[test]
fn one_echo_in_the_fixture_is_no_loop() {
    let case = Case::new(21, Played::Pink, None);
    let mut frames = case.frames();
    let late = (0.009 * f64::from(cases::RATE_HZ)) as usize;
    for n in (late..frames.len()).rev() {
        let echo = 0.4 * frames[n - late][0];
        frames[n][0] += echo;
    }
    let margin = found(frames).margin.gain_margin;
    assert!(!matches!(margin, Reading::Measured(..)), "{margin:?}");
}

#[test]
fn without_a_loop_no_margin_is_measured() {
    let margin = Case::new(22, Played::Pink, None).found().margin.gain_margin;
    assert!(!matches!(margin, Reading::Measured(..)), "{margin:?}");
}

#[test]
fn a_howl_is_found_in_silence_noise_and_speech() {
    for (number, played) in [Played::Silence, Played::Pink, Played::Speech]
        .into_iter()
        .enumerate()
    {
        let case = Case {
            seconds: 5.0,
            closed_s: Some([1.5, 4.0]),
            ..Case::new(30 + number as u64, played, Some(-3.0))
        };
        let found = case.found();
        // More than one frequency may be unstable at once.
        assert!(!found.events.is_empty(), "{case:?}");
        let grown = found
            .events
            .iter()
            .any(|event| event.growth_db_per_s > 50.0);
        // 3 dB once a round of some 8 ms; sound that plays hides it.
        assert!(grown || played != Played::Silence, "{:?}", found.events);
        for event in &found.events {
            assert!(event.start_s > 1.4 && event.end_s < 4.2, "{event:?}");
        }
        assert!(matches!(found.margin.gain_margin, Reading::AtMost(..)));
    }
}

#[test]
fn a_line_that_nothing_explains_is_found_at_its_time_and_frequency() {
    let case = Case {
        seconds: 5.0,
        ..Case::new(40, Played::Pink, None)
    };
    let mut frames = case.frames();
    with_line(&mut frames, 2345.0, 14.0, 2.0, 3.5);
    let events = found(frames).events;
    assert_eq!(events.len(), 1, "{events:?}");
    assert!((events[0].frequency_hz - 2345.0).abs() < 2.0, "{events:?}");
    assert!((events[0].start_s - 2.0).abs() < 0.06, "{events:?}");
}

#[test]
fn tones_sirens_chirps_vibrato_and_notes_of_the_room_are_no_events() {
    for number in 0..6 {
        let events = found(control(number, 6.0)).events;
        assert!(events.is_empty(), "{number}: {events:?}");
    }
}

#[test]
fn a_changed_path_is_the_bench_and_an_unchanged_one_is_no_change() {
    let before = Case::new(50, Played::Pink, Some(4.0));
    let tighter = Case {
        noise: 51,
        margin_db: Some(10.0),
        ..before.clone()
    };
    let again = Case {
        noise: 52,
        ..before.clone()
    };
    let freed = change(&before, &tighter);
    assert_eq!(freed.conclusion, Conclusion::Bench, "{freed:?}");
    let Reading::Measured(db, _) = freed.margin_change else {
        panic!("{freed:?}")
    };
    assert!((db.db() - 6.0).abs() < 0.5, "{db:?}");
    let same = change(&before, &again);
    assert_eq!(same.conclusion, Conclusion::NoChange, "{same:?}");
}
