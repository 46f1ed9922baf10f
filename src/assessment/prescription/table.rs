//! Targets from the prescription that the clinic uses.

use serde::Deserialize;

use super::super::person::AgeGroup;
use super::super::sheet;
use super::Source;
use crate::diagnostic::{Diagnostic, Result};
use crate::quantity::{Band, ForceLevel, Reading};

/// How far a table's speech level may lie from the presented one, in dB.
const SAME_LEVEL_DB: f64 = 2.5;

/// One target of a table.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    nominal_hz: f64,
    speech_level_db_spl: f64,
    /// Whom it is for.
    pub age_group: AgeGroup,
    target_db: f64,
}

impl Source {
    /// Reads a table `nominal_hz,speech_level_db_spl,age_group,target_db`.
    ///
    /// # Errors
    /// The line and column that cannot be read; a band that does not exist.
    pub fn table(text: &str) -> Result<Self> {
        let columns = "nominal_hz,speech_level_db_spl,age_group,target_db";
        let rows: Vec<Row> = sheet::rows(text, columns)?;
        for row in &rows {
            Band::named(row.nominal_hz)?;
            if !(0.0..=160.0).contains(&row.target_db) {
                let expected = "a force level of 0 to 160 dB re 1 µN";
                return Err(Diagnostic::value("target_db", row.target_db, expected));
            }
        }
        Ok(Self::Table(rows))
    }
}

/// The target of `rows` in `band` for speech presented at `level_db_spl`.
pub fn target(rows: &[Row], band: Band, level_db_spl: Option<f64>) -> Reading<ForceLevel> {
    let Some(presented) = level_db_spl else {
        return Reading::not_measured("the presented level is neither stated nor measured");
    };
    let distance = |row: &&Row| (row.speech_level_db_spl - presented).abs();
    let of_band = rows
        .iter()
        .filter(|row| row.nominal_hz == band.nominal_hz());
    match of_band.min_by(|a, b| distance(a).total_cmp(&distance(b))) {
        None => Reading::not_measured("the table has no target for this band"),
        Some(row) if distance(&row) > SAME_LEVEL_DB => Reading::not_measured(format!(
            "the table has no target for speech at {presented:.0} dB SPL"
        )),
        // A target is what it is: it has no uncertainty.
        Some(row) => Reading::measured(ForceLevel::from_db(row.target_db), Default::default()),
    }
}
