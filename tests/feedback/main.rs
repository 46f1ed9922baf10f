//! Oscillations, margin and change on simulated true loops, whose margin the
//! scenario fixes. A short subset; `cargo bench --bench feedback` runs all and
//! prints the tables of docs/feedback.md.

mod added;
mod cases;
mod loops;
mod sounds;

use added::{control, critical_band_power, with_line};
use cases::{Case, Played, change, found};
use loops::{Howl, Manner};
use micronewton::Reading;
use micronewton::measurement::feedback::{Conclusion, Explanation};

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
fn a_device_that_compresses_slowly_gets_a_bound_from_speech_and_a_margin_from_noise() {
    let case = |played| Case {
        compression: Some([2.0, 0.1, 1.0]),
        ..Case::new(109, played, Some(6.0))
    };
    let margin = case(Played::Speech).found().margin.gain_margin;
    assert!(matches!(margin, Reading::AtMost(..)), "{margin:?}");
    let steady = case(Played::Pink);
    let Reading::Measured(db, uncertainty) = steady.found().margin.gain_margin else {
        panic!("{steady:?}")
    };
    let error_db = (db.db() - steady.true_margin_db()).abs();
    assert!(error_db < uncertainty.expanded().unwrap(), "{error_db}");
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
    let noise = critical_band_power(&frames, 2345.0);
    with_line(&mut frames, 2345.0, 25.0 * noise, 2.0, 3.5);
    let events = found(frames).events;
    assert_eq!(events.len(), 1, "{events:?}");
    assert!((events[0].frequency_hz - 2345.0).abs() < 2.0, "{events:?}");
    assert!((events[0].start_s - 2.0).abs() < 0.06, "{events:?}");
}

#[test]
fn a_line_counts_from_6_db_above_the_noise_of_its_critical_band() {
    for number in 0..3u32 {
        let case = Case {
            seconds: 4.0,
            ..Case::new(310 + u64::from(number), Played::Pink, None)
        };
        let hz = 900.0 + 800.0 * f64::from(number);
        let noise = critical_band_power(&case.frames(), hz);
        for (ratio_db, counts) in [(7.0, true), (3.0, false)] {
            let mut frames = case.frames();
            let mean_square = noise * 10f64.powf(ratio_db / 10.0);
            with_line(&mut frames, hz, mean_square, 1.5, 3.0);
            let events = found(frames).events;
            assert_eq!(events.len(), usize::from(counts), "{ratio_db}: {events:?}");
        }
    }
}

/// A device in silence with a line of a force level from `from_s` on: events, and
/// the explanation of the line.
fn line_in_silence(hz: f64, level_db: f64, from_s: f64) -> (usize, Option<Explanation>) {
    let case = Case {
        seconds: 4.0,
        ..Case::new(60, Played::Silence, None)
    };
    let mut frames = case.frames();
    let mean_square = 1e-12 * 10f64.powf(level_db / 10.0);
    with_line(&mut frames, hz, mean_square, from_s, 4.0);
    let found = found(frames);
    let explained = found.explained.first().map(|line| line.explanation);
    (found.events.len(), explained)
}

#[test]
fn hum_and_idle_tones_are_named_as_such_and_what_begins_is_not() {
    assert_eq!(
        line_in_silence(350.0, 60.0, 0.0),
        (0, Some(Explanation::Mains))
    );
    assert_eq!(
        line_in_silence(1234.5, 60.0, 0.0),
        (0, Some(Explanation::IdleTone))
    );
    assert_eq!(line_in_silence(1234.5, 60.0, 1.5), (1, None));
    assert_eq!(line_in_silence(1234.5, 90.0, 0.0), (1, None));
}

