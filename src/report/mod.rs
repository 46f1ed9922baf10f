//! The record, told: JSON and CSV for programs, terminal and HTML for people.
//!
//! Every renderer is a pure function from a [`Record`](crate::pipeline::Record)
//! to text; only [`write()`] touches a file.

mod csv;
mod json;
mod write;

pub use self::csv::csv;
pub use json::json;
pub use write::write;

/// Placeholder until the renderers are merged.
pub fn terminal(record: &crate::pipeline::Record, _width: usize) -> String {
    json(record).unwrap_or_default()
}
/// Placeholder until the renderers are merged.
pub fn html(record: &crate::pipeline::Record) -> crate::diagnostic::Result<String> {
    json(record)
}
