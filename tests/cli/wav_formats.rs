//! Every WAV format and rate that is supported gives the level that arithmetic
//! gives (definition of a level; no other source).

use crate::bench_files::{Folder, V_PER_N, V_PER_PA, leq, level_of_sine, noise, sine, stderr, wav};

const LEVELS: [&str; 6] = [
    "levels",
    "x.wav",
    "--calibration",
    "cal.toml",
    "--format",
    "json",
];

#[test]
fn every_format_reads_a_tone_right_within_0_05_db() {
    // A sine at a third of full scale; 8 bits quantise it within 0.05 dB.
    for bits in [8, 16, 24, 32, 0] {
        let folder = Folder::new();
        let force = sine(48_000, 1000.0, 0.33, 2.0);
        let sound = sine(48_000, 1000.0, 0.1, 2.0);
        wav(&folder.path("x.wav"), 48_000, bits, &[&force, &sound]);
        let record = folder.json(&LEVELS);
        let error = leq(&record, "force", 1000.0) - level_of_sine(0.33, V_PER_N, 1e-6);
        assert!(error.abs() < 0.05, "{bits} bits: {error}");
        let error = leq(&record, "microphone", 1000.0) - level_of_sine(0.1, V_PER_PA, 20e-6);
        assert!(error.abs() < 0.05, "{bits} bits: {error}");
    }
}

#[test]
fn every_rate_reads_a_tone_right_within_0_05_db() {
    for rate_hz in [
        16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000,
    ] {
        let folder = Folder::new();
        // Exact midband frequency of the 250 Hz band.
        let force = sine(rate_hz, 251.188_643, 0.5, 2.0);
        wav(&folder.path("x.wav"), rate_hz, 16, &[&force, &force]);
        let error = leq(&folder.json(&LEVELS), "force", 250.0) - level_of_sine(0.5, V_PER_N, 1e-6);
        assert!(error.abs() < 0.05, "{rate_hz} Hz: {error}");
    }
}

#[test]
fn channels_are_taken_where_the_calibration_says() {
    let folder = Folder::new();
    let silence = vec![0.0; 96_000];
    let force = sine(48_000, 1000.0, 0.2, 2.0);
    let sound = sine(48_000, 2000.0, 0.1, 2.0);
    wav(
        &folder.path("x.wav"),
        48_000,
        24,
        &[&silence, &sound, &silence, &force],
    );
    let calibration = crate::bench_files::CALIBRATION.replace("channel = 1", "channel = 4");
    folder.text("cal.toml", &calibration);
    let record = folder.json(&LEVELS);
    let error = leq(&record, "force", 1000.0) - level_of_sine(0.2, V_PER_N, 1e-6);
    assert!(error.abs() < 0.05, "{error}");
}

#[test]
fn a_pair_of_mono_files_equals_one_file_of_two_channels() {
    let folder = Folder::new();
    let (force, sound) = (noise(1, 96_000, 0.3), noise(2, 96_000, 0.2));
    wav(&folder.path("x.wav"), 48_000, 24, &[&force, &sound]);
    wav(&folder.path("force.wav"), 48_000, 24, &[&force]);
    wav(&folder.path("sound.wav"), 48_000, 24, &[&sound]);
    folder.text(
        "mono.toml",
        &crate::bench_files::CALIBRATION.replace("channel = 2", "channel = 1"),
    );
    let one = folder.json(&LEVELS);
    let two = folder.json(&[
        "levels",
        "force.wav",
        "--microphone-file",
        "sound.wav",
        "--calibration",
        "mono.toml",
        "--format",
        "json",
    ]);
    assert_eq!(one["entries"][0]["channels"], two["entries"][0]["channels"]);
}

#[test]
fn a_response_acts_at_the_frequency_of_the_tone() {
    // 6 dB between 900 Hz and 1110 Hz, both inside the band of 1 kHz: one value
    // per band would be wrong by 3 dB at either end. Levels between points:
    // linear in dB over lg f.
    let folder = Folder::new();
    let calibration = crate::bench_files::CALIBRATION.replace(
        "sensitivity_v_per_n = 0.132",
        "sensitivity_v_per_n = 0.132\nresponse = \"r.csv\"",
    );
    folder.text("cal.toml", &calibration);
    let level = |response: &str, frequency_hz: f64| {
        folder.text("r.csv", &format!("frequency_hz,magnitude_db\n{response}\n"));
        let force = sine(48_000, frequency_hz, 0.3, 3.0);
        wav(&folder.path("x.wav"), 48_000, 24, &[&force, &force]);
        leq(&folder.json(&LEVELS), "force", 1000.0)
    };
    for (frequency_hz, magnitude_db) in [(900.0, 0.0), (1000.0, 3.0136), (1110.0, 6.0)] {
        // The same filter on the same tone, without and with the response.
        let flat = level("50,0\n20000,0", frequency_hz);
        let tilted = level("50,0\n900,0\n1110,6\n20000,6", frequency_hz);
        let undone = flat - tilted;
        assert!(
            (undone - magnitude_db).abs() < 0.05,
            "{frequency_hz} Hz: {undone}"
        );
    }
}

#[test]
fn a_24_bit_sample_in_a_32_bit_container_is_not_read_256_times_too_large() {
    // Left-justified as the extensible format declares: the layout that plain
    // decoders misread by 48.16 dB (20 lg 256).
    let folder = Folder::new();
    let force = sine(48_000, 1000.0, 0.5, 2.0);
    let mut bytes = Vec::new();
    let frames = force.len() as u32;
    bytes.extend(b"RIFF");
    bytes.extend((60 + frames * 8).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(40u32.to_le_bytes());
    bytes.extend(0xFFFEu16.to_le_bytes());
    bytes.extend(2u16.to_le_bytes());
    bytes.extend(48_000u32.to_le_bytes());
    bytes.extend((48_000u32 * 8).to_le_bytes());
    bytes.extend(8u16.to_le_bytes());
    bytes.extend(32u16.to_le_bytes());
    bytes.extend(22u16.to_le_bytes());
    bytes.extend(24u16.to_le_bytes());
    bytes.extend(3u32.to_le_bytes());
    bytes.extend([
        1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71,
    ]);
    bytes.extend(b"data");
    bytes.extend((frames * 8).to_le_bytes());
    for value in &force {
        let sample = ((value * 8_388_608.0) as i32) << 8;
        bytes.extend(sample.to_le_bytes());
        bytes.extend(sample.to_le_bytes());
    }
    std::fs::write(folder.path("x.wav"), bytes).unwrap();
    let record = folder.json(&LEVELS);
    let error = leq(&record, "force", 1000.0) - level_of_sine(0.5, V_PER_N, 1e-6);
    assert!(error.abs() < 0.05, "{error}");
    assert_eq!(record["findings"][0]["code"], "capture.repaired");
}

#[test]
fn a_file_that_was_cut_off_is_read_as_far_as_it_goes_and_says_so() {
    let folder = Folder::new();
    let force = sine(48_000, 1000.0, 0.5, 3.0);
    wav(&folder.path("whole.wav"), 48_000, 16, &[&force, &force]);
    let bytes = std::fs::read(folder.path("whole.wav")).unwrap();
    std::fs::write(folder.path("x.wav"), &bytes[..bytes.len() - 100_001]).unwrap();
    let output = folder.run(&LEVELS);
    assert_eq!(output.status.code(), Some(0));
    assert!(
        stderr(&output).contains("warning[capture.repaired]"),
        "{}",
        stderr(&output)
    );
}
