//! Equivalent input noise of simulated devices: by construction white noise of a
//! stated level within 10 kHz at the microphone, so that a band of the width B holds
//! it 10 lg(B / 10 kHz) lower.

use micronewton::bench::{Scenario, render};
use micronewton::pipeline::{Plan, run};
use micronewton::quantity::Band;
use serde_json::Value;

/// Room noise in dB SPL (pink, 50 Hz to 10 kHz), noise of the recorder in dB re full
/// scale, of the device in dB SPL.
struct Setting {
    rate_hz: u32,
    bits: u16,
    room_db: f64,
    recorder_db: f64,
    device_db: f64,
}

fn outcome(setting: &Setting, with_room: bool) -> Value {
    let Setting {
        rate_hz,
        bits,
        room_db,
        recorder_db,
        device_db,
    } = setting;
    let mut text = format!(
        "schema = 1\nseed = 9\nrate_hz = {rate_hz}\n\
         [recorder]\nbits = {bits}\nfull_scale_v = 0.2\nnoise_db_fs = {recorder_db}\n\
         [room]\nnoise_db_spl = {room_db}\nbox_attenuation_db = 0.0\n\
         [device]\ngain_db = [[250, 30], [1000, 40], [4000, 36]]\n\
         [device.transducer]\nresonance_hz = 800.0\n[device.noise]\ninput_db_spl = {device_db}\n\
         [[capture]]\nname = \"noise\"\nrole = \"sensitivity\"\nduration_s = 20.0\n\
         level_db_spl = 60\nstimulus = {{ kind = \"pink\" }}\n\
         [[capture]]\nname = \"quiet\"\nrole = \"equivalent_input_noise\"\nduration_s = 30.0\n"
    );
    if with_room {
        text += "[[capture]]\nname = \"room\"\nrole = \"room_noise\"\nduration_s = 20.0\n\
                 device_on = false\n";
    }
    let scenario = Scenario::parse(&text).unwrap_or_else(|e| panic!("{e}: {text}"));
    let folder = tempfile::tempdir().unwrap();
    render(&scenario, folder.path(), folder.path(), &mut |_, _| {}).unwrap();
    let plan = Plan::read(&folder.path().join("session.toml")).unwrap();
    let record = serde_json::to_value(run(&plan, &mut |_| {}).unwrap()).unwrap();
    let entries = record["entries"].as_array().unwrap();
    let found = entries
        .iter()
        .find(|e| e["entry"] == "equivalent_input_noise");
    found
        .unwrap_or_else(|| panic!("{}", record["findings"]))
        .clone()
}

/// Bands measured, the largest error in dB, bounds, bounds below the truth.
fn compared(setting: &Setting, outcome: &Value) -> (usize, f64, usize, usize) {
    let (mut measured, mut worst, mut bounds, mut wrong) = (0, 0.0f64, 0, 0);
    for item in outcome["bands"].as_array().unwrap() {
        let band = Band::named(item["nominal_hz"].as_f64().unwrap()).unwrap();
        let truth = setting.device_db + 10.0 * (band.width_hz() / 10_000.0).log10();
        let figure = &item["equivalent_input_noise"];
        match (figure["status"].as_str(), figure["value"].as_f64()) {
            (Some("measured"), Some(db)) => {
                measured += 1;
                worst = worst.max((db - truth).abs());
            }
            (Some("at_most"), Some(db)) => {
                bounds += 1;
                // Chance in 30 s of a band of 23 Hz, k = 2: 0.33 dB.
                wrong += usize::from(db < truth - 0.4);
            }
            _ => {}
        }
    }
    (measured, worst, bounds, wrong)
}

#[test]
fn noise_is_within_half_a_decibel_of_the_truth() {
    // Device noise of 25 dB SPL; sound, room and recorder as each line says.
    for (rate_hz, bits, room_db, recorder_db) in [
        // Room noise 30 dB below the device's.
        (48_000, 24, -5.0, -120.0),
        (16_000, 24, -5.0, -115.0),
        (44_100, 24, -5.0, -120.0),
        (96_000, 24, -5.0, -120.0),
        // 16 bits: the recorder's noise, half a step, hides the lowest bands.
        (16_000, 16, -5.0, -96.0),
        (44_100, 16, -5.0, -96.0),
        (96_000, 16, -5.0, -96.0),
        // The microphone channel noisier than the device: it is no sound.
        (48_000, 24, -5.0, -90.0),
        // Room noise 30 dB below the sound.
        (48_000, 24, 30.0, -110.0),
    ] {
        let setting = Setting {
            rate_hz,
            bits,
            room_db,
            recorder_db,
            device_db: 25.0,
        };
        let found = outcome(&setting, true);
        let (measured, worst, bounds, wrong) = compared(&setting, &found);
        let total = &found["total"];
        println!(
            "{rate_hz} Hz, {bits} bits, room {room_db} dB SPL, recorder {recorder_db} dB: \
             {measured} bands within {worst:.2} dB, {bounds} bounds ({wrong} wrong); total {total}"
        );
        assert!(worst <= 0.5, "{worst} dB");
        assert_eq!(wrong, 0);
        assert!(measured + bounds >= 18, "{measured} and {bounds}");
        if room_db < 0.0 && recorder_db < -95.0 {
            assert!(bounds <= 5, "{measured} bands, {bounds} bounds");
            // 25 dB SPL in 10 kHz: 5445 Hz of it lie in the bands from 200 Hz to 5 kHz.
            let off = total["value"].as_f64().unwrap() - 22.36;
            // One band of these told as a bound makes the total one.
            let mut items = found["bands"].as_array().unwrap().iter();
            let bound = items.any(|item| {
                let inside = (200.0..=5000.0).contains(&item["nominal_hz"].as_f64().unwrap());
                inside && item["equivalent_input_noise"]["status"] == "at_most"
            });
            let status = if bound { "at_most" } else { "measured" };
            assert_eq!(total["status"], status, "{total}");
            assert!(off.abs() < 0.2, "{off}");
        }
    }
}

#[test]
fn without_the_room_it_is_only_a_bound_and_a_loud_room_makes_it_one() {
    let quiet = Setting {
        rate_hz: 16_000,
        bits: 24,
        room_db: -5.0,
        recorder_db: -115.0,
        device_db: 25.0,
    };
    let loud = Setting {
        room_db: 60.0,
        ..quiet
    };
    for (setting, with_room) in [(&quiet, false), (&loud, true)] {
        let (measured, _, bounds, wrong) = compared(setting, &outcome(setting, with_room));
        assert_eq!((measured, wrong), (0, 0));
        assert!(bounds >= 17, "{bounds}");
    }
}
