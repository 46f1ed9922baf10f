//! What is played: noises, tones, and speech, synthetic or real.

use std::f64::consts::{PI, TAU};
use std::path::Path;
use std::sync::OnceLock;

use crate::cases::{Draw, Played, RATE_HZ};

/// Names a folder with WAV files of real speech (docs/feedback.md).
const FOLDER: &str = "MICRONEWTON_SPEECH";
const SPEECH: &[u8] = include_bytes!("../../demo-audio/speech.wav");

/// The demo's synthetic speech, or what the recordings of the named folder hold.
pub fn speech() -> &'static [f64] {
    static READ: OnceLock<Vec<f64>> = OnceLock::new();
    READ.get_or_init(|| match std::env::var_os(FOLDER) {
        None => mono(hound::WavReader::new(SPEECH).unwrap()),
        Some(folder) => recorded(Path::new(&folder)),
    })
}

/// The speech that is played to a device: of real speech each hears another part.
pub fn spoken(device: u64) -> Vec<f64> {
    let mut speech = speech().to_vec();
    if std::env::var_os(FOLDER).is_some() {
        let from = device as usize * 7919 % speech.len();
        speech.rotate_left(from);
    }
    speech
}

/// The same as a file.
#[allow(dead_code, reason = "for devices that compress")]
pub fn write_speech(path: &Path, device: u64) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(path, spec).unwrap();
    for sample in spoken(device) {
        file.write_sample(sample as f32).unwrap();
    }
    file.finalize().unwrap();
}

/// The WAV files of a folder in the order of their names, one after another.
fn recorded(folder: &Path) -> Vec<f64> {
    let listed = std::fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    let mut paths: Vec<_> = listed.map(|entry| entry.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|e| e == "wav"));
    paths.sort();
    assert!(!paths.is_empty(), "no WAV files in {}", folder.display());
    let read = |path| mono(hound::WavReader::open(path).unwrap());
    paths.into_iter().flat_map(read).collect()
}

/// 16 bit, one channel, at the rate of the captures.
fn mono<R: std::io::Read>(mut reader: hound::WavReader<R>) -> Vec<f64> {
    let spec = reader.spec();
    assert_eq!((spec.channels, spec.bits_per_sample), (1, 16));
    let samples: Vec<f64> = reader
        .samples::<i16>()
        .map(|sample| f64::from(sample.unwrap()) / 32_768.0)
        .collect();
    resampled(&samples, f64::from(RATE_HZ) / f64::from(spec.sample_rate))
}

/// More samples by `ratio`, interpolated by a sinc of 24 zeros to either side under a
/// Hann window.
fn resampled(samples: &[f64], ratio: f64) -> Vec<f64> {
    assert!(ratio >= 1.0, "speech at {RATE_HZ} Hz or less");
    if ratio == 1.0 {
        return samples.to_vec();
    }
    let weight = |x: f64| match x {
        0.0 => 1.0,
        x if x.abs() < 24.0 => (PI * x).sin() / (PI * x) * (0.5 + 0.5 * (PI * x / 24.0).cos()),
        _ => 0.0,
    };
    (0..(samples.len() as f64 * ratio) as usize)
        .map(|n| {
            let at = n as f64 / ratio;
            let from = (at as usize).saturating_sub(24);
            let near = samples.iter().enumerate().skip(from).take(49);
            near.map(|(k, sample)| sample * weight(at - k as f64)).sum()
        })
        .collect()
}

/// What a loudspeaker makes of it: pascals, 65 dB SPL over the whole (a tone 70 dB SPL).
#[allow(dead_code, reason = "for loops apart from the simulated bench")]
pub fn sound(played: Played, count: usize, seed: u64) -> Vec<f64> {
    let mut draw = Draw::new(seed + 90_000);
    let rate = f64::from(RATE_HZ);
    let pole = (-TAU * 500.0 / rate).exp();
    let (mut poles, mut smooth) = ([0.0; 3], 0.0);
    let mut noise = || {
        let white = draw.unit() - 0.5;
        // Three one-pole sections make pink of white, within 1 dB (own fit).
        let mut sum = 0.2 * white;
        for (state, (pole, gain)) in
            poles
                .iter_mut()
                .zip([(0.9977, 0.09), (0.963, 0.297), (0.57, 1.05)])
        {
            *state = pole * *state + gain * white;
            sum += *state;
        }
        sum
    };
    let from = (Draw::new(seed + 91_000).unit() * speech().len() as f64) as usize;
    let mut sound: Vec<f64> = (0..count)
        .map(|n| match played {
            Played::Silence => 0.0,
            Played::Tone | Played::Sweep => (TAU * 1330.0 * n as f64 / rate).sin(),
            Played::Pink => noise(),
            Played::SpeechNoise => {
                smooth = pole * smooth + (1.0 - pole) * noise();
                smooth
            }
            Played::Speech => speech()[(from + n) % speech().len()],
        })
        .collect();
    let power = sound.iter().map(|x| x * x).sum::<f64>() / count as f64;
    let wanted_db = if played == Played::Tone { 70.0 } else { 65.0 };
    let factor = 20e-6 * 10f64.powf(wanted_db / 20.0) / power.sqrt().max(f64::MIN_POSITIVE);
    if power > 0.0 {
        sound.iter_mut().for_each(|x| *x *= factor);
    }
    sound
}
