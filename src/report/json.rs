//! The record as JSON: the single truth, field by field as docs/formats.md says.

use serde::Serialize;

use crate::diagnostic::{Problem, Result};
use crate::pipeline::Record;

/// The record as JSON text.
///
/// # Errors
/// [`Problem::Internal`] if a part of it cannot be written.
pub fn json(record: &Record) -> Result<String> {
    pretty(record)
}

pub(super) fn pretty(record: &impl Serialize) -> Result<String> {
    let mut text = serde_json::to_string_pretty(record).map_err(|error| {
        let what = format!("the record cannot be written: {error}");
        Problem::Internal { what }
    })?;
    text.push('\n');
    Ok(text)
}
