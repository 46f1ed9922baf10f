//! OFL90 within 0.1 dB of the bench's truth.

use crate::{bench, measured, row, sweep};

const TONES: &str = "200, 251.19, 316.23, 398.11, 501.19, 630.96, 794.33, 1000, 1258.9, 1584.9, \
                     1995.3, 2511.9, 3162.3, 3981.1, 5011.9, 6309.6";

fn errors(rate_hz: u32, bits: u16, step_s: f64) {
    let device = "[device.limiter]\nceiling_db = 112.0\n[device.compression]\nratio = [1.3]\n";
    let capture = sweep("sweep", "output_force_level", TONES, step_s, 90.0);
    let (_, rows) = measured(&format!("{}{device}{capture}", bench(rate_hz, bits, 60.0)));
    for quantity in ["force", "maximum", "high_frequency_average"] {
        let row = row(&rows, &format!("output_force_level {quantity}"));
        eprintln!(
            "{rate_hz} Hz, {bits} bit: {quantity} {} of {} within {:.3} dB",
            row.compared,
            row.compared + row.missing,
            row.max
        );
        assert_eq!(row.missing, 0, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.max <= 0.1, "{rate_hz} Hz, {bits} bit: {row:?}");
        assert!(row.covered_percent.is_none_or(|c| c >= 95.0), "{row:?}");
    }
}

#[test]
fn the_curve_stands_within_a_tenth_of_a_decibel_at_every_rate_and_depth() {
    for rate_hz in [16_000, 44_100, 96_000] {
        for bits in [16, 24] {
            errors(rate_hz, bits, 0.5);
        }
    }
    errors(48_000, 24, 1.0);
}
