//! Linearity, blocks, seeds, and the files of a rendered scenario.

use std::fs;
use std::path::Path;

use micronewton::bench::{Scenario, render};
use micronewton::calibration::Calibration;
use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::{physical, samples};

const EVERYTHING: &str = include_str!("../../fixtures/plan/bench_everything.toml");

#[test]
fn ten_decibels_more_in_are_ten_decibels_more_out() {
    let at = |db: f64| {
        let capture = format!(
            "duration_s = 1.0\nlevel_db_spl = {db}\nstimulus = {{ kind = \"speech_noise\" }}"
        );
        let device = "[device.transducer]\nresonance_hz = 800.0";
        samples(&physical(device, &capture), 512)
    };
    let (soft, loud) = (at(60.0), at(70.0));
    let level = |all: &[[f64; 2]], channel: usize| {
        10.0 * all
            .iter()
            .map(|f| f[channel] * f[channel])
            .sum::<f64>()
            .log10()
    };
    for channel in [0, 1] {
        let difference = level(&loud, channel) - level(&soft, channel);
        assert!(
            (difference - 10.0).abs() < 1e-5,
            "channel {channel}: {difference}"
        );
    }
}

#[test]
fn a_compressing_device_is_not_linear() {
    let at = |db: f64| {
        let capture =
            format!("duration_s = 1.0\nlevel_db_spl = {db}\nstimulus = {{ kind = \"white\" }}");
        let all = samples(
            &physical("[device.compression]\nratio = [2.0]", &capture),
            512,
        );
        10.0 * all[24_000..]
            .iter()
            .map(|f| f[0] * f[0])
            .sum::<f64>()
            .log10()
    };
    let difference = at(80.0) - at(70.0);
    assert!((difference - 5.0).abs() < 0.1, "{difference}");
}

#[test]
fn the_size_of_the_blocks_does_not_change_a_bit() {
    let bits = |block| {
        let all = samples(EVERYTHING, block);
        all.into_iter()
            .flatten()
            .map(f64::to_bits)
            .collect::<Vec<_>>()
    };
    let one = bits(1);
    assert_eq!(one.len(), 2 * 24_000);
    assert!(one == bits(64));
    assert!(one == bits(4096));
}

/// A snapshot: it proves nothing but that every platform, and every later
/// version, renders these bits.
#[test]
fn the_bits_are_the_same_everywhere() {
    let mut hash = Sha256::new();
    for sample in samples(EVERYTHING, 1000).into_iter().flatten() {
        hash.update(sample.to_bits().to_le_bytes());
    }
    let found: String = hash
        .finalize()
        .iter()
        .take(8)
        .map(|b| format!("{b:02x}"))
        .collect();
    assert_eq!(found, "038fe8b1bc1334ce");
}

fn rendered(text: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let scenario = Scenario::parse(text).unwrap();
    render(&scenario, Path::new("."), folder.path(), &mut |_, _| {}).unwrap();
    folder
}

#[test]
fn one_seed_gives_the_same_files_and_another_other_noise() {
    let (first, again) = (rendered(EVERYTHING), rendered(EVERYTHING));
    let other = rendered(&EVERYTHING.replace("seed = 42", "seed = 43"));
    for name in [
        "everything.wav",
        "calibration.toml",
        "session.toml",
        "truth.json",
    ] {
        let read = |folder: &tempfile::TempDir| fs::read(folder.path().join(name)).unwrap();
        assert_eq!(read(&first), read(&again), "{name}");
    }
    let wav = |folder: &tempfile::TempDir| fs::read(folder.path().join("everything.wav")).unwrap();
    assert_ne!(wav(&first), wav(&other));
}

fn truth(folder: &tempfile::TempDir) -> Value {
    serde_json::from_str(&fs::read_to_string(folder.path().join("truth.json")).unwrap()).unwrap()
}

