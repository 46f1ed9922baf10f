//! Faults of graded strength: each is found from where its documentation says,
//! and half as strong it passes.

use State::{Doubtful, Failed, Passed};
use micronewton::measurement::directivity::FaultKind;
use micronewton::measurement::{Kind, Outcome};
use micronewton::pipeline::{Plan, run};
use micronewton::quantity::observations;
use micronewton::trust::{Check, State};

use super::Bench;

const HEAD: &str =
    "schema = 1\nrate_hz = 24000\n[session]\nbox = \"closed\"\ndate = \"2026-03-12\"\n";

/// Pink noise of 65 dB SPL for 6 s; `bench` and `capture` say what is amiss.
fn pink(bench: &str, capture: &str) -> String {
    format!(
        "{HEAD}{bench}\n[[capture]]\nname = \"c\"\nrole = \"sensitivity\"\nduration_s = 6.0\n\
         stimulus = {{ kind = \"pink\", lowest_hz = 200, highest_hz = 8000 }}\nlevel_db_spl = 65\n{capture}\n"
    )
}

/// Every strength against the state it must lead to.
fn graded<T: std::fmt::Debug>(
    check: Check,
    strengths: impl IntoIterator<Item = (T, State)>,
    bench: impl Fn(&T) -> Bench,
) {
    for (strength, expected) in strengths {
        let state = bench(&strength).state(check, "c");
        assert_eq!(state, expected, "{check:?} at {strength:?}");
    }
}

#[test]
fn exchanged_channels_are_seen_and_keep_everything_from_being_measured() {
    let right = Bench::new(&pink("", ""));
    assert_eq!(right.state(Check::ChannelOrder, "c"), Passed);
    let exchanged = right
        .with("calibration.toml", "channel = 1", "channel = 3")
        .with("calibration.toml", "channel = 2", "channel = 1")
        .with("calibration.toml", "channel = 3", "channel = 2");
    let plan = Plan::read(&exchanged.0.path().join("session.toml")).unwrap();
    let error = run(&plan, &mut |_| {}).unwrap_err();
    assert_eq!(error.problem().code(), "measurement.not_trusted");
    assert!(error.to_string().contains("exchanged"), "{error}");
}

#[test]
fn a_microphone_off_the_stated_level() {
    // 2 dB and the microphone's own 0.3 dB.
    let strengths = [
        (1.5, Passed),
        (2.7, Doubtful),
        (-2.7, Doubtful),
        (10.0, Doubtful),
    ];
    graded(Check::PresentedLevel, strengths, |error_db| {
        let microphone = format!("[microphone]\nstated_error_db = {error_db:?}\n");
        Bench::new(&pink(&microphone, ""))
    });
}

#[test]
fn a_microphone_away_from_the_opening() {
    let strengths = [
        (0.001, Passed),
        (0.003, Passed),
        (0.007, Doubtful),
        (0.02, Doubtful),
    ];
    graded(Check::MicrophonePosition, strengths, |distance_m| {
        let away = format!(
            "microphone_distance_m = {distance_m:?}\n[[capture]]\nname = \"then\"\nrole = \"earlier\"\n\
             duration_s = 6.0\nstimulus = {{ kind = \"pink\", lowest_hz = 200, highest_hz = 8000 }}\nlevel_db_spl = 65\n"
        );
        Bench::new(&pink("[microphone]\necho = 0.5\n", &away))
    });
}

#[test]
fn hum() {
    // The sound reads about -55 dB re full scale; hum is told 30 dB below it.
    let strengths = [
        (-98.0, Passed),
        (-74.0, Doubtful),
        (-66.0, Doubtful),
        (-50.0, Doubtful),
    ];
    for mains in [50.0, 60.0] {
        graded(Check::Hum, strengths, |db| {
            let recorder = format!("[recorder]\nhum_hz = {mains:?}\nhum_db_fs = {db:?}\n");
            Bench::new(&pink(&recorder, ""))
        });
    }
}

#[test]
fn a_noisy_room() {
    let strengths = [(60.0, Passed), (88.0, Doubtful), (95.0, Doubtful)];
    graded(Check::RoomNoise, strengths, |db| {
        let room = format!("[room]\nnoise_db_spl = {db:?}\n");
        let silence = "[[capture]]\nname = \"room\"\nrole = \"room_noise\"\nduration_s = 4.0\ndevice_on = false\n";
        Bench::new(&pink(&room, silence))
    });
}

