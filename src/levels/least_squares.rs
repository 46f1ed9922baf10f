//! Normal matrices of least-squares fits.

/// Inverse of the normal matrix of `rows`, by Gauss and Jordan; rows and columns from
/// `used` on are those of the unit matrix. None where the rows do not determine it.
pub(super) fn inverse<const N: usize>(rows: &[[f64; N]], used: usize) -> Option<[[f64; N]; N]> {
    let mut left = [[0.0; N]; N];
    for row in rows {
        for (i, line) in left.iter_mut().enumerate() {
            for (value, other) in line.iter_mut().zip(row) {
                *value += row[i] * other;
            }
        }
    }
    for (i, line) in left.iter_mut().enumerate().skip(used) {
        line[i] = 1.0;
    }
    let mut right = [[0.0; N]; N];
    for (i, line) in right.iter_mut().enumerate() {
        line[i] = 1.0;
    }
    for column in 0..N {
        let larger = |a: &usize, b: &usize| {
            let size = |row: usize| f64::abs(left[row][column]);
            size(*a).total_cmp(&size(*b))
        };
        let pivot = (column..N).max_by(larger)?;
        left.swap(column, pivot);
        right.swap(column, pivot);
        let scale = left[column][column];
        if scale.abs() < 1e-12 {
            return None;
        }
        for side in [&mut left, &mut right] {
            side[column] = side[column].map(|v| v / scale);
        }
        let (pivot_left, pivot_right) = (left[column], right[column]);
        for row in (0..N).filter(|row| *row != column) {
            let factor = left[row][column];
            for k in 0..N {
                left[row][k] -= factor * pivot_left[k];
                right[row][k] -= factor * pivot_right[k];
            }
        }
    }
    Some(right)
}