/// The true level of `channel` in the band `nominal_hz` of the first capture.
fn true_db(truth: &Value, channel: usize, nominal_hz: f64) -> f64 {
    let bands = truth["entries"][0]["channels"][channel]["bands"]
        .as_array()
        .unwrap();
    let band = bands
        .iter()
        .find(|b| b["nominal_hz"] == nominal_hz)
        .unwrap();
    band["leq"]["value"].as_f64().unwrap()
}

#[test]
fn a_tone_is_true_in_both_channels() {
    let capture = "duration_s = 2.0\nlevel_db_spl = 60.0\nstimulus = { kind = \"tone\", frequency_hz = 1000.0 }";
    let truth = truth(&rendered(&physical("", capture)));
    assert!((true_db(&truth, 1, 1000.0) - 60.0).abs() < 0.005);
    assert!((true_db(&truth, 0, 1000.0) - 90.0).abs() < 0.005);
}

#[test]
fn a_force_of_known_level_goes_straight_to_the_simulator() {
    let capture = "duration_s = 2.0\nstimulus = { kind = \"force_tone\", frequency_hz = 250.0, level_db = 100.0 }";
    let folder = rendered(&physical("", capture));
    // The ends of a cut of 1 s spread 1/(π² · 27 Hz · 1 s) of it beyond the band.
    assert!((true_db(&truth(&folder), 0, 250.0) - 100.0).abs() < 0.03);
    // 100 dB re 1 µN are 0.1 N.
    let capture = "duration_s = 1.0\nstimulus = { kind = \"force_tone\", frequency_hz = 250.0, level_db = 100.0 }";
    let all = samples(&physical("", capture), 1000);
    let mean: f64 = all.iter().map(|f| f[0] * f[0]).sum::<f64>() / all.len() as f64;
    assert!((mean.sqrt() - 0.1).abs() < 1e-6);
}

const HOWLING: &str = "[device.limiter]\nceiling_db = 110.0\n[device.noise]\ninput_db_spl = 25.0\n\
                       [feedback.cable]\nmargin_db = -3.0\nfreed_by_db = 10.0\n\
                       resonance = [{ frequency_hz = 2900.0, q = 8.0 }]";

#[test]
fn a_tense_cable_howls_from_its_time_on_and_a_free_one_does_not() {
    let capture = "duration_s = 6.0\ncable = \"tense\"\ntense_from_s = 2.0\ntense_to_s = 4.0";
    let feedback = truth(&rendered(&physical(HOWLING, capture)))["entries"][1].clone();
    let events = feedback["events"].as_array().unwrap();
    assert_eq!(events.len(), 1, "{events:?}");
    let number = |key: &str| events[0][key].as_f64().unwrap();
    assert!(
        (number("start_s") - 2.0).abs() < 0.2,
        "{}",
        number("start_s")
    );
    assert!((number("end_s") - 4.0).abs() < 0.2, "{}", number("end_s"));
    assert!((number("frequency_hz") - 2900.0).abs() < 90.0);
    let level = events[0]["level"]["value"].as_f64().unwrap();
    assert!((level - 110.0).abs() < 1.5, "{level}");
    let margin = feedback["margin"]["gain_margin"]["value"].as_f64().unwrap();
    assert!((margin + 3.0).abs() < 1e-3, "{margin}");

    let capture = "duration_s = 3.0";
    let feedback = truth(&rendered(&physical(HOWLING, capture)))["entries"][1].clone();
    assert_eq!(feedback["events"], Value::Array(Vec::new()));
    let margin = feedback["margin"]["gain_margin"]["value"].as_f64().unwrap();
    assert!((margin - 7.0).abs() < 1e-3, "{margin}");
    // 6 ms, 0.2 ms, and the resonance's own delay of Q / (π f) = 0.88 ms.
    let delay_s = feedback["margin"]["loop_delay_s"].as_f64().unwrap();
    assert!((delay_s - 0.007_08).abs() < 2e-4, "{delay_s}");
}

