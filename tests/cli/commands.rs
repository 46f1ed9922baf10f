//! What the commands do when all is well.

use crate::bench_files::{CALIBRATION, Folder, noise, sine, stderr, wav};

/// Force follows the sound, 20 dB up; a howl of its own from 1 s to 3 s.
fn howling(folder: &Folder, name: &str) {
    let sound = noise(7, 4 * 48_000, 0.01);
    let howl = sine(48_000, 2900.0, 0.2, 4.0);
    let force: Vec<f64> = sound
        .iter()
        .zip(&howl)
        .enumerate()
        .map(|(n, (s, h))| {
            10.0 * s
                + if (48_000..144_000).contains(&n) {
                    *h
                } else {
                    0.0
                }
        })
        .collect();
    wav(&folder.path(name), 48_000, 24, &[&force, &sound]);
}

#[test]
fn feedback_finds_the_howl_and_strict_says_so() {
    let folder = Folder::new();
    howling(&folder, "x.wav");
    let arguments = [
        "feedback",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ];
    let record = folder.json(&arguments);
    let events = record["entries"][0]["events"].as_array().unwrap();
    assert_eq!(events.len(), 1, "{events:?}");
    let figure = |key: &str| events[0][key].as_f64().unwrap();
    assert!((figure("frequency_hz") - 2900.0).abs() < 2.0);
    assert!(
        (figure("start_s") - 1.0).abs() < 0.06,
        "{}",
        figure("start_s")
    );
    assert!((figure("end_s") - 3.0).abs() < 0.06, "{}", figure("end_s"));
    // 20 lg(0.2 / √2 / 0.132 / 1e-6) = 120.6 dB.
    assert!((events[0]["level"]["value"].as_f64().unwrap() - 120.60).abs() < 0.1);
    let strict = folder.run(&[&arguments[..], &["--strict"]].concat());
    assert_eq!(strict.status.code(), Some(1));
}

#[test]
fn a_tone_in_the_room_is_no_feedback() {
    let folder = Folder::new();
    let hiss = noise(7, 4 * 48_000, 0.001);
    let tone = sine(48_000, 2900.0, 0.05, 4.0);
    let sound: Vec<f64> = hiss.iter().zip(&tone).map(|(a, b)| a + b).collect();
    // The device answers 8 times as much, 5 ms later.
    let late = [&[0.0; 240], &sound[..sound.len() - 240]].concat();
    let force: Vec<f64> = late.iter().map(|s| 8.0 * s).collect();
    wav(&folder.path("x.wav"), 48_000, 24, &[&force, &sound]);
    let record = folder.json(&[
        "feedback",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ]);
    assert_eq!(record["entries"][0]["events"].as_array().unwrap().len(), 0);
    assert_eq!(
        record["entries"][0]["explained"][0]["explanation"],
        "in_the_room"
    );
}

#[test]
fn a_device_that_favours_the_back_is_outside() {
    let folder = Folder::new();
    let sound = noise(3, 4 * 48_000, 0.02);
    let louder: Vec<f64> = sound.iter().map(|s| 4.0 * s).collect();
    wav(&folder.path("f.wav"), 48_000, 24, &[&sound, &sound]);
    wav(&folder.path("b.wav"), 48_000, 24, &[&louder, &sound]);
    let arguments = [
        "directional",
        "--front",
        "f.wav",
        "--back",
        "b.wav",
        "--calibration",
        "cal.toml",
    ];
    assert_eq!(folder.run(&arguments).status.code(), Some(0));
    assert_eq!(
        folder
            .run(&[&arguments[..], &["--strict"]].concat())
            .status
            .code(),
        Some(1)
    );
}

#[test]
fn the_largest_level_is_not_that_of_the_beginning() {
    // A steady tone that begins abruptly: a band far from it must not report the
    // click of the beginning as its largest level.
    let folder = Folder::new();
    let tone = sine(48_000, 1000.0, 0.3, 7.0);
    wav(&folder.path("x.wav"), 48_000, 24, &[&tone, &tone]);
    let record = folder.json(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ]);
    let bands = record["entries"][0]["channels"][0]["bands"]
        .as_array()
        .unwrap();
    let figure = |band: &serde_json::Value, key: &str| band[key]["value"].as_f64().unwrap();
    let leq = figure(&bands[10], "leq");
    for key in ["fast_max", "slow_max"] {
        assert!((figure(&bands[10], key) - leq).abs() < 0.05, "{key}");
        assert!(
            figure(&bands[0], key) < leq - 75.0,
            "{key}: {}",
            bands[0][key]
        );
    }
}

