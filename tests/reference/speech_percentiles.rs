//! Speech through a device of known gain, rendered by the simulated bench,
//! against the same device computed with SciPy
//! (fixtures/reference/speech_percentiles.csv, made by speech_percentiles.py).

use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario};
use micronewton::levels::{Interval, Scope, reduce};
use micronewton::measurement::speech_percentiles::{BandSpeech, Outcome as Measured, Speech};
use micronewton::measurement::{Captures, Kind, Options, Outcome};
use micronewton::quantity::{Quantity, Reading};

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
fn measured(delay_s: f64, device: &str) -> Measured {
    let text = format!(
        "schema = 1\nrate_hz = 24000\n[force]\nsensitivity_v_per_n = 1.0\n\
         [microphone]\nsensitivity_v_per_pa = 1.0\n\
         [device]\nprocessing_delay_s = {delay_s:?}\ngain_db = [[1000.0, 30.0]]\n{device}\n\
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
        Outcome::SpeechPercentiles(outcome) => outcome,
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

fn reading<'a, Q: Quantity>(speech: &'a Speech<Q>, quantity: &str) -> &'a Reading<Q> {
    match quantity {
        "leq" => &speech.leq,
        "percentile_30" => &speech.percentile_30,
        "percentile_65" => &speech.percentile_65,
        _ => &speech.percentile_99,
    }
}

/// What the filter read, even where most of that is a neighbouring band's.
fn figure<Q: Quantity>(speech: &Speech<Q>, quantity: &str) -> f64 {
    match reading(speech, quantity) {
        Reading::Measured(level, _) | Reading::AtMost(level, _) => level.value(),
        _ => panic!("{quantity}: no level"),
    }
}

fn ours(band: &BandSpeech, channel: &str, quantity: &str) -> f64 {
    match channel {
        "force" => figure(&band.force, quantity),
        _ => figure(&band.sound, quantity),
    }
}

const QUANTITIES: [&str; 4] = ["leq", "percentile_30", "percentile_65", "percentile_99"];

/// Largest distance of the levels, in dB: long-term levels and percentiles.
fn worst(table: &[Row], bands: &[BandSpeech], device: &str, off_db: f64) -> [f64; 2] {
    let mut worst = [0.0; 2];
    let mut compared = 0;
    for row in table {
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

/// The gain of the table: force minus sound.
fn gain_of(table: &[Row], device: &str, nominal_hz: f64, quantity: &str) -> f64 {
    let of = |device: &str| {
        let mut rows = table.iter();
        let same = |row: &&Row| {
            row.device == device && row.nominal_hz == nominal_hz && row.quantity == quantity
        };
        rows.find(same).unwrap().value_db
    };
    of(device) - of("any")
}

/// Largest distance of the gains from what `expected` says of frequency and
/// quantity, in dB. There is one wherever both levels are more than bounds, and that is
/// nearly everywhere.
fn worst_gain(bands: &[BandSpeech], expected: impl Fn(f64, &str) -> f64) -> f64 {
    let mut worst = 0.0;
    let mut compared = 0;
    for band in bands {
        for quantity in QUANTITIES {
            let levels = [
                reading(&band.force, quantity).figure().map(|l| l.value()),
                reading(&band.sound, quantity).figure().map(|l| l.value()),
            ];
            let gain = reading(&band.gain, quantity).figure();
            assert_eq!(gain.is_some(), levels.iter().all(Option::is_some));
            let Some(gain) = gain else { continue };
            let off = gain.value() - expected(band.band.nominal_hz(), quantity);
            worst = f64::max(worst, off.abs());
            compared += 1;
        }
    }
    let all = QUANTITIES.len() * bands.len();
    println!("{compared} of {all} gains");
    assert!(10 * compared >= 9 * all, "{compared} of {all}");
    worst
}

#[test]
fn speech_through_a_known_gain_reads_as_computed() {
    let table: Vec<Row> = rows("speech_percentiles.csv");
    for (name, device) in [
        ("flat", ""),
        (
            "resonant",
            "[device.transducer]\nresonance_hz = 800.0\nresonance_q = 2.0",
        ),
    ] {
        let found = measured(0.006, device);
        let [leq, percentiles] = worst(&table, &found.bands, name, 0.0);
        let gain = worst_gain(&found.bands, |hz, quantity| {
            gain_of(&table, name, hz, quantity)
        });
        println!(
            "{name}: long-term {leq:.3} dB, percentiles {percentiles:.3} dB, gain {gain:.3} dB"
        );
        assert!(leq < 0.2, "{name}, long-term: {leq}");
        assert!(percentiles < 0.3, "{name}, percentiles: {percentiles}");
        // The same sound in both channels, but for the resonance: that makes another
        // sound of it, with percentiles of its own.
        let most_db = if name == "flat" { 0.1 } else { 0.3 };
        assert!(gain < most_db, "{name}, gain: {gain}");
        // A sensitivity off by half a decibel is found.
        assert!(worst(&table, &found.bands, name, 0.5)[0] > 0.2);
    }
}

/// The same sound in both channels, whatever the delay: its gain is that of the
/// device at every percentile and in every band.
#[test]
fn the_gain_of_a_percentile_is_that_of_the_device_at_any_delay() {
    for delay_s in [0.0035, 0.006, 0.012] {
        let found = measured(delay_s, "");
        let told_s = found.delay.figure().unwrap().0;
        assert!((told_s - delay_s).abs() < 1e-4, "{delay_s}: {told_s}");
        let off = worst_gain(&found.bands, |_, _| 30.0);
        println!("delay {delay_s} s, found {told_s:.6} s: gain {off:.3} dB");
        assert!(off < 0.1, "{delay_s}: {off}");
    }
}
