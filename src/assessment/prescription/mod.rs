//! What force levels are aimed at: nothing, a [`table`] from the prescription
//! that the clinic uses, or a [starting point](starting_point) of our own.

pub mod starting_point;
pub mod table;

use schemars::JsonSchema;
use serde::Serialize;

use super::hearing::Hearing;
use super::person::{AgeGroup, Person};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{ForceLevel, LevelDifference, Reading};
use table::Row;

/// Largest binaural correction that is plausible, in dB.
const LARGEST_CORRECTION_DB: f64 = 10.0;

/// Where targets come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// Nowhere: nothing is aimed at.
    None,
    /// A table of the user.
    Table(Vec<Row>),
    /// A rule of our own.
    StartingPoint,
}

/// Targets of one person.
#[derive(Debug, Clone, PartialEq)]
pub struct Prescription {
    source: Source,
    correction_db: f64,
    /// What was assumed, to be printed beside the targets.
    pub assumptions: Vec<String>,
}

/// Where a session's targets come from, as the record tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "PrescriptionKind")]
pub enum Kind {
    /// Nowhere.
    None,
    /// A table of the user.
    Table,
    /// A rule of our own.
    StartingPoint,
}

impl Prescription {
    /// The targets of `person` out of `source`.
    ///
    /// # Errors
    /// A table for the other age group or without the person's being stated; a
    /// binaural correction for a child, or one that makes no sense.
    pub fn of(person: &Person, source: Source) -> Result<Self> {
        let correction_db = person.binaural_correction_db.unwrap_or(0.0);
        let key = "person.binaural_correction_db";
        if !(0.0..=LARGEST_CORRECTION_DB).contains(&correction_db) {
            return Err(Diagnostic::value(key, correction_db, "0 to 10 dB"));
        }
        if correction_db > 0.0 && person.age_group != Some(AgeGroup::Adult) {
            let expected = "no correction unless `person.age_group` is adult: a child’s targets are not lowered for a second device, for a child needs the whole level to learn speech (common practice, from memory)";
            return Err(Diagnostic::value(key, correction_db, expected));
        }
        if let Source::Table(rows) = &source {
            let Some(group) = person.age_group else {
                let key = "person.age_group".into();
                return Err(Problem::MissingKey { key }.into());
            };
            if !rows.iter().any(|row| row.age_group == group) {
                let cause = format!(
                    "no target for the age group of this person ({}): targets of the other group must not stand in for them",
                    group.name()
                );
                return Err(Problem::Document { cause }.into());
            }
        }
        let mut assumptions = Vec::new();
        let source = match (source, person.age_group) {
            (Source::Table(mut rows), Some(group)) => {
                rows.retain(|row| row.age_group == group);
                assumptions.push("targets from the table of the session".into());
                Source::Table(rows)
            }
            (Source::StartingPoint, _) => {
                assumptions.push(starting_point::TOLD.into());
                Source::StartingPoint
            }
            (source, _) => source,
        };
        if correction_db > 0.0 {
            assumptions.push(format!(
                "targets are {correction_db} dB lower because both sides are aided (binaural correction, stated in the session)"
            ));
        }
        Ok(Self {
            source,
            correction_db,
            assumptions,
        })
    }

    /// Where the targets come from.
    pub fn kind(&self) -> Kind {
        match self.source {
            Source::None => Kind::None,
            Source::Table(_) => Kind::Table,
            Source::StartingPoint => Kind::StartingPoint,
        }
    }

    /// The long-term force level aimed at in the band of `speech`, presented at
    /// `level_db_spl`.
    pub fn target(
        &self,
        speech: &BandSpeech,
        level_db_spl: Option<f64>,
        hearing: &Hearing,
    ) -> Reading<ForceLevel> {
        let target = match &self.source {
            Source::None => Reading::not_measured("no targets are given"),
            Source::Table(rows) => table::target(rows, speech.band, level_db_spl),
            Source::StartingPoint => starting_point::target(speech, hearing),
        };
        match target {
            Reading::Measured(level, u) => {
                let corrected = level + LevelDifference::from_db(-self.correction_db);
                Reading::measured(corrected, u)
            }
            other => other,
        }
    }
}

#[cfg(test)]
mod tests;
