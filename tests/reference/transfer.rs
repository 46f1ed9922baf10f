//! Cross-spectrum, coherence and their random errors: against `scipy.signal`
//! (fixtures/reference/transfer.csv, SciPy 1.17.1) and against the formulas of
//! Bendat and Piersol, Random Data, 4th ed., Table 9.6 (from memory), by simulation.

use micronewton::Calibrated;
use micronewton::levels::{Needs, Scope, Transfer, reduce};

use crate::signals::{rows, white};

#[derive(serde::Deserialize)]
struct Row {
    bin: usize,
    frequency_hz: f64,
    h1_db: f64,
    phase_deg: f64,
    coherence: f64,
}

fn response(rate_hz: u32, frames: Vec<[f64; 2]>) -> Transfer {
    let needs = Needs {
        response: true,
        ..Needs::NONE
    };
    let signal = Calibrated::from_signal(rate_hz, frames);
    let levels = reduce(signal, needs, Scope::default(), &mut |_| {}).unwrap();
    levels.response.unwrap()
}

/// The pair of transfer.py: half the sound `late` frames later, and low noise.
fn pair(late: usize) -> Vec<[f64; 2]> {
    let frames = 20 * 48_000;
    let sound = white(3, frames, 1.0 / 12f64.sqrt());
    let mut noise = 0.0;
    let own = white(4, frames, 1.0 / 12f64.sqrt());
    (0..frames)
        .map(|n| {
            noise = 0.9 * noise + own[n];
            let heard = n.checked_sub(late).map_or(0.0, |at| 0.5 * sound[at]);
            [heard + 0.05 * noise, sound[n]]
        })
        .collect()
}

/// Largest difference to SciPy: dB, degrees, coherence.
fn apart(transfer: &Transfer) -> [f64; 3] {
    let mut worst = [0.0f64; 3];
    for row in rows::<Row>("transfer.csv") {
        assert!((row.bin as f64 * transfer.resolution_hz() - row.frequency_hz).abs() < 1e-5);
        let gain = transfer.gain(row.bin).unwrap();
        let coherence = transfer.bins()[row.bin].coherence();
        let found = [
            20.0 * gain.norm().log10() - row.h1_db,
            gain.arg().to_degrees() - row.phase_deg,
            coherence - row.coherence,
        ];
        for (worst, found) in worst.iter_mut().zip(found) {
            *worst = worst.max(found.abs());
        }
    }
    worst
}

#[test]
fn gain_phase_and_coherence_are_those_of_scipy() {
    let transfer = response(48_000, pair(7));
    assert_eq!(transfer.bulk_delay_s, Some(7.0 / 48_000.0));
    let [db, degrees, coherence] = apart(&transfer);
    println!("against SciPy: {db:.1e} dB, {degrees:.1e} degrees, coherence {coherence:.1e}");
    // Nine decimals are written down.
    assert!(db < 1e-8 && degrees < 1e-7 && coherence < 1e-8);
}

#[test]
fn another_signal_is_not_that_of_scipy() {
    let [db, degrees, _] = apart(&response(48_000, pair(8)));
    assert!(db > 1e-4 && degrees > 1e-3, "{db} {degrees}");
}

/// Sound and force at 16 kHz of the squared coherence `coherence`.
fn coherent(coherence: f64) -> Transfer {
    let frames = 30 * 16_000;
    let (sound, own) = (white(31, frames, 1.0), white(32, frames, 1.0));
    let noise = (1.0 / coherence - 1.0).sqrt();
    let late = |n: usize| n.checked_sub(96).map_or(0.0, |at| sound[at]);
    let frames = (0..frames).map(|n| [late(n) + noise * own[n], sound[n]]);
    response(16_000, frames.collect())
}

/// Root mean square over the bins of what `of` gives of each.
fn rms(of: impl Fn(usize) -> f64) -> f64 {
    let bins = 200..3900;
    let count = bins.len() as f64;
    (bins.map(|bin| of(bin).powi(2)).sum::<f64>() / count).sqrt()
}

#[test]
fn random_errors_follow_bendat_and_piersol() {
    for squared in [0.3f64, 0.6, 0.9, 0.99] {
        let transfer = coherent(squared);
        let n = transfer.averages;
        // Standard deviation of |H|/|H| and of the phase: √(1 − γ²)/(|γ| √(2n)).
        let expected = ((1.0 - squared) / (2.0 * squared * n)).sqrt();
        let gain = rms(|bin| transfer.gain(bin).unwrap().norm() - 1.0);
        let phase = rms(|bin| transfer.gain(bin).unwrap().arg());
        // Of γ²: √2 (1 − γ²)|γ|/√n.
        let of_coherence = 2f64.sqrt() * (1.0 - squared) * squared.sqrt() / n.sqrt();
        let coherence = rms(|bin| transfer.bins()[bin].coherence() - squared);
        let ratios = [gain / expected, phase / expected, coherence / of_coherence];
        println!("γ² {squared}, n {n:.1}: {ratios:.3?} of the formulas");
        // 3700 bins, worth 1900: their r.m.s. is known to 1/√(2 · 1900) = 1.6 %; the
        // formulas leave out terms of the order 1/n, 1.2 %. Three times both.
        for ratio in ratios {
            assert!((ratio - 1.0).abs() < 0.09, "γ² {squared}: {ratios:?}");
        }
    }
}

#[test]
fn a_mean_over_bins_scatters_as_it_says() {
    // 80 stretches of 16 bins: their gains, re their own errors.
    let transfer = coherent(0.6);
    let step_hz = 16.0 * transfer.resolution_hz();
    let strays: Vec<f64> = (20..100)
        .map(|k| {
            let found = transfer.over(f64::from(k) * step_hz, f64::from(k + 1) * step_hz);
            let found = found.unwrap();
            (found.power_gain - 1.0) / found.random_error
        })
        .collect();
    let mean = strays.iter().sum::<f64>() / 80.0;
    let spread = (strays.iter().map(|s| s * s).sum::<f64>() / 80.0).sqrt();
    println!("strays: mean {mean:.2}, r.m.s. {spread:.2}");
    // 1/√80 and 1/√160, three times.
    assert!(mean.abs() < 0.34, "{mean}");
    assert!((spread - 1.0).abs() < 0.24, "{spread}");
}
