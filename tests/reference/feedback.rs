//! What feedback detection borrows from ECMA-418-1: the width of the critical
//! band, 25 + 75 (1 + 1.4 f²)^0.69 Hz. Figures as a public general acoustics
//! library tables them from the 2024 edition; the standard was not opened.

use micronewton::levels::frame::critical_bandwidth_hz;

#[test]
fn critical_bands_are_as_wide_as_ecma_418_1_says() {
    let table = [
        (100.0, 100.72),
        (250.0, 104.47),
        (500.0, 117.26),
        (1000.0, 162.22),
        (2000.0, 300.77),
        (4000.0, 685.42),
        (8000.0, 1705.66),
    ];
    for (frequency_hz, width_hz) in table {
        assert!(
            (critical_bandwidth_hz(frequency_hz) - width_hz).abs() < 0.01,
            "{frequency_hz} Hz"
        );
    }
    // A third octave, often put in its place, is another width.
    assert!((0.230_768 * 1000.0 - critical_bandwidth_hz(1000.0)).abs() > 50.0);
}
