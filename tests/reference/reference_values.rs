//! Levels of known forces and pressures.

use micronewton::levels::Interval;
use micronewton::quantity::{BandRange, ForceLevel, PressureLevel};

use crate::signals::{PINK, PINK_DIRECT, bands, db, pink, tone, white};

#[test]
fn one_newton_is_120_db_and_one_pascal_93_98_db() {
    // Definitions: 20 lg(1 N / 1 µN) = 120; 20 lg(1 Pa / 20 µPa) = 93.979
    // (ISO 1683 gives both references; from memory).
    assert!((ForceLevel::from_mean_square(1.0).unwrap().db() - 120.0).abs() < 1e-9);
    assert!((PressureLevel::from_mean_square(1.0).unwrap().db() - 93.979_4).abs() < 1e-4);
}

#[test]
fn a_tone_of_one_newton_reads_120_db_in_its_band() {
    let signal = tone(48_000, 1000.0, 96_000).map(|x| [x, x]).collect();
    let result = bands(48_000, signal, BandRange::default(), Interval::default());
    let column = result
        .bands
        .iter()
        .position(|b| b.nominal_hz() == 1000.0)
        .unwrap();
    let force = ForceLevel::from_mean_square(result.mean_square[(0, column)]).unwrap();
    let pressure = PressureLevel::from_mean_square(result.mean_square[(1, column)]).unwrap();
    assert!((force.db() - 120.0).abs() < 0.01, "{}", force.db());
    assert!((pressure.db() - 93.979).abs() < 0.01, "{}", pressure.db());
}

/// Power spectral density gain of the pink filter at `frequency_hz`: the
/// squared magnitude of direct path plus one-pole low-passes.
fn pink_gain(frequency_hz: f64, rate_hz: f64) -> f64 {
    let w = 2.0 * std::f64::consts::PI * frequency_hz / rate_hz;
    let (mut re, mut im) = (PINK_DIRECT, 0.0);
    for (pole, gain) in PINK {
        // gain / (1 − pole·e^(−jw))
        let (a, b) = (1.0 - pole * w.cos(), pole * w.sin());
        re += gain * a / (a * a + b * b);
        im -= gain * b / (a * a + b * b);
    }
    re * re + im * im
}

#[test]
fn noise_of_known_band_level_reads_within_three_standard_deviations() {
    // Standard deviation of a band level of noise: 4.343 / √(B·T) dB (Bendat and
    // Piersol, variance of a mean-square estimate, as transcribed by a public
    // acoustics library). Truth: the density of the noise times the ideal band.
    let (rate_hz, seconds, rms) = (48_000, 60, 0.02);
    let frames = rate_hz as usize * seconds;
    let (white, pink) = (white(11, frames, rms), pink(12, frames, rms));
    let signal = white.into_iter().zip(pink).map(|(w, p)| [w, p]).collect();
    let result = bands(rate_hz, signal, BandRange::default(), Interval::default());
    let density = rms * rms / (f64::from(rate_hz) / 2.0);
    let mut largest = 0.0f64;
    for (column, band) in result.bands.iter().enumerate() {
        let points = 2000;
        let step = band.width_hz() / f64::from(points);
        let gain: f64 = (0..points)
            .map(|i| {
                pink_gain(
                    band.lower_hz() + (f64::from(i) + 0.5) * step,
                    f64::from(rate_hz),
                ) * step
            })
            .sum();
        let deviation = 4.343 / (band.width_hz() * result.duration_s()).sqrt();
        for (channel, truth) in [(0, density * band.width_hz()), (1, density * gain)] {
            let error = db(result.mean_square[(channel, column)] / truth);
            largest = largest.max(error.abs() / deviation);
            assert!(
                error.abs() < 3.0 * deviation,
                "{} Hz: {error:.3} dB, standard deviation {deviation:.3} dB",
                band.label()
            );
        }
    }
    println!("largest error: {largest:.2} standard deviations");
}
