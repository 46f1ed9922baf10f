//! Making, refreshing and checking a calibration file.

use std::process::Output;

use crate::bench_files::{Folder, noise, sine, stderr, wav};

/// A microphone of 12.5 mV/Pa under a calibrator of 94 dB, 1.0024 Pa, on channel 2
/// of a recorder of 1 V full scale, `gain_db` above that.
fn tone(folder: &Folder, name: &str, gain_db: f64) {
    let pascal = 20e-6 * 10f64.powf((94.0 + gain_db) / 20.0);
    let tone = sine(48_000, 1000.0, 2f64.sqrt() * 0.0125 * pascal, 11.0);
    let hiss = noise(3, tone.len(), 1e-4);
    let heard: Vec<f64> = tone
        .iter()
        .zip(&hiss)
        .map(|(tone, hiss)| tone + hiss)
        .collect();
    wav(&folder.path(name), 48_000, 24, &[&hiss, &heard]);
}

fn calibrate(folder: &Folder, channel: &str, more: &[&str]) -> Output {
    let start = ["calibrate", channel, "--calibration", "cal.toml"];
    folder.run(&[&start[..], more].concat())
}

const TONE: [&str; 8] = [
    "--tone",
    "tone.wav",
    "--level",
    "94",
    "--frequency",
    "1000",
    "--date",
    "2026-03-12",
];

fn file(folder: &Folder) -> String {
    std::fs::read_to_string(folder.path("cal.toml")).unwrap()
}