#[test]
fn front_to_back_takes_the_presentation_out() {
    // The back was presented 4 dB louder at the microphone; the device answers
    // 12 dB less. Front minus back of the force is 8 dB, of the device 12 dB.
    let folder = Folder::new();
    let sound = noise(3, 4 * 48_000, 0.02);
    let scaled =
        |db: f64| -> Vec<f64> { sound.iter().map(|s| s * 10f64.powf(db / 20.0)).collect() };
    wav(
        &folder.path("f.wav"),
        48_000,
        24,
        &[&scaled(20.0), &scaled(0.0)],
    );
    wav(
        &folder.path("b.wav"),
        48_000,
        24,
        &[&scaled(12.0), &scaled(4.0)],
    );
    let record = folder.json(&[
        "directional",
        "--front",
        "f.wav",
        "--back",
        "b.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ]);
    let entry = &record["entries"][0];
    for band in entry["bands"].as_array().unwrap() {
        let figure = band["front_to_back"]["value"].as_f64().unwrap();
        assert!((figure - 12.0).abs() < 0.01, "{band}");
    }
    assert!((entry["broadband"]["value"].as_f64().unwrap() - 12.0).abs() < 0.01);
}

#[test]
fn new_writes_a_session_that_works_once_the_calibration_is_filled_in() {
    let folder = Folder::new();
    howling(&folder, "a \"quoted\" name.wav");
    let output = folder.run(&["new", "."]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let refused = folder.run(&["analyse", "session.toml"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        stderr(&refused).contains("calibration.toml"),
        "{}",
        stderr(&refused)
    );
    folder.text("calibration.toml", CALIBRATION);
    let done = folder.run(&[
        "analyse",
        "session.toml",
        "--out",
        "r.html",
        "--out",
        "r.json",
        "--out",
        "r.csv",
    ]);
    assert_eq!(done.status.code(), Some(0), "{}", stderr(&done));
    for name in ["r.html", "r.json", "r.csv"] {
        assert!(folder.path(name).is_file(), "{name}");
    }
    let again = folder.run(&["new", "."]);
    assert_eq!(again.status.code(), Some(2), "it must not overwrite");
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let folder = Folder::new();
    howling(&folder, "x.wav");
    for format in ["json", "csv", "table"] {
        let run = || {
            folder
                .run(&[
                    "levels",
                    "x.wav",
                    "--calibration",
                    "cal.toml",
                    "--format",
                    format,
                ])
                .stdout
        };
        assert!(run() == run(), "{format}");
    }
}

#[test]
fn piped_output_has_no_colour_and_json_is_one_document() {
    let folder = Folder::new();
    howling(&folder, "x.wav");
    for format in ["json", "csv", "table"] {
        let output = folder.run(&[
            "feedback",
            "x.wav",
            "--calibration",
            "cal.toml",
            "--format",
            format,
        ]);
        assert!(!output.stdout.contains(&0x1b), "{format}");
    }
}

#[test]
fn csv_has_one_row_per_figure_with_unit_and_uncertainty() {
    let folder = Folder::new();
    howling(&folder, "x.wav");
    let output = folder.run(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "csv",
    ]);
    let mut reader = csv::Reader::from_reader(&output.stdout[..]);
    let rows: Vec<Vec<String>> = reader
        .records()
        .map(|r| r.unwrap().iter().map(str::to_owned).collect())
        .collect();
    let leq: Vec<&Vec<String>> = rows.iter().filter(|r| r[2] == "force.leq").collect();
    assert_eq!(leq.len(), 21);
    for row in leq {
        assert_eq!((row[6].as_str(), row[7].as_str()), ("dB", "1 µN"));
        match row[4].as_str() {
            // √(0.5² + 0.05²), certificate and filters, and what chance does.
            "measured" => assert!(row[8].parse::<f64>().unwrap() > 0.5024),
            status => assert_eq!((status, row[8].as_str()), ("at_most", "")),
        }
    }
}

#[test]
fn a_budget_names_every_part_and_what_is_not_stated() {
    let folder = Folder::new();
    howling(&folder, "x.wav");
    let arguments = ["levels", "x.wav", "--calibration", "cal.toml", "--budget"];
    let text = String::from_utf8(folder.run(&arguments).stdout).unwrap();
    let budget = text.split("Uncertainty budget").nth(1).unwrap();
    for piece in [
        "force transducer",
        "0.50",
        "analysis",
        "statistics",
        "combined",
    ] {
        assert!(budget.contains(piece), "{piece}\n{budget}");
    }
    assert!(budget.contains("not contained: remounting"), "{budget}");
    let plain = String::from_utf8(folder.run(&arguments[..4]).stdout).unwrap();
    assert!(!plain.contains("Uncertainty budget"));
}

#[test]
fn completions_and_manual_come_from_the_same_definitions() {
    let folder = Folder::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let output = folder.run(&["completions", shell]);
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(
            text.contains("directional") && text.contains("calibration"),
            "{shell}"
        );
    }
    let manual = String::from_utf8(folder.run(&["man"]).stdout).unwrap();
    for command in [
        "analyse",
        "compare",
        "levels",
        "feedback",
        "directional",
        "new",
        "demo",
    ] {
        assert!(manual.contains(command), "{command}");
        let help = String::from_utf8(folder.run(&[command, "--help"]).stdout).unwrap();
        assert!(help.contains("Example"), "{command}");
    }
}
