//! The loop against its formula, A / (1 − A F), evaluated here from scratch.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

use crate::{physical, samples};

const RATE_HZ: f64 = 48_000.0;

/// Level of a tone at the end of the capture, in dB re the tone's pressure.
fn gain_db(feedback: &str, hz: f64) -> f64 {
    let capture = format!(
        "duration_s = 1.0\nlevel_db_spl = 70.0\nstimulus = {{ kind = \"tone\", frequency_hz = {hz} }}"
    );
    let all = samples(&physical(feedback, &capture), 4096);
    let (mut force, mut sound) = (Complex64::default(), Complex64::default());
    // The last half second holds whole periods: every frequency is a multiple
    // of 2 Hz.
    for (n, [newtons, pascals]) in all.iter().enumerate().skip(24_000) {
        let turn = Complex64::from_polar(1.0, -TAU * hz / RATE_HZ * n as f64);
        force += turn * newtons;
        sound += turn * pascals;
    }
    20.0 * (force.norm() / sound.norm()).log10()
}

/// A device of 30 dB (1 µN per 20 µPa) and 6 ms.
fn device(hz: f64) -> Complex64 {
    Complex64::from_polar(0.05 * 10f64.powf(1.5), -TAU * hz * 0.006)
}

fn close(feedback: &str, hz: f64, path: Complex64) {
    let a = device(hz);
    let expected = 20.0 * (a / (1.0 - a * path)).norm().log10();
    let found = gain_db(feedback, hz);
    println!("{hz} Hz: {found:.4} dB, formula {expected:.4} dB");
    assert!(
        (found - expected).abs() < 0.05,
        "{hz} Hz: {found} dB for {expected} dB"
    );
}

#[test]
fn a_delayed_path_ripples_as_the_formula_says() {
    // 0.5 ms and −36.02 dB (20 µPa per 1 µN) make L = 0.5 at 6.5 ms: 6 dB up and
    // 3.5 dB down, 154 Hz apart.
    let feedback = "[feedback.acoustic]\ndelay_s = 0.0005\ngain_db = -36.0206";
    for hz in [308.0, 384.0, 1000.0, 2000.0, 2462.0, 3154.0, 5000.0, 8000.0] {
        let path = Complex64::from_polar(20.0 * 10f64.powf(-36.0206 / 20.0), -TAU * hz * 0.0005);
        close(feedback, hz, path);
    }
}

/// One resonance by the bilinear transform, 1 / (1 + jQ (t/t₀ − t₀/t)) with
/// t = tan(πf / rate).
fn resonance(hz: f64, at_hz: f64, q: f64) -> Complex64 {
    let (t, t0) = ((PI * hz / RATE_HZ).tan(), (PI * at_hz / RATE_HZ).tan());
    1.0 / Complex64::new(1.0, q * (t / t0 - t0 / t))
}

#[test]
fn a_resonant_cable_closes_the_loop_as_the_formula_says() {
    let feedback = "[feedback.cable]\ndelay_s = 0.0005\n\
                    resonance = [{ frequency_hz = 2900.0, q = 8.0, gain_db = -33.0 }]";
    let free = gain_db(feedback, 2900.0);
    assert!(
        (free - 20.0 * device(2900.0).norm().log10()).abs() < 0.1,
        "{free}"
    );
    let tense = |feedback: &str, hz: f64| {
        let capture = format!(
            "duration_s = 1.0\nlevel_db_spl = 70.0\ncable = \"tense\"\n\
             stimulus = {{ kind = \"tone\", frequency_hz = {hz} }}"
        );
        samples(&physical(feedback, &capture), 4096)
    };
    for hz in [2000.0, 2616.0, 2770.0, 2850.0, 2924.0, 3078.0, 4000.0] {
        let path = Complex64::from_polar(20.0 * 10f64.powf(-33.0 / 20.0), -TAU * hz * 0.0005)
            * resonance(hz, 2900.0, 8.0);
        let a = device(hz);
        let expected = 20.0 * (a / (1.0 - a * path)).norm().log10();
        let mut sums = [Complex64::default(); 2];
        for (n, frame) in tense(feedback, hz).iter().enumerate().skip(24_000) {
            let turn = Complex64::from_polar(1.0, -TAU * hz / RATE_HZ * n as f64);
            sums[0] += turn * frame[0];
            sums[1] += turn * frame[1];
        }
        let found = 20.0 * (sums[0].norm() / sums[1].norm()).log10();
        println!("{hz} Hz: {found:.4} dB, formula {expected:.4} dB");
        assert!(
            (found - expected).abs() < 0.05,
            "{hz} Hz: {found} dB for {expected} dB"
        );
    }
}

#[test]
fn the_formula_with_another_path_does_not_fit() {
    let feedback = "[feedback.acoustic]\ndelay_s = 0.0005\ngain_db = -36.0206";
    let found = gain_db(feedback, 308.0);
    let a = device(308.0);
    let path = Complex64::from_polar(20.0 * 10f64.powf(-37.0 / 20.0), -TAU * 308.0 * 0.0005);
    let other = 20.0 * (a / (1.0 - a * path)).norm().log10();
    assert!((found - other).abs() > 0.05);
}

#[test]
fn a_path_that_is_off_leaves_the_open_loop() {
    let capture = "duration_s = 0.5\nlevel_db_spl = 70.0\nstimulus = { kind = \"white\" }";
    let open = samples(&physical("", capture), 4096);
    let off = samples(
        &physical("[feedback.acoustic]\ngain_db = -200.0", capture),
        4096,
    );
    for (a, b) in open.iter().zip(&off) {
        // A part in 10^7 is the step of the 32-bit samples.
        assert!((a[0] - b[0]).abs() <= 2e-7 * a[0].abs() + 1e-9);
        assert_eq!(a[1], b[1]);
    }
}

#[test]
fn an_unstable_loop_grows_by_its_excess_per_round() {
    // L = 1 dB at 6.5 ms: 153.8 dB/s.
    let feedback = "[feedback.cable]\ndelay_s = 0.0005\ngain_db = -30.0\nmargin_db = -1.0";
    let capture = "duration_s = 1.0\nlevel_db_spl = -30.0\ncable = \"tense\"\n\
                   stop_s = 0.2\nstimulus = { kind = \"white\" }";
    let all = samples(&physical(feedback, capture), 4096);
    let level = |from: usize| {
        let sum: f64 = all[from..from + 312].iter().map(|f| f[0] * f[0]).sum();
        10.0 * sum.log10()
    };
    let growth = level(24_000 + 312 * 30) - level(24_000);
    println!("{growth:.4} dB in 30 rounds");
    assert!((growth - 30.0).abs() < 0.1, "{growth} dB in 30 rounds");
}