#[test]
fn the_documents_beside_the_captures_can_be_read() {
    let folder = rendered(EVERYTHING);
    let read = |name: &str| fs::read_to_string(folder.path().join(name)).unwrap();
    let calibration = read("calibration.toml");
    let mut response = |name: &str| Ok(read(name));
    let calibration = Calibration::parse(&calibration, &mut response).unwrap();
    assert!(
        calibration.channels()[0]
            .as_ref()
            .unwrap()
            .response
            .is_some()
    );
    let plan = micronewton::pipeline::Plan::read(&folder.path().join("session.toml")).unwrap();
    assert_eq!(plan.captures.len(), 1);
}

#[test]
fn a_speech_file_at_another_rate_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 24_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let path = folder.path().join("speech.wav");
    hound::WavWriter::create(&path, spec)
        .unwrap()
        .finalize()
        .unwrap();
    let capture = "duration_s = 1.0\nlevel_db_spl = 60.0\nstimulus = { kind = \"speech\", file = \"speech.wav\" }";
    let scenario = Scenario::parse(&physical("", capture)).unwrap();
    let error = render(&scenario, folder.path(), folder.path(), &mut |_, _| {}).unwrap_err();
    let text = error.to_string();
    assert!(
        text.contains("speech.wav") && text.contains("24000 Hz"),
        "{text}"
    );
    assert!(!folder.path().join("a.wav").exists());
}

#[test]
fn the_demo_scenario_is_read() {
    let scenario = Scenario::parse(include_str!("../../demo-audio/scenario.toml")).unwrap();
    let seconds: f64 = scenario.captures().iter().map(|c| c.duration_s()).sum();
    assert!(
        seconds * f64::from(scenario.rate_hz()) * 4.0 <= 10.5e6,
        "{seconds}"
    );
}

/// Third-octave front-to-back ratio of an ideal pair, |1 − m e^(−jω(τ + T))| from
/// the front over |1 − m e^(−jω(T − τ))| from the back, at the band's middle.
fn ideal_front_to_back_db(exact_hz: f64, mismatch_db: f64, delay_ratio: f64) -> f64 {
    let travel_s = 0.01 / 343.0;
    let m = 10f64.powf(mismatch_db / 20.0);
    let size = |cosine: f64| {
        let angle = std::f64::consts::TAU * exact_hz * travel_s * (cosine + delay_ratio);
        ((1.0 - m * angle.cos()).powi(2) + (m * angle.sin()).powi(2)).sqrt()
    };
    20.0 * (size(1.0) / size(-1.0)).log10()
}

#[test]
fn front_and_back_differ_as_the_geometry_says() {
    let blocks = "[device.microphones]\npattern = \"supercardioid\"\nmismatch_db = 0.5";
    let side = |degrees: f64| {
        format!(
            "duration_s = 5.0\nlevel_db_spl = 65.0\ndirectional = true\ndirection_deg = {degrees}\n\
             stimulus = {{ kind = \"pink\" }}\nstream = 1\n"
        )
    };
    let text = physical(blocks, &side(0.0)).replace("\"general\"", "\"front\"");
    let text = format!(
        "{text}\n[[capture]]\nname = \"b\"\nrole = \"back\"\n{}",
        side(180.0)
    );
    let truth = truth(&rendered(&text));
    let directional = truth["entries"].as_array().unwrap().last().unwrap();
    assert_eq!(directional["entry"], "directional");
    let level = |entry: usize, channel: usize, band: usize| {
        let bands = &truth["entries"][entry]["channels"][channel]["bands"];
        bands[band]["leq"]["value"].as_f64().unwrap()
    };
    for (index, band) in directional["bands"].as_array().unwrap().iter().enumerate() {
        let exact_hz = band["exact_hz"].as_f64().unwrap();
        let stated = band["front_to_back"]["value"].as_f64().unwrap();
        // The middle stands for the band within 0.1 dB up to 4 kHz.
        let expected = ideal_front_to_back_db(exact_hz, 0.5, 0.366 / 0.634);
        if exact_hz < 4000.0 {
            assert!(
                (stated - expected).abs() < 0.1,
                "{exact_hz}: {stated} for {expected}"
            );
        }
        // And so do the levels that were rendered, to their own scatter.
        let rendered =
            level(0, 0, index) - level(0, 1, index) - level(2, 0, index) + level(2, 1, index);
        assert!(
            (stated - rendered).abs() < 0.3,
            "{exact_hz}: {stated} and {rendered}"
        );
    }
}

