//! Reference threshold force levels of a vibrator pressed on skin.

use super::rows;

const TEXT: &str = include_str!("bone_vibrator.csv");

/// Frequency in Hz and force level in dB re 1 µN on the mastoid.
pub fn mastoid() -> Vec<(f64, f64)> {
    let point = |row: Vec<Option<f64>>| match row[..] {
        [Some(hz), Some(db)] => Some((hz, db)),
        _ => None,
    };
    rows(TEXT).filter_map(point).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_row_is_read() {
        assert_eq!(super::mastoid().len(), 10);
    }
}
