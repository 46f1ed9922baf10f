//! Time weightings F and S against IEC 61672-1:2013, Table 4 (4 kHz toneburst
//! responses) and the decay after switch-off; from two agreeing public
//! transcriptions, the standard itself was not opened.

use micronewton::levels::weighting::{Weighted, Weighting};

use crate::signals::{db, rows, tone};

#[derive(serde::Deserialize)]
#[allow(non_snake_case)]
struct Burst {
    burst_ms: f64,
    F_ref_db: f64,
    F_class1_plus: f64,
    F_class1_minus: f64,
    S_ref_db: Option<f64>,
    S_class1_plus: Option<f64>,
    S_class1_minus: Option<f64>,
}

const RATE_HZ: u32 = 48_000;

/// Largest time-weighted level of a burst relative to the steady tone, fed in
/// ticks of 96 samples as the bank feeds it.
fn response_db(weighting: Weighting, burst_ms: f64) -> f64 {
    let burst = (burst_ms / 1000.0 * f64::from(RATE_HZ)).round() as usize;
    let squares: Vec<f64> = tone(RATE_HZ, 4000.0, burst)
        .chain(std::iter::repeat_n(0.0, 4800))
        .map(|x| x * x)
        .collect();
    let mut weighted = Weighted::new();
    let keep = weighting.keep(96.0 / f64::from(RATE_HZ));
    for tick in squares.chunks(96) {
        weighted.push(tick.iter().sum::<f64>() / 96.0, keep);
        weighted.watch(true);
    }
    db(weighted.max)
}

#[test]
fn tonebursts_read_within_class_1() {
    for burst in rows::<Burst>("iec61672_toneburst.csv") {
        let fast = response_db(Weighting::Fast, burst.burst_ms) - burst.F_ref_db;
        assert!(
            (burst.F_class1_minus..=burst.F_class1_plus).contains(&fast),
            "{} ms, F: {fast:.2} dB",
            burst.burst_ms
        );
        // Far inside the limits, in truth: the reference is rounded to 0.1 dB.
        assert!(fast.abs() < 0.1, "{} ms, F: {fast:.3} dB", burst.burst_ms);
        if let (Some(reference), Some(plus), Some(minus)) =
            (burst.S_ref_db, burst.S_class1_plus, burst.S_class1_minus)
        {
            let slow = response_db(Weighting::Slow, burst.burst_ms) - reference;
            assert!(
                (minus..=plus).contains(&slow),
                "{} ms, S: {slow:.2} dB",
                burst.burst_ms
            );
        }
    }
}

#[test]
fn the_wrong_time_constant_is_refused() {
    let bursts = rows::<Burst>("iec61672_toneburst.csv");
    let burst = bursts.iter().find(|b| b.burst_ms == 200.0).unwrap();
    let slow = response_db(Weighting::Slow, 200.0) - burst.F_ref_db;
    assert!(!(burst.F_class1_minus..=burst.F_class1_plus).contains(&slow));
}

#[test]
fn after_switching_off_f_falls_34_7_and_s_4_3_db_a_second() {
    // IEC 61672-1:2013, 5.8: 34.7 dB/s (+3.8, −3.7) and 4.3 dB/s (+0.8, −0.7).
    for (weighting, expected, slack) in [(Weighting::Fast, 34.7, 0.1), (Weighting::Slow, 4.3, 0.1)]
    {
        let mut weighted = Weighted::new();
        weighted.push(1.0, 0.0);
        let keep = weighting.keep(0.001);
        for _ in 0..1000 {
            weighted.push(0.0, keep);
            weighted.watch(true);
        }
        assert!(
            (-db(weighted.min) - expected).abs() < slack,
            "{}",
            db(weighted.min)
        );
    }
}