#[test]
fn levels_close_to_the_noise_are_bounds() {
    let silence = "[[capture]]\nname = \"room\"\nrole = \"room_noise\"\nduration_s = 6.0\ndevice_on = false\n";
    let status = |room_db: f64| {
        let room = format!("[room]\nnoise_db_spl = {room_db}\n");
        let record = Bench::new(&pink(&room, silence)).record();
        let mut entries = record.entries.iter();
        let entry = entries.find(|e| e.captures.get("capture").is_some_and(|c| c == "c"));
        let outcome = serde_json::to_value(&entry.unwrap().outcome).unwrap();
        let microphone = observations(&outcome);
        let mut at_1_khz = microphone
            .into_iter()
            .filter(|o| o.quantity == "microphone.leq" && o.nominal_hz == Some(1000.0));
        at_1_khz.next().unwrap().status
    };
    assert_eq!(status(60.0), "measured");
    assert_eq!(status(95.0), "at_most");
}

#[test]
fn a_calibration_that_drifted_casts_doubt_on_what_came_between() {
    let tone = |name: &str, level: f64| {
        format!(
            "[[capture]]\nname = \"{name}\"\nrole = \"microphone_calibrator\"\nduration_s = 11.0\n\
             stimulus = {{ kind = \"microphone_tone\", frequency_hz = 1000.0, level_db_spl = {level:?} }}\n"
        )
    };
    graded(
        Check::Calibration,
        [(0.3, Passed), (0.7, Doubtful), (-2.0, Doubtful)],
        |drift_db| {
            let text = pink("", "");
            let (head, capture) = text.split_once("[[capture]]").unwrap();
            let dated = "date = 2026-01-01\ninterval_months = 12\n";
            let bench = Bench::new(&format!(
                "{head}{}[[capture]]{capture}{}",
                tone("first", 94.0),
                tone("last", 94.0 + drift_db)
            ));
            // The bench makes another tone; the calibrator is said to be the same.
            let stated = format!("level_db = {:?}", 94.0 + drift_db);
            let bench = bench
                .with(
                    "calibration.toml",
                    "[microphone]",
                    &format!("[microphone]\n{dated}"),
                )
                .with("calibration.toml", "[force]", &format!("[force]\n{dated}"));
            bench.with("session.toml", &stated, "level_db = 94.0")
        },
    );
}

#[test]
fn a_rattle() {
    // The force reads 95 dB re 1 µN.
    let strengths = [
        (105.0, Passed),
        (117.0, Doubtful),
        (125.0, Doubtful),
        (135.0, Doubtful),
    ];
    graded(Check::Impulses, strengths, |db| {
        let knocks = format!(
            "knocks = [{{ at_s = 1.2, force_db = {db:?}, level_db_spl = 0.0 }}, {{ at_s = 2.51, force_db = {db:?}, level_db_spl = 0.0 }}]"
        );
        Bench::new(&pink("", &knocks))
    });
}

#[test]
fn an_overdriven_recorder() {
    // The force peaks near 0.03 V.
    graded(
        Check::Clipping,
        [(0.1, Passed), (0.02, Doubtful), (0.005, Doubtful)],
        |full_scale_v| {
            Bench::new(&pink(
                &format!("[recorder]\nfull_scale_v = {full_scale_v:?}\n"),
                "",
            ))
        },
    );
}

#[test]
fn a_constant_offset() {
    graded(
        Check::Offset,
        [(0.005, Passed), (0.015, Doubtful), (-0.2, Doubtful)],
        |share| Bench::new(&pink(&format!("[recorder]\ndc_fs = {share:?}\n"), "")),
    );
}

#[test]
fn samples_that_were_lost() {
    graded(
        Check::Gaps,
        [(0.0, Passed), (0.002, Doubtful), (0.05, Doubtful)],
        |lost_s| {
            Bench::new(&pink(
                "",
                &format!("dropouts = [{{ at_s = 2.0, duration_s = {lost_s:?} }}]"),
            ))
        },
    );
}

/// Rewrites the samples of the capture, force and microphone in turn.
fn rewritten(bench: Bench, edit: impl Fn(&mut Vec<i32>)) -> Bench {
    let path = bench.0.path().join("c.wav");
    let mut reader = hound::WavReader::open(&path).unwrap();
    let spec = reader.spec();
    let mut samples: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    edit(&mut samples);
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    samples
        .iter()
        .for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
    bench
}

#[test]
fn blocks_delivered_twice() {
    let strengths = [(0, Passed), (128, Doubtful), (1024, Doubtful)];
    graded(Check::Gaps, strengths, |frames| {
        rewritten(Bench::new(&pink("", "")), |samples| {
            let from = 100_000;
            samples.copy_within(from..from + 2 * frames, from + 2 * frames);
        })
    });
}

