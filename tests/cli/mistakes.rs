//! Mistakes get one clear message, exit code 2, and leave nothing half-written.

use crate::bench_files::{CALIBRATION, Folder, noise, sine, stderr, wav};

/// Runs `levels` on x.wav with --out, which must fail with `code` and leave the
/// folder as it was; returns the message.
fn refused(folder: &Folder, code: &str) -> String {
    let before = folder.names();
    let output = folder.run(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--out",
        "out.json",
    ]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(message.starts_with(&format!("error[{code}]")), "{message}");
    assert!(message.contains("\n  next: "), "{message}");
    assert_eq!(message.matches("error").count(), 1, "{message}");
    assert!(output.stdout.is_empty());
    assert_eq!(folder.names(), before);
    message
}

fn folder_with_recording() -> Folder {
    let folder = Folder::new();
    let noise = noise(1, 96_000, 0.3);
    wav(&folder.path("x.wav"), 48_000, 16, &[&noise, &noise]);
    folder
}

#[test]
fn a_wrong_path() {
    let message = refused(&Folder::new(), "document.file");
    assert!(
        message.contains("x.wav") && message.contains("no such file"),
        "{message}"
    );
}

#[test]
fn a_text_file_named_wav() {
    let folder = Folder::new();
    folder.text("x.wav", "These are my notes.\n");
    let message = refused(&folder, "capture.not_wav");
    assert!(
        message.contains("x.wav") && message.contains("`Thes`"),
        "{message}"
    );
}

#[test]
fn an_empty_file() {
    let folder = Folder::new();
    folder.text("x.wav", "");
    assert!(refused(&folder, "capture.not_wav").contains("too few bytes"));
}

#[test]
fn a_missing_calibration_key() {
    let folder = folder_with_recording();
    folder.text(
        "cal.toml",
        &CALIBRATION.replace("sensitivity_v_per_n = 0.132\n", ""),
    );
    let message = refused(&folder, "document.missing_key");
    assert!(
        message.contains("cal.toml:4") && message.contains("sensitivity_v_per_n"),
        "{message}"
    );
}

#[test]
fn a_misspelt_calibration_key() {
    let folder = folder_with_recording();
    folder.text(
        "cal.toml",
        &CALIBRATION.replace("full_scale_v", "full_scale"),
    );
    let message = refused(&folder, "document.unknown_key");
    assert!(
        message.contains("cal.toml:3") && message.contains("did you mean `full_scale_v`"),
        "{message}"
    );
}

#[test]
fn a_calibration_that_was_not_filled_in() {
    let folder = folder_with_recording();
    folder.text("cal.toml", &CALIBRATION.replace("0.132", "0.0"));
    assert!(refused(&folder, "document.value").contains("force.sensitivity_v_per_n"));
}

#[test]
fn a_channel_that_does_not_exist() {
    let folder = folder_with_recording();
    folder.text(
        "cal.toml",
        &CALIBRATION.replace("channel = 2", "channel = 3"),
    );
    let message = refused(&folder, "capture.no_such_channel");
    assert!(
        message.contains("channel 3") && message.contains("microphone"),
        "{message}"
    );
}

#[test]
fn a_rate_too_low() {
    let folder = Folder::new();
    let tone = sine(8000, 500.0, 0.3, 2.0);
    wav(&folder.path("x.wav"), 8000, 16, &[&tone, &tone]);
    let message = refused(&folder, "capture.rate");
    assert!(
        message.contains("8000 Hz") && message.contains("16000 Hz"),
        "{message}"
    );
}

#[test]
fn a_recording_too_short() {
    let folder = Folder::new();
    let tone = sine(48_000, 500.0, 0.3, 0.3);
    wav(&folder.path("x.wav"), 48_000, 16, &[&tone, &tone]);
    let message = refused(&folder, "capture.too_short");
    assert!(
        message.contains("0.30 s of recording") && message.contains("100 Hz"),
        "{message}"
    );
}

#[test]
fn a_sample_that_is_not_a_number() {
    let folder = Folder::new();
    let mut tone = sine(48_000, 500.0, 0.3, 2.0);
    tone[60_000] = f64::NAN;
    let good = sine(48_000, 500.0, 0.3, 2.0);
    wav(&folder.path("x.wav"), 48_000, 0, &[&good, &tone]);
    let message = refused(&folder, "capture.not_finite");
    assert!(
        message.contains("microphone") && message.contains("1.250 s"),
        "{message}"
    );
}

#[test]
fn an_output_folder_that_does_not_exist() {
    let folder = folder_with_recording();
    let output = folder.run(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--out",
        "no/out.json",
    ]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("folder does not exist"));
}

