//! Planted faults are found where they were planted; clean signals have none.
//! Laws of our own: no outside source exists for these checks.

use std::f64::consts::TAU;

use super::*;

const RATE_HZ: u32 = 48_000;

/// Repeatable noise, uniform within ±1.
fn noise(seed: u32, count: usize) -> Vec<f64> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state as i32) / 2f64.powi(31)
    };
    (0..count).map(|_| next()).collect()
}

/// Noise below about a tenth of the sampling rate: four one-pole low-passes.
fn dull_noise(seed: u32, count: usize) -> Vec<f64> {
    let mut poles = [0.0; 4];
    let low_pass = |x: f64| {
        poles.iter_mut().fold(x, |x, pole| {
            *pole += 0.3 * (x - *pole);
            *pole
        })
    };
    noise(seed, count).into_iter().map(low_pass).collect()
}

fn tone(frequency_hz: f64, peak: f64, seconds: f64) -> Vec<f64> {
    let step = TAU * frequency_hz / f64::from(RATE_HZ);
    let count = (seconds * f64::from(RATE_HZ)) as usize;
    (0..count).map(|n| peak * (step * n as f64).sin()).collect()
}

fn quantised(signal: &[f64], bits: i32) -> Vec<f64> {
    let full = 2f64.powi(bits - 1);
    let code = |x: &f64| (x * full).round().clamp(-full, full - 1.0) / full;
    signal.iter().map(code).collect()
}

fn sum(signals: &[&[f64]]) -> Vec<f64> {
    let length = signals.iter().map(|s| s.len()).min().unwrap();
    (0..length)
        .map(|n| signals.iter().map(|s| s[n]).sum())
        .collect()
}

fn scaled(signal: &[f64], by: f64) -> Vec<f64> {
    signal.iter().map(|x| x * by).collect()
}

/// What is found in blocks of `block` samples.
fn found(signal: &[f64], block: usize) -> Integrity {
    let mut reduction = IntegrityReduction::new(RATE_HZ);
    for samples in signal.chunks(block) {
        reduction.push(samples).unwrap();
    }
    reduction.finish()
}

fn assert_clean(name: &str, signal: &[f64]) {
    for block in [8192, 1000] {
        let found = found(signal, block);
        for places in [
            &found.clipped,
            &found.dropouts,
            &found.splices,
            &found.repeats,
        ] {
            assert_eq!(places.count, 0, "{name}: {found:?}");
        }
    }
}

