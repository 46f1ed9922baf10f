//! What chance does to an equivalent level: noise against Bendat and Piersol
//! (fixtures/reference/band_level_std.csv), a tone, and speech.

use micronewton::levels::{Bands, Interval};
use micronewton::quantity::{Band, BandRange, Role};

use crate::signals::{bands, rows, tone, white};

#[derive(serde::Deserialize)]
struct Row {
    nominal_hz: f64,
    #[serde(rename = "std_T10s")]
    std_10s: f64,
}

/// Student's t for 95.45 % and the 14 degrees of freedom of 160 hops of 62.5 ms
/// with lags up to 1 s (JCGM 100:2008, Table G.2, between 10 and 15; from memory).
const STUDENT: f64 = 2.19;

/// The table is for ideal bands. What counts is the statistical bandwidth
/// (∫|H|²)²/∫|H|⁴ (Bendat and Piersol, from memory): for a Butterworth filter of order
/// 4 it is wider than the effective one by 1 / (1 − 1/8) (textbook integrals).
const NARROWER: f64 = 1.0 - 1.0 / 8.0;

/// Ten seconds of force, 100 Hz to 5 kHz.
fn ten_seconds(rate_hz: u32, signal: impl Iterator<Item = f64>) -> Bands {
    let range = BandRange::new(Band::named(100.0).unwrap(), Band::named(5000.0).unwrap());
    let interval = Interval {
        from_s: Some(1.0),
        to_s: Some(11.0),
    };
    let frames = signal.map(|x| [x, 0.0]).collect();
    bands(rate_hz, frames, range.unwrap(), interval)
}

/// Standard deviation in dB that the part for chance stands for, per band.
fn standard_db(bands: &Bands) -> Vec<f64> {
    let part = |column| bands.statistics_db(Role::Force, &[column]).unwrap();
    (0..bands.bands.len())
        .map(|column| part(column) / STUDENT)
        .collect()
}

#[test]
fn noise_varies_as_bendat_and_piersol_say() {
    let table: Vec<Row> = rows("band_level_std.csv");
    let runs: Vec<Vec<f64>> = (0..8)
        .map(|seed| standard_db(&ten_seconds(16_000, white(seed, 184_000, 1.0).into_iter())))
        .collect();
    let mut overall = 0.0;
    for (column, row) in table.iter().take(runs[0].len()).enumerate() {
        let square = runs.iter().map(|run| run[column].powi(2)).sum::<f64>() / runs.len() as f64;
        let ratio = square / (NARROWER * row.std_10s.powi(2));
        // A variance from 14 degrees of freedom scatters by √(2/14); eight of them
        // by 13 %; three times that.
        assert!(
            (ratio - 1.0).abs() < 0.4,
            "{} Hz: {ratio:.2}",
            row.nominal_hz
        );
        overall += ratio / runs[0].len() as f64;
    }
    // All 144 together scatter by 3.2 %.
    assert!((overall - 1.0).abs() < 0.1, "{overall:.3}");
}

#[test]
fn a_tone_does_not_vary_and_speech_varies_more_than_noise() {
    let steady = ten_seconds(16_000, tone(16_000, 1000.0, 184_000));
    let own = steady
        .bands
        .iter()
        .position(|b| b.nominal_hz() == 1000.0)
        .unwrap();
    assert!(standard_db(&steady)[own] < 0.01);

    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-audio/speech.wav");
    let mut reader = hound::WavReader::open(path).unwrap();
    let rate_hz = reader.spec().sample_rate;
    let samples = reader.samples::<i16>().map(|s| f64::from(s.unwrap()));
    let speech = ten_seconds(rate_hz, samples);
    let table: Vec<Row> = rows("band_level_std.csv");
    let found = standard_db(&speech);
    let more = found
        .iter()
        .zip(&table)
        .filter(|(s, row)| **s > 1.5 * row.std_10s);
    assert!(more.count() > 14, "{found:?}");
}