#[test]
fn one_input_recorded_twice() {
    let bench = rewritten(Bench::new(&pink("", "")), |samples| {
        samples
            .chunks_exact_mut(2)
            .for_each(|frame| frame[1] = frame[0]);
    });
    assert_eq!(bench.state(Check::ChannelCopy, "c"), Doubtful);
}

#[test]
fn too_little_speech() {
    let speech = |seconds: &f64| {
        Bench::new(&format!(
            "{HEAD}[[capture]]\nname = \"c\"\nrole = \"speech\"\nduration_s = {seconds:?}\nlevel_db_spl = 65\n\
             stimulus = {{ kind = \"speech\", file = \"speech.wav\" }}\n"
        ))
    };
    graded(Check::Duration, [(10.0, Doubtful), (47.0, Passed)], speech);
}

#[test]
fn an_open_box_casts_doubt_on_directions_and_not_on_levels() {
    let front = pink("", "").replace("sensitivity", "front");
    let back = front.split("[[capture]]").nth(1).unwrap();
    let back = back.replace("\"c\"", "\"b\"").replace("front", "back");
    let both = format!("{front}[[capture]]{back}").replace("closed", "open");
    let record = Bench::new(&both).record();
    for entry in &record.entries {
        let doubted = entry
            .doubts
            .iter()
            .any(|doubt| doubt.check == Check::TestBox);
        assert_eq!(
            doubted,
            entry.outcome.kind() == Kind::Directional,
            "{entry:?}"
        );
    }
}

#[test]
fn an_open_box_casts_doubt_on_a_fault_of_the_microphones() {
    for test_box in ["closed", "open"] {
        let angle = |degrees: i32| {
            format!(
                "[[capture]]\nname = \"a{degrees}\"\nrole = \"angle\"\nduration_s = 2.0\n\
                 stimulus = {{ kind = \"pink\" }}\nlevel_db_spl = 65.0\n\
                 direction_deg = {degrees}\ndirectional = true\n"
            )
        };
        let angles: String = (0..=6).map(|i| angle(30 * i)).collect();
        let record = Bench::new(&format!(
            "schema = 1\nrate_hz = 24000\n[session]\ncode = \"t\"\nbox = \"{test_box}\"\n\
             [device.microphones]\nmismatch_db = 3.0\n{angles}"
        ))
        .record();
        let mut entries = record.entries.iter();
        let entry = entries.find(|e| e.outcome.kind() == Kind::Directivity);
        let entry = entry.unwrap();
        let Outcome::Directivity(found) = &entry.outcome else {
            unreachable!()
        };
        let faults: Vec<FaultKind> = found.microphones.faults.iter().map(|f| f.fault).collect();
        assert_eq!(faults, [FaultKind::SensitivityMismatch]);
        let mut doubts = entry.doubts.iter();
        let doubted = doubts.any(|doubt| doubt.check == Check::TestBox);
        assert_eq!(doubted, test_box == "open");
    }
}

#[test]
fn recorders_with_clocks_of_their_own() {
    // Over 6 s: 6 µs, 36 µs, 300 µs.
    let strengths = [(1.0, Passed), (6.0, Doubtful), (50.0, Failed)];
    graded(Check::Clocks, strengths, |ppm| {
        let bench = Bench::new(&pink("", ""));
        let other = Bench::new(&pink(&format!("[recorder]\nclock_ppm = {ppm:?}\n"), ""));
        std::fs::copy(
            other.0.path().join("c.wav"),
            bench.0.path().join("other.wav"),
        )
        .unwrap();
        let path = bench.0.path().join("session.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(
            path,
            format!("{text}\n[capture.microphone]\nfile = \"other.wav\"\n"),
        )
        .unwrap();
        bench
    });
}

#[test]
fn a_calibration_out_of_date() {
    let strengths = [
        ("2026-01-01", Passed),
        ("2024-01-01", Doubtful),
        ("2026-05-01", Doubtful),
    ];
    graded(Check::Calibration, strengths, |date| {
        let dated = format!("date = {date}\ninterval_months = 12\n[force]");
        Bench::new(&pink("", ""))
            .with(
                "calibration.toml",
                "[microphone]",
                &format!("[microphone]\n{}", dated.replace("[force]", "")),
            )
            .with(
                "calibration.toml",
                "[force]",
                &format!("[force]\n{}", dated.replace("[force]", "")),
            )
    });
}
