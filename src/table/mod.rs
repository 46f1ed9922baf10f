//! Figures out of documents: one CSV each, with its source in the head, and one
//! typed accessor each.

pub mod bone_vibrator;
pub mod calibrator;
pub mod dial_zero;
pub mod speech_intelligibility;

/// The rows of a table: comments begin with `#`, the first line names the
/// columns, a cell that is no number is `None`.
fn rows(text: &str) -> impl Iterator<Item = Vec<Option<f64>>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|cell| cell.trim().parse().ok())
                .collect()
        })
}
