//! Speech through a device of known gain, rendered by the simulated bench,
//! against the same device computed with SciPy
//! (fixtures/reference/speech_percentiles.csv, made by speech_percentiles.py).

use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Interval, Scope, reduce};
use micronewton::measurement::speech_percentiles::{BandSpeech, Speech};
use micronewton::measurement::{Captures, Kind, Options, Outcome};
use micronewton::quantity::Quantity;

use crate::signals::{rows, speech};

#[derive(serde::Deserialize)]
struct Row {
    device: String,
    channel: String,
    nominal_hz: f64,
    quantity: String,
    value_db: f64,
}

/// The device's speech, with 1 V full scale, 1 V/N, 1 V/Pa.
fn measured(device: &str) -> Vec<BandSpeech> {
    let text = format!(
        "schema = 1\nrate_hz = 24000\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n\
         [device]\nprocessing_delay_s = 0.006\ngain_db = [[1000.0, 30.0]]\n{device}\n\
         [[capture]]\nname = \"s\"\nrole = \"speech\"\nduration_s = 15.5\n\
         stimulus = {{ kind = \"speech\", file = \"speech.wav\" }}\nlevel_db_spl = 65.0\n"
    );
    let scenario = Scenario::parse(&text).unwrap();
    let (rate_hz, speech) = speech();
    let mut renderer = Renderer::new(&scenario, 0, Some(&speech)).unwrap();
    let mut frames = vec![[0.0; 2]; (15.5 * f64::from(rate_hz)) as usize];
    renderer.block(&mut frames);
    frames.drain(..arrival(&frames, &speech));
    let scope = Scope {
        interval: Interval {
            from_s: Some(1.0),
            to_s: Some(15.0),
        },
        ..Scope::default()
    };
    let signal = Calibrated::from_signal(rate_hz, frames);
    let kind = Kind::SpeechPercentiles;
    let levels = reduce(signal, kind.needs(), scope, &mut |_| {}).unwrap();
    let captures = Captures::new(kind, [("capture", &levels)]);
    match kind.measure(&captures, &Options::default()).unwrap() {
        Outcome::SpeechPercentiles(outcome) => outcome.bands,
        _ => unreachable!(),
    }
}

/// Samples until the sound arrives at the microphone: the table counts time from
/// then. Percentiles of speech move by some tenths of a decibel if sections begin
/// a millisecond later.
fn arrival(frames: &[[f64; 2]], speech: &[f64]) -> usize {
    let alike = |lag: &usize| {
        let pairs = frames[*lag..].iter().zip(&speech[..120_000]);
        pairs.map(|(frame, x)| frame[1] * x).sum::<f64>()
    };
    let lags = 0..200;
    lags.max_by(|a, b| alike(a).total_cmp(&alike(b))).unwrap()
}

fn figure<Q: Quantity>(speech: &Speech<Q>, quantity: &str) -> f64 {
    let reading = match quantity {
        "leq" => &speech.leq,
        "percentile_30" => &speech.percentile_30,
        "percentile_65" => &speech.percentile_65,
        _ => &speech.percentile_99,
    };
    reading.figure().unwrap().value()
}

fn ours(band: &BandSpeech, channel: &str, quantity: &str) -> f64 {
    match channel {
        "force" => figure(&band.force, quantity),
        _ => figure(&band.sound, quantity),
    }
}

/// Largest distance of each quantity, in dB: long-term levels and percentiles.
fn worst(bands: &[BandSpeech], device: &str, off_db: f64) -> [f64; 2] {
    let mut worst = [0.0; 2];
    let mut compared = 0;
    for row in rows::<Row>("speech_percentiles.csv") {
        if row.device != device && row.device != "any" {
            continue;
        }
        let Some(band) = bands.iter().find(|b| b.band.nominal_hz() == row.nominal_hz) else {
            panic!("no band {}", row.nominal_hz);
        };
        let distance = (ours(band, &row.channel, &row.quantity) + off_db - row.value_db).abs();
        let which = usize::from(row.quantity != "leq");
        worst[which] = f64::max(worst[which], distance);
        compared += 1;
    }
    assert_eq!(compared, 2 * 4 * bands.len());
    worst
}

#[test]
fn speech_through_a_known_gain_reads_as_computed() {
    for (name, device) in [
        ("flat", ""),
        (
            "resonant",
            "[device.transducer]\nresonance_hz = 800.0\nresonance_q = 2.0",
        ),
    ] {
        let bands = measured(device);
        let [leq, percentiles] = worst(&bands, name, 0.0);
        println!("{name}: long-term {leq:.3} dB, percentiles {percentiles:.3} dB");
        assert!(leq < 0.2, "{name}, long-term: {leq}");
        assert!(percentiles < 0.3, "{name}, percentiles: {percentiles}");
        // A sensitivity off by half a decibel is found.
        assert!(worst(&bands, name, 0.5)[0] > 0.2);
        if name == "flat" {
            for band in &bands {
                // Percentiles carry what the delay of 6 ms costs them.
                for (quantity, most_db) in [
                    ("leq", 0.1),
                    ("percentile_30", 1.2),
                    ("percentile_65", 1.2),
                    ("percentile_99", 0.4),
                ] {
                    let off_db = (figure(&band.gain, quantity) - 30.0).abs();
                    assert!(
                        off_db < most_db,
                        "{quantity}, {}: {off_db}",
                        band.band.nominal_hz()
                    );
                }
            }
        }
    }
}
