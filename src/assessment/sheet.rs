//! A CSV of the user: named columns, `#` comments.

use serde::de::DeserializeOwned;

use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// The rows of `text`; `columns` are named where one is not understood.
///
/// # Errors
/// [`Problem::Document`] with the line.
pub(super) fn rows<T: DeserializeOwned>(text: &str, columns: &str) -> Result<Vec<T>> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let read = |row: csv::Result<T>| {
        row.map_err(|error| {
            let line = error.position().map_or(1, |p| p.line() as usize);
            let what = match error.kind() {
                csv::ErrorKind::Deserialize { err, .. } => err.to_string(),
                _ => error.to_string(),
            };
            let cause = format!("{what}; the columns are {columns} with a point as decimal sign");
            Diagnostic::from(Problem::Document { cause }).at_line(line)
        })
    };
    reader.deserialize().map(read).collect()
}