/// Every name with its signal, none with a fault; exact, and in 16 and 24 bits.
fn clean_signals() -> Vec<(String, Vec<f64>)> {
    let mut signals = vec![
        ("white noise".to_owned(), scaled(&noise(1, 96_000), 0.5)),
        ("dull noise".to_owned(), dull_noise(2, 96_000)),
        ("silence".to_owned(), vec![0.0; 96_000]),
        ("an offset".to_owned(), vec![0.125; 96_000]),
        // Four periods of one noise, as a looped stimulus has.
        ("looped noise".to_owned(), noise(3, 8192).repeat(4)),
        ("a short loop of noise".to_owned(), noise(4, 480).repeat(20)),
    ];
    // 1 kHz and 250 Hz fit into any block whole; 50 Hz into two of 480.
    for frequency_hz in [
        31.5, 50.0, 99.7, 100.0, 250.0, 440.0, 1000.0, 1001.0, 3150.0, 8000.0, 12_000.0, 17_321.0,
    ] {
        for peak in [0.9, 0.03, 1e-3] {
            let name = format!("{frequency_hz} Hz at {peak}");
            signals.push((name, tone(frequency_hz, peak, 2.0)));
        }
    }
    let two = sum(&[&tone(700.0, 0.3, 2.0), &tone(2900.0, 0.1, 2.0)]);
    signals.push(("two tones".into(), two));
    let sweep = (0..96_000).map(|n| {
        let t = f64::from(n) / 48_000.0;
        // Exponential from 50 Hz to 20 kHz in 2 s.
        let rate = 400f64.ln() / 2.0;
        0.5 * (TAU * 50.0 * ((rate * t).exp() - 1.0) / rate).sin()
    });
    signals.push(("sweep".into(), sweep.collect()));
    let steady = tone(1000.0, 0.5, 2.0);
    let with_noise = sum(&[&steady, &scaled(&noise(5, 96_000), 1e-4)]);
    signals.push(("tone in soft noise".into(), with_noise));
    // Bursts of 100 ms with ramps of 5 ms, silence of 100 ms between.
    let ramped = steady.iter().enumerate().map(|(n, x)| {
        let t = (n % 9600) as f64 / 240.0;
        let gate = t.min(20.0 - t).clamp(0.0, 1.0);
        x * (0.5 - 0.5 * (TAU / 2.0 * gate).cos())
    });
    signals.push(("ramped bursts".into(), ramped.collect()));
    // Two periods of 250 Hz, from zero to zero, in silence: 384 samples.
    let mut burst = vec![0.0; 96_000];
    burst[30_000..30_384].copy_from_slice(&tone(250.0, 0.5, 0.008));
    signals.push(("two periods in silence".into(), burst));
    // A voice's pulses: decaying resonances 100 times a second.
    let voiced = (0..96_000).map(|n| {
        let t = f64::from(n % 480) / 48_000.0;
        0.5 * (-t * 400.0).exp() * (TAU * 600.0 * t).sin()
    });
    signals.push(("pulses of a voice".into(), voiced.collect()));
    let exact = signals.clone();
    for bits in [16, 24] {
        let coarse = exact.iter().map(|(name, signal)| {
            let dithered = format!("{name} in {bits} bits");
            (dithered, quantised(signal, bits))
        });
        signals.extend(coarse);
    }
    signals
}

#[test]
fn clean_signals_have_no_faults() {
    let signals = clean_signals();
    assert!(signals.len() > 100);
    for (name, signal) in &signals {
        assert_clean(name, signal);
    }
}

#[test]
fn strength_is_that_of_arithmetic() {
    // A sine of whole periods: RMS peak / √2, crest factor 3.01 dB (definitions).
    let signal: Vec<f64> = tone(1000.0, 0.5, 1.0).iter().map(|x| x + 0.01).collect();
    let found = found(&signal, 8192);
    assert!((found.dc - 0.01).abs() < 1e-12);
    assert!((found.rms - (0.125f64 + 1e-4).sqrt()).abs() < 1e-12);
    assert!((found.peak - 0.51).abs() < 1e-12);
    let sine = self::found(&tone(1000.0, 0.5, 1.0), 999);
    assert!((sine.crest_factor_db().unwrap() - 10.0 * 2f64.log10()).abs() < 1e-9);
    assert_eq!(self::found(&[0.0; 100], 10).crest_factor_db(), None);
}

#[test]
fn bits_that_are_used_are_counted_whatever_they_are_stored_in() {
    let signal = scaled(&noise(1, 48_000), 0.7);
    for bits in [2, 8, 12, 16, 20, 24, 32] {
        let found = found(&quantised(&signal, bits), 8192);
        assert_eq!(found.effective_bits, Some(bits as u32));
    }
    let fine: Vec<f64> = signal.iter().map(|x| x / 3.0).collect();
    assert_eq!(found(&fine, 8192).effective_bits, None);
    assert_eq!(found(&[0.0; 9], 9).effective_bits, None);
}

#[test]
fn three_samples_at_full_scale_are_clipping_also_across_blocks() {
    for block in [1, 7, 8192] {
        let mut signal = quantised(&scaled(&noise(1, 48_000), 0.7), 16);
        let full = 1.0 - 0.5f64.powi(15);
        signal[100..102].fill(full);
        signal[20_000..20_003].fill(full);
        signal[30_000..30_010].fill(-1.0);
        let clipped = found(&signal, block).clipped;
        assert_eq!((clipped.count, clipped.samples), (2, 13));
        assert_eq!(clipped.starts_s, [20_000.0 / 48e3, 30_000.0 / 48e3]);
    }
}