#[test]
fn howls_are_found_however_they_come() {
    for number in 0..12 {
        let howl = Howl::new(number);
        let events = found(howl.frames()).events;
        let modes = howl.modes_above(0.89);
        for [from_s, to_s] in &howl.closed_s {
            let during = events
                .iter()
                .filter(|e| e.start_s < *to_s && e.end_s > *from_s);
            // A howl that the compression holds down may be weaker than 6 dB.
            let may_miss = howl.manner == Manner::Compressing;
            assert!(during.count() > 0 || may_miss, "{howl:?}: {events:?}");
        }
        for event in &events {
            let reach = event.lowest_hz - 15.0..event.highest_hz + 15.0;
            assert!(
                modes.iter().any(|hz| reach.contains(hz)),
                "{howl:?}: {event:?}"
            );
        }
    }
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
    // The path stays as it is when the device is turned down.
    let quieter = Case {
        louder_db: -4.0,
        margin_db: Some(8.0),
        ..again.clone()
    };
    let turned = change(&before, &quieter);
    assert_eq!(turned.conclusion, Conclusion::Device, "{turned:?}");
    let same = change(&before, &again);
    assert_eq!(same.conclusion, Conclusion::NoChange, "{same:?}");
}

/// 1/(1 − L) tells L by its magnitude alone: no phase of the recording enters.
#[test]
fn the_ripple_alone_tells_the_same_margin() {
    for (number, margin_db) in [2.0, 6.0, 12.0].into_iter().enumerate() {
        let case = Case::new(100 + number as u64, Played::Pink, Some(margin_db));
        let ripple = case.found().ripple.unwrap();
        let Reading::Measured(db, uncertainty) = &ripple.margin else {
            panic!("{:?}", ripple.margin)
        };
        assert!((db.db() - margin_db).abs() < 0.3, "{margin_db}: {db:?}");
        assert!(uncertainty.expanded().unwrap() < 0.5);
        // Crests stand above the smooth gain by −20 lg (1 − L).
        let crest = ripple.ripple_db.iter().copied().fold(0.0, f64::max);
        let least = -20.0 * (1.0 - 10f64.powf(-margin_db / 20.0)).log10();
        assert!((crest - least).abs() < 1.0, "{margin_db}: {crest} {least}");
    }
}

/// The microphones hear alike what comes back: the ratio of the channels hides it.
#[test]
fn a_reference_microphone_that_hears_the_device_overstates_and_a_substitution_tells() {
    for (number, heard_db) in [-6.0, -1.0].into_iter().enumerate() {
        let case = Case {
            to_reference_db: Some(heard_db),
            ..Case::new(200 + number as u64, Played::Pink, Some(4.0))
        };
        let Reading::Measured(alone, _) = case.found().margin.gain_margin else {
            panic!("{heard_db}")
        };
        assert!(alone.db() > 9.0, "{heard_db}: {alone:?}");
        let found = case.found_with_substitution();
        assert!(found.substitution.unwrap().hears());
        let Reading::Measured(db, uncertainty) = &found.margin.gain_margin else {
            panic!("{:?}", found.margin)
        };
        let expanded_db = uncertainty.expanded().unwrap();
        assert!((db.db() - 4.0).abs() < expanded_db, "{db:?}");
        assert!(expanded_db < 1.5, "{expanded_db}");
    }
    let deaf = Case::new(202, Played::Pink, Some(4.0)).found_with_substitution();
    assert!(!deaf.substitution.unwrap().hears());
    let Reading::Measured(db, uncertainty) = &deaf.margin.gain_margin else {
        panic!("{:?}", deaf.margin)
    };
    assert!((db.db() - 4.0).abs() < 0.2 && uncertainty.expanded().unwrap() < 0.3);
}

#[test]
fn a_stable_loop_near_the_edge_rings_and_does_not_oscillate() {
    for number in [4, 13, 16] {
        let found = Case::new(number, Played::Speech, Some(1.0)).found();
        assert!(found.events.is_empty(), "{number}: {:?}", found.events);
        let Reading::Measured(db, uncertainty) = &found.margin.gain_margin else {
            panic!("{number}")
        };
        // So near the edge the two estimates part: that is its uncertainty.
        let expanded_db = uncertainty.expanded().unwrap();
        assert!((db.db() - 1.0).abs() < expanded_db, "{db:?} {expanded_db}");
        assert!(expanded_db < 0.6, "{expanded_db}");
    }
}