#[test]
fn the_margin_is_that_of_the_formula() {
    // L = 0.5 at 6 ms and 0.5 ms.
    let blocks = "[feedback.cable]\ndelay_s = 0.0005\ngain_db = -36.0206";
    let feedback = |tension_db: f64| {
        let capture = format!("duration_s = 1.0\ncable = \"tense\"\ntension_db = {tension_db}");
        truth(&rendered(&physical(blocks, &capture)))["entries"][1]["margin"].clone()
    };
    let margin_db = |margin: &Value| margin["gain_margin"]["value"].as_f64().unwrap();
    assert!((margin_db(&feedback(0.0)) - 6.0206).abs() < 0.001);
    assert!((margin_db(&feedback(-6.0)) - 12.0206).abs() < 0.001);
    let delay_s = feedback(0.0)["loop_delay_s"].as_f64().unwrap();
    assert!((delay_s - 0.0065).abs() < 1e-6, "{delay_s}");
}

#[test]
fn a_phase_inverted_pair_separates_into_speech_and_noise() {
    let folder = tempfile::tempdir().unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let path = folder.path().join("speech.wav");
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for n in 0..48_000_i32 {
        writer
            .write_sample((i64::from(n) * i64::from(n) % 20_011) as i32 - 10_000)
            .unwrap();
    }
    writer.finalize().unwrap();
    let half = |name: &str, inverted: bool| {
        format!(
            "[[capture]]\nname = \"{name}\"\nrole = \"general\"\nduration_s = 1.0\n\
             level_db_spl = 65.0\nstream = 3\nstimulus = {{ kind = \"speech_in_noise\", \
             file = \"speech.wav\", signal_to_noise_db = 5.0, inverted = {inverted} }}\n"
        )
    };
    let text = format!(
        "schema = 1\n[recorder]\nbits = 32\n{}{}",
        half("plus", false),
        half("minus", true)
    );
    let scenario = Scenario::parse(&text).unwrap();
    render(&scenario, folder.path(), folder.path(), &mut |_, _| {}).unwrap();
    let read = |name: &str| -> Vec<f64> {
        let mut reader = hound::WavReader::open(folder.path().join(name)).unwrap();
        reader
            .samples::<f32>()
            .map(|s| f64::from(s.unwrap()))
            .collect()
    };
    let (plus, minus) = (read("plus.wav"), read("minus.wav"));
    let power = |sign: f64| -> f64 {
        let pairs = plus.iter().zip(&minus).skip(2000);
        pairs.map(|(a, b)| (a + sign * b).powi(2)).sum()
    };
    let ratio_db = 10.0 * (power(1.0) / power(-1.0)).log10();
    assert!((ratio_db - 5.0).abs() < 0.5, "{ratio_db}");
}

#[test]
fn the_worst_scenario_stays_finite() {
    let blocks = "[device]\ngain_db = [[1000.0, 80.0]]\n\
                  [device.compression]\nratio = [0.5]\nknee_db_spl = [0.0]\n\
                  [device.distortion]\nsecond_percent = 50.0\nthird_percent = 20.0\nat_db = 60.0\n\
                  [device.transducer]\nresonance_hz = 800.0\nresonance_q = 30.0\n\
                  [feedback.acoustic]\ngain_db = 100.0\nto_reference_db = 40.0\n\
                  [feedback.cable]\nmargin_db = -40.0\n\
                  resonance = [{ frequency_hz = 2000.0, q = 200.0 }]";
    let capture = "duration_s = 2.0\nlevel_db_spl = 140.0\ncable = \"tense\"\ntension_db = 40.0\n\
                   directional = true\nnoise_reduction = true\nstimulus = { kind = \"white\" }";
    for frame in samples(&physical(blocks, capture), 4096) {
        assert!(frame.iter().all(|x| x.is_finite()), "{frame:?}");
    }
}
