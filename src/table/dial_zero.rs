//! The force at 0 dB on the dial of a percutaneous device's own hearing test.

use super::rows;

const TEXT: &str = include_str!("dial_zero.csv");

/// Where the figures come from.
pub const SOURCE: &str =
    "published analysis of two clinical studies, data doi 10.5281/zenodo.5573872";

/// Largest difference of the two types, in dB: what the wrong type would cost.
pub const SPREAD_DB: f64 = 3.3;

/// A type of percutaneous device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeviceType {
    /// The first.
    One,
    /// The second.
    Two,
}

/// Frequency in Hz and force level in dB re 1 µN at 0 dB on the dial.
pub fn dial_zero(device: DeviceType) -> Vec<(f64, f64)> {
    let column = 1 + device as usize;
    let point = |row: Vec<Option<f64>>| Some(((*row.first()?)?, (*row.get(column)?)?));
    rows(TEXT).filter_map(point).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_types_differ_by_no_more_than_is_said() {
        let (one, two) = (dial_zero(DeviceType::One), dial_zero(DeviceType::Two));
        assert_eq!((one.len(), two.len()), (9, 7));
        let largest = two.iter().map(|(hz, db)| {
            let same = one.iter().find(|(other, _)| other == hz).unwrap();
            (same.1 - db).abs()
        });
        let largest = largest.fold(0.0, f64::max);
        assert!((largest - SPREAD_DB).abs() < 1e-9, "{largest}");
    }
}