fn done(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", stderr(output));
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// The sensitivity that stands in the file.
fn sensitivity(folder: &Folder, key: &str) -> f64 {
    let text = file(folder);
    let line = text.lines().find(|line| line.starts_with(key)).unwrap();
    let figure = line.split('=').nth(1).unwrap().split('#').next().unwrap();
    figure.trim().parse().unwrap()
}

#[test]
fn a_tone_and_a_certificate_make_a_file_that_measures_right() {
    let folder = Folder::new();
    std::fs::remove_file(folder.path("cal.toml")).unwrap();
    tone(&folder, "tone.wav", 0.0);
    let more = [
        "--channel",
        "2",
        "--full-scale",
        "1.0",
        "--uncertainty",
        "0.2",
    ];
    let told = done(&calibrate(
        &folder,
        "microphone",
        &[&TONE[..], &more].concat(),
    ));
    assert!(
        told.contains("microphone.sensitivity_v_per_pa: 0.0125"),
        "{told}"
    );
    let found = sensitivity(&folder, "sensitivity_v_per_pa");
    assert!((20.0 * (found / 0.0125).log10()).abs() < 0.01, "{found}");
    done(&calibrate(
        &folder,
        "force",
        &[
            "--sensitivity",
            "0.132",
            "--channel",
            "1",
            "--date",
            "2026-01-31",
            "--certificate",
            "K-17",
            "--interval-months",
            "12",
            "--uncertainty",
            "0.5",
            "--temperature",
            "23",
        ],
    ));
    // The calibrator, read back by the file that it made, is 94 dB.
    let record = folder.json(&[
        "levels",
        "tone.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ]);
    let level = crate::bench_files::leq(&record, "microphone", 1000.0);
    assert!((level - 94.0).abs() < 0.06, "{level}");
    assert_eq!(record["calibration"]["force"]["date"], "2026-01-31");
    assert_eq!(record["calibration"]["force"]["temperature_c"], 23.0);
}

#[test]
fn a_refresh_keeps_comments_and_the_other_channel_and_tells_old_and_new() {
    let folder = Folder::new();
    folder.text(
        "cal.toml",
        "# Bench 2\nschema = 1\n[recorder]\nfull_scale_v = 1.0 # at mark 5\n\
         [microphone]\nchannel = 2\nsensitivity_v_per_pa = 0.0125 # capsule B\n\
         certificate = \"M-1\"\ninterval_months = 6\n\
         [force] # the old one\nchannel = 1\nsensitivity_v_per_n = 0.132\n",
    );
    tone(&folder, "tone.wav", 0.3);
    let output = calibrate(&folder, "microphone", &TONE);
    let told = done(&output);
    assert!(
        told.contains("0.0125 before, 0.012939") && told.contains("+0.30 dB"),
        "{told}"
    );
    assert!(
        told.contains("taken out with the old sensitivity: certificate"),
        "{told}"
    );
    let text = file(&folder);
    for kept in [
        "# Bench 2\n",
        "full_scale_v = 1.0 # at mark 5\n",
        "# capsule B\n",
        "interval_months = 6\n",
        "[force] # the old one\nchannel = 1\nsensitivity_v_per_n = 0.132\n",
        "date = 2026-03-12\n",
    ] {
        assert!(text.contains(kept), "{kept}: {text}");
    }
    assert!(!text.contains("M-1"), "{text}");
    assert!(stderr(&output).contains("written: cal.toml"));
}

#[test]
fn a_tone_of_another_frequency_is_refused_and_the_file_stays() {
    let folder = Folder::new();
    let before = file(&folder);
    let off = sine(48_000, 1012.0, 0.02, 11.0);
    wav(&folder.path("tone.wav"), 48_000, 24, &[&off, &off]);
    let output = calibrate(&folder, "microphone", &TONE);
    assert_eq!(output.status.code(), Some(2));
    let message = stderr(&output);
    for word in [
        "calibration.not_the_tone",
        "tone.wav",
        "1012.0 Hz",
        "+1.20 %",
        "label",
    ] {
        assert!(message.contains(word), "{word}: {message}");
    }
    assert_eq!(file(&folder), before);
}

#[test]
fn an_unsteady_noisy_tone_is_refused_for_both_with_what_to_do() {
    let folder = Folder::new();
    let mut unsteady = sine(48_000, 1000.0, 0.02, 11.0);
    let hiss = noise(5, unsteady.len(), 0.002);
    for (n, sample) in unsteady.iter_mut().enumerate() {
        *sample = *sample * if n < 48_000 { 0.8 } else { 1.0 } + hiss[n];
    }
    wav(&folder.path("tone.wav"), 48_000, 24, &[&hiss, &unsteady]);
    let message = stderr(&calibrate(&folder, "microphone", &TONE));
    for word in [
        "fluctuates by 1.",
        "distortion and noise are",
        "seat the microphone",
        "close the door",
    ] {
        assert!(message.contains(word), "{word}: {message}");
    }
    // Without the first second only the noise is left.
    let message = stderr(&calibrate(
        &folder,
        "microphone",
        &[&TONE[..], &["--from", "1"]].concat(),
    ));
    assert!(
        !message.contains("fluctuates") && message.contains("distortion"),
        "{message}"
    );
}

#[test]
fn ninety_four_stated_and_114_made_is_noticed() {
    let folder = Folder::new();
    tone(&folder, "tone.wav", 20.0);
    let output = calibrate(&folder, "microphone", &TONE);
    done(&output);
    let message = stderr(&output);
    assert!(
        message.contains("warning[calibration.sensitivity_moved]"),
        "{message}"
    );
    assert!(
        message.contains("+20.00 dB") && message.contains("stood at 114 dB"),
        "{message}"
    );
    // Against the data sheet, where there is no old file.
    std::fs::remove_file(folder.path("cal.toml")).unwrap();
    tone(&folder, "tone.wav", 0.0);
    let more = ["--channel", "2", "--full-scale", "1", "--nominal", "0.125"];
    let message = stderr(&calibrate(
        &folder,
        "microphone",
        &[&TONE[..], &more].concat(),
    ));
    assert!(message.contains("stood at 74 dB"), "{message}");
}

#[test]
fn nothing_is_guessed() {
    let folder = Folder::new();
    std::fs::remove_file(folder.path("cal.toml")).unwrap();
    tone(&folder, "tone.wav", 0.0);
    let refused = |more: &[&str], word: &str| {
        let output = calibrate(&folder, "microphone", more);
        assert_eq!(output.status.code(), Some(2));
        assert!(
            stderr(&output).contains(word),
            "{word}: {}",
            stderr(&output)
        );
        assert!(!folder.path("cal.toml").exists());
    };
    refused(
        &[&TONE[..], &["--channel", "2"]].concat(),
        "recorder.full_scale_v",
    );
    refused(
        &[&TONE[..], &["--full-scale", "1"]].concat(),
        "microphone.channel",
    );
    refused(&TONE[..6], "--date");
    refused(
        &[
            "--tone",
            "tone.wav",
            "--level",
            "94",
            "--date",
            "2026-03-12",
        ],
        "--frequency",
    );
    refused(
        &["--sensitivity", "0.01", "--date", "12.3.2026"],
        "is no day",
    );
}

#[test]
fn a_dry_run_writes_nothing() {
    let folder = Folder::new();
    let before = file(&folder);
    tone(&folder, "tone.wav", 0.1);
    let told = done(&calibrate(
        &folder,
        "microphone",
        &[&TONE[..], &["--dry-run"]].concat(),
    ));
    assert!(
        told.contains("nothing written") && told.contains("date = 2026-03-12"),
        "{told}"
    );
    assert_eq!(file(&folder), before);
}

#[test]
fn an_unknown_full_scale_takes_tones_and_no_certificate() {
    let folder = Folder::new();
    std::fs::remove_file(folder.path("cal.toml")).unwrap();
    tone(&folder, "tone.wav", 0.0);
    let more = ["--channel", "2", "--full-scale", "unknown"];
    done(&calibrate(
        &folder,
        "microphone",
        &[&TONE[..], &more].concat(),
    ));
    assert!(file(&folder).contains("full_scale_assumed = true"));
    let certificate = [
        "--sensitivity",
        "0.132",
        "--channel",
        "1",
        "--date",
        "2026-01-31",
    ];
    let output = calibrate(&folder, "force", &certificate);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("full_scale_assumed"),
        "{}",
        stderr(&output)
    );
    // Another full scale would move the channel that is there.
    let output = calibrate(
        &folder,
        "force",
        &[&certificate[..], &["--full-scale", "1.0"]].concat(),
    );
    assert!(
        stderr(&output).contains("other channel"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn the_starter_file_of_new_is_filled_in_channel_by_channel() {
    let folder = Folder::new();
    std::fs::remove_file(folder.path("cal.toml")).unwrap();
    tone(&folder, "tone.wav", 0.0);
    done(&folder.run(&["new", "."]));
    std::fs::rename(folder.path("calibration.toml"), folder.path("cal.toml")).unwrap();
    let more = ["--channel", "2", "--full-scale", "1.0"];
    let output = calibrate(&folder, "microphone", &[&TONE[..], &more].concat());
    done(&output);
    assert!(
        stderr(&output).contains("`force.sensitivity_v_per_n` is 0"),
        "{}",
        stderr(&output)
    );
    done(&calibrate(
        &folder,
        "force",
        &[
            "--sensitivity",
            "0.132",
            "--channel",
            "1",
            "--date",
            "2026-01-31",
        ],
    ));
    assert!(file(&folder).contains("# Volts at digital full scale"));
    done(&folder.run(&["levels", "tone.wav", "--calibration", "cal.toml"]));
}

#[test]
fn a_check_tells_the_drift_and_strict_refuses_it() {
    let folder = Folder::new();
    tone(&folder, "before.wav", 0.1);
    tone(&folder, "after.wav", 0.75);
    let check = [
        "--check",
        "before.wav",
        "after.wav",
        "--level",
        "94",
        "--frequency",
        "1000",
    ];
    let output = calibrate(
        &folder,
        "microphone",
        &[&check[..], &["--format", "json"]].concat(),
    );
    let record: serde_json::Value = serde_json::from_str(&done(&output)).unwrap();
    let [first, last] = [0, 1].map(|entry| &record["entries"][entry]);
    let value = |reading: &serde_json::Value| reading["value"].as_f64().unwrap();
    assert!((value(&first["level_deviation"]) - 0.1).abs() < 0.01);
    assert!((value(&last["drift"]) - 0.65).abs() < 0.01);
    assert!(last["drift"]["expanded_uncertainty"].as_f64().unwrap() < 0.05);
    assert!(first["drift"].is_null());
    let strict = |more: &[&str]| {
        let arguments = [&check[..], &["--strict"], more].concat();
        calibrate(&folder, "microphone", &arguments).status.code()
    };
    assert_eq!(strict(&[]), Some(1));
    assert_eq!(strict(&["--largest-drift", "1"]), Some(0));
}

#[test]
fn a_session_with_calibrator_captures_holds_the_file_against_them() {
    let folder = Folder::new();
    tone(&folder, "before.wav", 0.1);
    tone(&folder, "after.wav", -0.1);
    let speech = noise(9, 3 * 48_000, 0.1);
    wav(
        &folder.path("speech.wav"),
        48_000,
        16,
        &[&speech, &noise(8, speech.len(), 0.1)],
    );
    let capture = |name: &str, rest: &str| {
        format!("[[capture]]\nname = \"{name}\"\nfile = \"{name}.wav\"\n{rest}\n")
    };
    let calibrator = "role = \"microphone_calibrator\"\nlevel_db = 94\nfrequency_hz = 1000";
    let session = |calibrator: &str| {
        folder.text(
            "session.toml",
            &[
                "schema = 1\n[session]\ncode = \"S-1\"\ndate = 2026-03-12\ncalibration = \"cal.toml\"\n",
                &capture("before", calibrator),
                &capture("speech", "role = \"speech\""),
                &capture("after", calibrator),
            ]
            .concat(),
        );
        folder.run(&["analyse", "session.toml", "--out", "record.json"])
    };
    done(&session(calibrator));
    let text = std::fs::read_to_string(folder.path("record.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let entries = record["entries"].as_array().unwrap();
    let of = |kind: &str| {
        entries
            .iter()
            .filter(|e| e["entry"] == kind)
            .collect::<Vec<_>>()
    };
    let tones = of("calibrator_tone");
    assert_eq!(tones.len(), 2);
    assert_eq!(
        (&tones[1]["capture"], &tones[1]["earlier"]),
        (&"after".into(), &"before".into())
    );
    assert!((tones[1]["drift"]["value"].as_f64().unwrap() + 0.2).abs() < 0.01);
    // A calibrator is no device: neither levels nor feedback of it.
    assert!(
        of("levels")
            .iter()
            .all(|entry| entry["capture"] == "speech")
    );
    assert!(
        of("feedback")
            .iter()
            .all(|entry| entry["capture"] == "speech")
    );

    let message = stderr(&session("role = \"microphone_calibrator\"\nlevel_db = 94"));
    assert!(message.contains("`frequency_hz` is missing"), "{message}");
    let message = stderr(&session("role = \"speech\"\nlevel_db = 94"));
    assert!(message.contains("level_db_spl"), "{message}");
}

#[test]
fn an_old_certificate_is_a_warning_of_the_session() {
    let folder = Folder::new();
    let speech = noise(9, 3 * 48_000, 0.1);
    wav(
        &folder.path("x.wav"),
        48_000,
        16,
        &[&speech, &noise(8, 3 * 48_000, 0.1)],
    );
    let dated = "interval_months = 12\n[microphone]";
    let dated = format!("date = 2024-03-11\n{dated}");
    folder.text(
        "cal.toml",
        &crate::bench_files::CALIBRATION.replace("[microphone]", &dated),
    );
    let findings = |date: &str| {
        folder.text(
            "session.toml",
            &format!(
                "schema = 1\n[session]\ncode = \"S-1\"\n{date}calibration = \"cal.toml\"\n\
                 [[capture]]\nname = \"x\"\nfile = \"x.wav\"\nrole = \"general\"\n"
            ),
        );
        done(&folder.run(&["analyse", "session.toml", "--quiet", "--out", "r.json"]));
        let text = std::fs::read_to_string(folder.path("r.json")).unwrap();
        let record: serde_json::Value = serde_json::from_str(&text).unwrap();
        let mut checks = record["checks"].as_array().unwrap().iter();
        let check = checks
            .find(|check| check["check"] == "calibration")
            .unwrap();
        let text = |key: &str| check[key].as_str().unwrap().to_owned();
        (text("state"), text("finding"))
    };
    let is = |date: &str, state: &str, words: &str| {
        let found = findings(date);
        assert!(found.0 == state && found.1.contains(words), "{found:?}");
    };
    is("date = 2025-03-12\n", "doubtful", "force: ");
    is("date = 2024-03-10\n", "doubtful", "force: ");
    is("", "not_checked", "the date of the session");
}

#[test]
fn the_simulated_bench_and_the_calibrators_agree_on_a_wrong_sensitivity() {
    let folder = Folder::new();
    folder.text(
        "scenario.toml",
        "schema = 1\n[force]\nsensitivity_v_per_n = 0.5\nstated_error_db = 0.4\n\
         [microphone]\nsensitivity_v_per_pa = 0.1\nstated_error_db = -0.3\n\
         [[capture]]\nname = \"sound\"\nrole = \"microphone_calibrator\"\nduration_s = 12.0\n\
         stimulus = { kind = \"microphone_tone\", frequency_hz = 1000.0, level_db_spl = 94.0 }\n\
         [[capture]]\nname = \"force\"\nrole = \"force_calibrator\"\nduration_s = 12.0\n\
         stimulus = { kind = \"force_tone\", frequency_hz = 250.0, level_db = 110.0 }\n",
    );
    done(&folder.run(&["bench", "scenario.toml", "--out", "rendered"]));
    let arguments = [
        "analyse",
        "rendered/session.toml",
        "--quiet",
        "--out",
        "r.json",
    ];
    done(&folder.run(&arguments));
    let text = std::fs::read_to_string(folder.path("r.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    // A sensitivity stated too high reads too low.
    for (entry, role, expected_db) in [(0, "force", -0.4), (1, "microphone", 0.3)] {
        let entry = &record["entries"][entry];
        assert_eq!(entry["role"], role);
        let deviation = entry["level_deviation"]["value"].as_f64();
        let deviation = deviation.unwrap_or_else(|| panic!("{entry}"));
        assert!((deviation - expected_db).abs() < 0.01, "{deviation}");
    }
}
