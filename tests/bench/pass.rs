//! What one pass over a recording costs: reading alone, bands, lines, and all.
//! `cargo bench` prints the time for 10 s of two channels, 24 bits, 48 kHz.

use std::path::PathBuf;

use divan::Bencher;
use micronewton::capture::{Recording, Source};
use micronewton::levels::{Needs, Scope, reduce};
use micronewton::{Calibrated, Calibration};

const RATE_HZ: u32 = 48_000;
const SECONDS: u32 = 10;

fn main() {
    divan::main();
}

/// Noise in a temporary file, made once.
fn recording() -> PathBuf {
    let path = std::env::temp_dir().join("micronewton-bench-pass.wav");
    if !path.exists() {
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: RATE_HZ,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let mut state = 1u32;
        for _ in 0..2 * RATE_HZ * SECONDS {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            writer.write_sample(state as i32 >> 10).unwrap();
        }
        writer.finalize().unwrap();
    }
    path
}

fn open() -> Calibrated {
    let text = "schema = 1\n[recorder]\nfull_scale_v = 1.0\n\
        [force]\nchannel = 1\nsensitivity_v_per_n = 0.132\n\
        [microphone]\nchannel = 2\nsensitivity_v_per_pa = 0.0125\n";
    let calibration = Calibration::parse(text, &mut |_| unreachable!()).unwrap();
    let file = recording();
    let source = |channel| {
        Some(Source {
            file: file.clone(),
            channel,
        })
    };
    calibration.apply(Recording::open([source(1), source(2)]).unwrap())
}

fn pass(bencher: Bencher<'_, '_>, needs: Needs) {
    bencher
        .with_inputs(open)
        .bench_values(|signal| reduce(signal, needs, Scope::default(), &mut |_| {}).unwrap());
}

/// The decoder alone: the floor.
#[divan::bench]
fn decoder(bencher: Bencher<'_, '_>) {
    bencher.with_inputs(recording).bench_values(|path| {
        let mut reader = hound::WavReader::open(path).unwrap();
        reader
            .samples::<i32>()
            .map(|s| f64::from(s.unwrap()))
            .sum::<f64>()
    });
}

/// Reading, hashing and calibrating.
#[divan::bench]
fn reading(bencher: Bencher<'_, '_>) {
    pass(bencher, Needs::NONE);
}

/// … and third-octave levels.
#[divan::bench]
fn bands(bencher: Bencher<'_, '_>) {
    pass(
        bencher,
        Needs {
            bands: true,
            ..Needs::NONE
        },
    );
}

/// … and lines of the force spectrum instead.
#[divan::bench]
fn lines(bencher: Bencher<'_, '_>) {
    pass(
        bencher,
        Needs {
            lines: true,
            ..Needs::NONE
        },
    );
}

/// Everything.
#[divan::bench]
fn everything(bencher: Bencher<'_, '_>) {
    pass(
        bencher,
        Needs {
            bands: true,
            aligned: false,
            lines: true,
            transfer: true,
            response: true,
            setup: true,
            tone: true,
            waveform: true,
        },
    );
}