#[test]
fn a_sample_that_is_no_number_is_refused_with_its_time() {
    for odd in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e200] {
        let mut signal = noise(1, 48_000);
        signal[24_000] = odd;
        let mut reduction = IntegrityReduction::new(RATE_HZ);
        let error = signal
            .chunks(8192)
            .try_for_each(|samples| reduction.push(samples))
            .unwrap_err();
        assert_eq!(error.place().time_s, Some(0.5));
    }
}

/// A tone, a voice-like and a noise-like signal, all in noise of a recorder.
fn ordinary_signals() -> Vec<Vec<f64>> {
    let floor = scaled(&noise(9, 96_000), 1e-4);
    let signals = [
        tone(1000.0, 0.3, 2.0),
        dull_noise(10, 96_000),
        scaled(&noise(11, 96_000), 0.3),
    ];
    signals
        .iter()
        .map(|signal| quantised(&sum(&[signal, &floor]), 24))
        .collect()
}

#[test]
fn zeros_in_the_midst_of_a_signal_are_drop_outs() {
    for signal in ordinary_signals() {
        for length in [48, 64, 500, 9000] {
            let mut broken = signal.clone();
            broken[30_007..30_007 + length].fill(0.0);
            for block in [8192, 30_010, 100] {
                let dropouts = found(&broken, block).dropouts;
                assert_eq!((dropouts.count, dropouts.samples), (1, length as u64));
                assert_eq!(dropouts.starts_s, [30_007.0 / 48e3]);
            }
        }
        let mut short = signal.clone();
        short[30_007..30_047].fill(0.0);
        assert_eq!(found(&short, 8192).dropouts.count, 0);
        // Before the signal and after it there may be nothing.
        let mut inside = signal.clone();
        inside[..5000].fill(0.0);
        inside[90_000..].fill(0.0);
        assert_eq!(found(&inside, 8192).dropouts.count, 0);
    }
}

#[test]
fn a_lost_block_is_a_splice_in_what_is_not_noise() {
    // Ten milliseconds and a quarter of a period, or as much of dull noise.
    let mut seen = 0;
    for signal in &ordinary_signals()[..2] {
        for at in (10_000..80_000).step_by(997) {
            let mut broken = signal.clone();
            broken.drain(at..at + 492);
            if (broken[at] - broken[at - 1]).abs() > 0.2 {
                let splices = found(&broken, 8192).splices;
                assert_eq!(splices.starts_s, [at as f64 / 48e3]);
                seen += 1;
            }
        }
    }
    assert!(seen > 50, "{seen}");
}

#[test]
fn a_block_delivered_twice_is_found() {
    let names = ["tone", "dull noise", "noise"];
    for (name, signal) in names.iter().zip(ordinary_signals()) {
        for length in [256, 441, 1024, 8192] {
            for at in [20_011, 24_576] {
                // In the place of what should have come, and before it.
                let mut instead = signal.clone();
                instead.copy_within(at..at + length, at + length);
                let mut inserted = signal.clone();
                inserted.splice(at..at, signal[at..at + length].iter().copied());
                for (how, broken) in [("instead", instead), ("inserted", inserted)] {
                    let repeats = found(&broken, 8192).repeats;
                    assert_eq!(repeats.count, 1, "{name}, {length} {how} at {at}");
                    let start_s = repeats.starts_s[0];
                    let expected_s = (at + length) as f64 / 48e3;
                    // By chance a sample more may agree.
                    assert!((start_s - expected_s).abs() < 2.5 / 48e3, "{start_s}");
                }
            }
        }
    }
}

#[test]
fn channels_that_are_the_same_are_named() {
    let (a, b) = (noise(1, 100), noise(2, 100));
    let mut late = a.clone();
    late[99] = 0.0;
    let mut sameness = Sameness::new(4);
    for block in [0..50, 50..100] {
        let channels = [&a, &b, &late, &a].map(|c| c[block.clone()].to_vec());
        sameness.push(&channels);
    }
    let same: Vec<_> = (0..4).map(|channel| sameness.of(channel)).collect();
    assert_eq!(same, [None, None, None, Some(0)]);
}
