//! Signals and tables that the reference checks share.

use std::path::{Path, PathBuf};

use micronewton::Calibrated;
use micronewton::levels::{Bands, Interval, Needs, Scope, reduce};
use micronewton::quantity::{Band, BandRange};

/// 25 Hz to 20 kHz.
pub fn all_bands() -> BandRange {
    BandRange::new(Band::named(25.0).unwrap(), Band::named(20_000.0).unwrap()).unwrap()
}

/// Third-octave levels of frames in N and Pa.
pub fn bands(rate_hz: u32, frames: Vec<[f64; 2]>, range: BandRange, interval: Interval) -> Bands {
    let needs = Needs {
        bands: true,
        ..Needs::NONE
    };
    let signal = Calibrated::from_signal(rate_hz, frames);
    let levels = reduce(
        signal,
        needs,
        Scope {
            range,
            interval,
            ..Scope::default()
        },
        &mut |_| {},
    )
    .unwrap();
    levels.bands.unwrap()
}

/// A sine of r.m.s. 1 at `frequency_hz`, by complex rotation (exact to 1e-12).
pub fn tone(rate_hz: u32, frequency_hz: f64, frames: usize) -> impl Iterator<Item = f64> {
    let step = 2.0 * std::f64::consts::PI * frequency_hz / f64::from(rate_hz);
    (0..frames).map(move |n| f64::sqrt(2.0) * (step * n as f64).sin())
}

/// SplitMix64, as fixtures/reference/signals.py defines it: uniform numbers in
/// [−0.5, 0.5).
pub struct SplitMix(pub u64);

impl SplitMix {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 * 2f64.powi(-53) - 0.5
    }
}

/// White noise of the r.m.s. value `rms`.
pub fn white(seed: u64, frames: usize, rms: f64) -> Vec<f64> {
    let mut generator = SplitMix(seed);
    (0..frames)
        .map(|_| generator.uniform() * 12f64.sqrt() * rms)
        .collect()
}

/// Poles and gains of the pink filter of fixtures/reference/signals.py.
pub const PINK: [(f64, f64); 3] = [
    (0.99765, 0.0990460),
    (0.96300, 0.2965164),
    (0.57000, 1.0526913),
];
/// Its direct path.
pub const PINK_DIRECT: f64 = 0.1848;

/// Pink noise: white noise of r.m.s. `rms` through three one-pole low-passes.
pub fn pink(seed: u64, frames: usize, rms: f64) -> Vec<f64> {
    let mut states = [0.0; 3];
    white(seed, frames, rms)
        .into_iter()
        .map(|w| {
            for (state, (pole, gain)) in states.iter_mut().zip(PINK) {
                *state = pole * *state + w * gain;
            }
            states.iter().sum::<f64>() + PINK_DIRECT * w
        })
        .collect()
}

/// Sampling rate and samples of the demo's dry speech, full scale 1.
pub fn speech() -> (u32, Vec<f64>) {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-audio/speech.wav");
    let mut reader = hound::WavReader::open(path).unwrap();
    let rate_hz = reader.spec().sample_rate;
    let samples = reader
        .samples::<i16>()
        .map(|s| f64::from(s.unwrap()) / 32768.0);
    (rate_hz, samples.collect())
}

/// A file under fixtures/reference.
pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/reference")
        .join(name)
}

/// The rows of a table with `#` comments.
pub fn rows<T: serde::de::DeserializeOwned>(name: &str) -> Vec<T> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(fixture(name))
        .unwrap();
    reader.deserialize().collect::<Result<_, _>>().unwrap()
}

/// 10 lg x.
pub fn db(power: f64) -> f64 {
    10.0 * power.log10()
}
