//! Sensitivity, delay and polarity of simulated devices whose response is known
//! from their construction: a gain over frequency, a resonance, a delay, and the
//! way from the reference microphone to the device at 343 m/s (common practice, no
//! source). Recorder noise, room noise 30 dB below the sound, device noise.

use micronewton::bench::{Scenario, render};
use micronewton::pipeline::{Plan, run, score};
use serde_json::Value;

fn record(head: &str, capture: &str) -> (Value, Value) {
    let text = format!(
        "schema = 1\nseed = 5\n{head}\n[[capture]]\nname = \"noise\"\nrole = \"sensitivity\"\n\
         duration_s = 30.0\nlevel_db_spl = 60\n{capture}\n"
    );
    let scenario = Scenario::parse(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    let folder = tempfile::tempdir().unwrap();
    render(&scenario, folder.path(), folder.path(), &mut |_, _| {}).unwrap();
    let plan = Plan::read(&folder.path().join("session.toml")).unwrap();
    let record = run(&plan, &mut |_| {}).unwrap();
    let truth = std::fs::read_to_string(folder.path().join("truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&truth).unwrap();
    for row in score(&record, &truth).unwrap() {
        if row.quantity.starts_with("sensitivity") {
            println!("{row:?}");
        }
    }
    let entry = |value: Value| {
        let entries = value["entries"].as_array().unwrap().clone();
        let mut found = entries.into_iter().filter(|e| e["entry"] == "sensitivity");
        found.next().unwrap()
    };
    let record = serde_json::to_value(&record).unwrap();
    (entry(record), entry(truth))
}

fn value(figure: &Value) -> Option<f64> {
    figure["value"].as_f64()
}

#[test]
fn sensitivity_is_within_0_1_db_and_delay_within_20_microseconds() {
    for (rate_hz, bits, stimulus) in [
        (16_000, 16, "pink"),
        (16_000, 24, "pink"),
        (44_100, 16, "pink"),
        (44_100, 24, "speech_noise"),
        (48_000, 16, "pink"),
        (96_000, 16, "pink"),
        (96_000, 24, "pink"),
    ] {
        let head = format!(
            "rate_hz = {rate_hz}\n[recorder]\nbits = {bits}\nnoise_db_fs = -100.0\n\
             [room]\nnoise_db_spl = 30.0\nbox_attenuation_db = 0.0\n[device]\nprocessing_delay_s = 0.0053\n\
             gain_db = [[250, 22], [1000, 34], [4000, 28]]\n\
             [device.transducer]\nresonance_hz = 800.0\n[device.noise]\ninput_db_spl = 15.0\n"
        );
        let (found, truth) = record(&head, &format!("stimulus = {{ kind = \"{stimulus}\" }}"));
        let (mut compared, mut worst_db, mut worst_s) = (0, 0.0f64, 0.0f64);
        for band in found["bands"].as_array().unwrap() {
            if value(&band["coherence"]).is_none_or(|coherence| coherence < 0.99) {
                continue;
            }
            let same = |t: &&Value| t["nominal_hz"] == band["nominal_hz"];
            let known = truth["bands"]
                .as_array()
                .unwrap()
                .iter()
                .find(same)
                .unwrap();
            let apart =
                |key: &str| (value(&band[key]).unwrap() - value(&known[key]).unwrap()).abs();
            worst_db = worst_db.max(apart("sensitivity"));
            if band["nominal_hz"].as_f64() >= Some(1000.0) {
                worst_s = worst_s.max(apart("group_delay"));
            }
            compared += 1;
        }
        let delay = value(&found["delay"]).unwrap() - value(&truth["delay"]).unwrap();
        println!(
            "{rate_hz} Hz, {bits} bits, {stimulus}: {compared} bands within {worst_db:.3} dB, \
             group delay from 1 kHz within {:.2} µs, delay {:.2} µs off",
            1e6 * worst_s,
            1e6 * delay
        );
        assert!(compared >= 14, "{compared} bands");
        assert!(worst_db <= 0.1, "{worst_db} dB");
        assert!(
            delay.abs() <= 20e-6 && worst_s <= 20e-6,
            "{delay} s, {worst_s} s"
        );
    }
}

#[test]
fn a_flat_device_has_the_delay_that_it_was_given() {
    // 254 frames at 48 kHz, and 10 mm at 343 m/s before.
    let head = "[device]\nprocessing_delay_s = 0.00529166666\n\
                [microphone]\ndistance_m = 0.01\n[device.noise]\ninput_db_spl = 15.0\n";
    let (found, _) = record(head, "stimulus = { kind = \"pink\" }");
    let expected = 254.0 / 48_000.0 + 0.01 / 343.0;
    let delay = value(&found["delay"]).unwrap();
    assert!((delay - expected).abs() < 1e-6, "{delay} {expected}");
    assert_eq!(found["polarity"], "kept");
    // 30 dB re 1 µN/20 µPa, as stated.
    for band in found["bands"].as_array().unwrap() {
        let db = value(&band["sensitivity"]).unwrap();
        assert!((db - 30.0).abs() < 0.1, "{band}");
        assert_eq!(band["sensitivity"]["reference"], "1 µN/20 µPa");
    }
}

#[test]
fn where_the_force_does_not_follow_the_sound_there_is_no_figure() {
    // A tone is no broadband sound; and noise of the device louder than the sound.
    let noise = "[device.noise]\ninput_db_spl = 75.0\n";
    for (head, stimulus) in [
        ("", "stimulus = { kind = \"tone\", frequency_hz = 1000.0 }"),
        (noise, "stimulus = { kind = \"white\" }"),
    ] {
        let (found, _) = record(head, stimulus);
        for band in found["bands"].as_array().unwrap() {
            assert_eq!(band["sensitivity"]["status"], "not_measured", "{band}");
            assert!(band["sensitivity"]["reason"].as_str().unwrap().len() > 20);
        }
    }
}