#[test]
fn nothing_is_written_over_what_is_read() {
    let folder = folder_with_recording();
    let recording = std::fs::read(folder.path("x.wav")).unwrap();
    for out in ["x.wav", "cal.toml"] {
        let arguments = [
            "levels",
            "x.wav",
            "--calibration",
            "cal.toml",
            "--format",
            "json",
            "--out",
            out,
        ];
        let output = folder.run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{out}");
        assert!(
            stderr(&output).contains("one of the files that are read"),
            "{}",
            stderr(&output)
        );
    }
    assert!(std::fs::read(folder.path("x.wav")).unwrap() == recording);
    let output = folder.run(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--out",
        "x.jpg",
    ]);
    assert_eq!(output.status.code(), Some(2));
    assert!(!folder.path("x.jpg").exists());
}

#[test]
fn the_bench_spares_files_that_it_did_not_make() {
    let folder = folder_with_recording();
    folder.text(
        "s.toml",
        "schema = 1\n[[capture]]\nname = \"x\"\nrole = \"general\"\nduration_s = 1.0\n",
    );
    let recording = std::fs::read(folder.path("x.wav")).unwrap();
    let output = folder.run(&["bench", "s.toml"]);
    assert_eq!(output.status.code(), Some(2), "{}", stderr(&output));
    assert!(std::fs::read(folder.path("x.wav")).unwrap() == recording);
    assert_eq!(
        folder
            .run(&["bench", "s.toml", "--out", "made"])
            .status
            .code(),
        Some(0)
    );
    assert_eq!(
        folder
            .run(&["bench", "s.toml", "--out", "made"])
            .status
            .code(),
        Some(0)
    );
    folder.text("made/session.toml", "schema = 1\n");
    assert_eq!(
        folder
            .run(&["bench", "s.toml", "--out", "made"])
            .status
            .code(),
        Some(2)
    );
}

#[test]
fn channels_that_cannot_show_feedback_are_no_proof_against_it() {
    let folder = Folder::new();
    let (signal, silence) = (noise(1, 96_000, 0.3), vec![0.0; 96_000]);
    for (channels, code) in [
        ([&silence, &signal], "capture.silent"),
        ([&signal, &silence], "capture.silent"),
        ([&signal, &signal], "capture.copied"),
    ] {
        wav(
            &folder.path("x.wav"),
            48_000,
            16,
            &[channels[0], channels[1]],
        );
        let output = folder.run(&["feedback", "x.wav", "--calibration", "cal.toml", "--strict"]);
        assert_eq!(output.status.code(), Some(2));
        assert!(stderr(&output).contains(code), "{}", stderr(&output));
    }
}

#[test]
fn one_channel_cannot_play_both_roles() {
    let folder = folder_with_recording();
    folder.text(
        "cal.toml",
        &CALIBRATION.replace("channel = 2", "channel = 1"),
    );
    assert!(refused(&folder, "capture.same_channel").contains("channel 1"));
}

#[test]
fn an_unknown_role_lists_the_known_ones() {
    let folder = folder_with_recording();
    folder.text(
        "s.toml",
        "schema = 1\n[session]\ncode = \"a\"\ncalibration = \"cal.toml\"\n\
         [[capture]]\nname = \"x\"\nfile = \"x.wav\"\nrole = \"fronts\"\n",
    );
    let output = folder.run(&["analyse", "s.toml"]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        message.contains("s.toml:8") && message.contains("did you mean `front`"),
        "{message}"
    );
    assert!(message.contains("equivalent_input_noise"), "{message}");
}

#[test]
fn one_bad_capture_does_not_stop_the_others() {
    let folder = folder_with_recording();
    let output = folder.run(&[
        "levels",
        "x.wav",
        "nope.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "json",
    ]);
    assert_eq!(output.status.code(), Some(2));
    let record: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(record["entries"].as_array().unwrap().len(), 1);
    assert_eq!(record["findings"][0]["severity"], "error");
}

#[test]
fn clipping_is_a_warning_with_channel_and_time() {
    let folder = Folder::new();
    let mut tone = sine(48_000, 500.0, 0.3, 2.0);
    tone[48_000..48_010].fill(32_767.0 / 32_768.0);
    let good = sine(48_000, 500.0, 0.3, 2.0);
    wav(&folder.path("x.wav"), 48_000, 16, &[&tone, &good]);
    let output = folder.run(&[
        "levels",
        "x.wav",
        "--calibration",
        "cal.toml",
        "--format",
        "csv",
    ]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(0));
    assert!(message.contains("warning[trust.clipping]"), "{message}");
    assert!(
        message.contains("10 samples") && message.contains("1.000 s") && message.contains("force"),
        "{message}"
    );
}
