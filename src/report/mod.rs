//! The record, told: JSON and CSV for programs, terminal and HTML for people.
//!
//! Every renderer is a pure function from a [`Record`]
//! to text; only [`write()`] touches a file. The two for people share one
//! [`Document`], which decides what is said; they decide how it looks.

mod comparison;
mod csv;
mod document;
mod ears;
mod groups;
mod html;
mod inspection;
mod json;
mod number;
#[cfg(feature = "pdf")]
mod pdf;
#[cfg(feature = "png")]
mod png;
mod reproduction;
mod schema;
mod section;
mod terminal;
#[cfg(test)]
mod tests;
mod write;
#[cfg(feature = "xlsx")]
mod xlsx;

pub use self::comparison::{comparison_csv, comparison_json, comparison_terminal};
pub use self::csv::csv;
#[cfg(feature = "pdf")]
pub use self::pdf::{Paper, pdf};
#[cfg(feature = "png")]
pub use self::png::png;
#[cfg(feature = "xlsx")]
pub use self::xlsx::xlsx;
use crate::comparison::Comparison;
use crate::pipeline::Record;
pub use document::{
    BandCurves, Block, Called, Cell, Circle, Curves, Document, Doubt, Fact, Figure, Line, Lines,
    Point, Polar, Section, Series, SeriesRole, Span, Table, Verdict,
};
pub use groups::{figures_csv, figures_dictionary, groups_csv, groups_json, groups_terminal};
pub use html::{Picture, html, pictures};
pub use inspection::{inspection_csv, inspection_json, inspection_terminal};
pub use json::json;
pub use reproduction::{reproduction_csv, reproduction_json, reproduction_terminal};
pub use schema::schema;
pub use terminal::{budget, terminal};
pub use write::write;

/// What is told to people: a record, what changed where an earlier one is at hand, and
/// the record of the other ear where both are told together.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    /// The record.
    pub record: &'a Record,
    /// What changed since the earlier record.
    pub changes: Option<&'a Comparison>,
    /// The other ear of the person, the right one.
    pub other_ear: Option<&'a Told<'a>>,
}

impl<'a> From<&'a Record> for Told<'a> {
    fn from(record: &'a Record) -> Self {
        Self {
            record,
            changes: None,
            other_ear: None,
        }
    }
}
