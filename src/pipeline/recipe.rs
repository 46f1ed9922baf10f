//! What it takes to make a record again, beside the files, options and criteria
//! that it names.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::document::{hash, read_calibration};
use super::plan::{CapturePlan, Plan};
use super::record::CaptureRead;
use crate::assessment;
use crate::capture::InputFile;
use crate::diagnostic::{At, Problem, Result};
use crate::levels::{Interval, StatedTone};
use crate::measurement::{Kind, Options};
use crate::quantity::{Band, BandRange};

/// How a record was made.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Recipe {
    /// The session file; absent without one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session: Option<PathBuf>,
    /// The calibration file.
    pub calibration: PathBuf,
    /// Lowest band analysed, by its nominal frequency in Hz.
    pub lowest_hz: f64,
    /// Highest band analysed, by its nominal frequency in Hz.
    pub highest_hz: f64,
    /// What was measured on every capture that allows it; everything for a session.
    pub measurements: Vec<Kind>,
}

/// The parts of a record from which it is made again.
#[derive(Debug, Clone, Deserialize)]
pub struct Again {
    #[serde(default)]
    withheld: Vec<String>,
    recipe: Recipe,
    inputs: Vec<InputFile>,
    captures: Vec<CaptureRead>,
    options: Options,
    criteria: assessment::Options,
}

impl Again {
    /// The plan of the record, with the files that it names: looked for in
    /// `folders`, under their whole name and under the last part of it.
    ///
    /// # Errors
    /// Those of reading the documents; [`Problem::OtherFiles`] if a file is missing or
    /// is not the one that was read, by its SHA-256; [`Problem::NoRecipe`] for a record
    /// without the names of its files.
    pub fn plan(self, folders: &[&Path]) -> Result<Plan> {
        if !self.withheld.is_empty() {
            let what = "it was de-identified, and the names of its files are withheld".into();
            return Err(Problem::NoRecipe { what }.into());
        }
        let find = |file: &Path| {
            let base = file.file_name().unwrap_or(file.as_os_str());
            let names = [file.as_os_str(), base];
            let each = folders
                .iter()
                .flat_map(|folder| names.map(|n| folder.join(n)));
            each.into_iter()
                .find(|path| path.is_file())
                .unwrap_or_else(|| file.to_owned())
        };
        let mut plan = match &self.recipe.session {
            Some(session) => Plan::read(&find(session))?,
            None => self.without_session(&find)?,
        };
        self.same_files(&plan)?;
        self.options.check()?;
        self.criteria.check()?;
        plan.options = self.options;
        plan.criteria = self.criteria;
        Ok(plan)
    }

    fn without_session(&self, find: &dyn Fn(&Path) -> PathBuf) -> Result<Plan> {
        let (calibration, documents) = read_calibration(&find(&self.recipe.calibration))?;
        let captures = self.captures.iter().map(|read| {
            let mut sources = [read.force.clone(), read.microphone.clone()];
            for source in sources.iter_mut().flatten() {
                source.file = find(&source.file);
            }
            let tone = read.role.calibrated().and_then(|role| {
                Some(StatedTone {
                    role,
                    level_db: read.level_db?,
                    frequency_hz: read.frequency_hz?,
                })
            });
            CapturePlan {
                name: read.name.clone(),
                role: read.role,
                sources,
                interval: Interval {
                    from_s: read.from_s,
                    to_s: read.to_s,
                },
                level_db_spl: read.level_db_spl,
                tone,
                direction_deg: read.direction_deg,
                steps_s: read.steps_s.clone(),
                note: read.note.clone(),
            }
        });
        let captures = captures.collect();
        let kinds = &self.recipe.measurements;
        let mut plan = Plan::without_session(calibration, documents, captures, kinds);
        plan.range = BandRange::new(
            Band::named(self.recipe.lowest_hz).at_key("recipe.lowest_hz")?,
            Band::named(self.recipe.highest_hz).at_key("recipe.highest_hz")?,
        )?;
        Ok(plan)
    }

    /// Whether the files of `plan` are those of the record.
    fn same_files(&self, plan: &Plan) -> Result<()> {
        let mut wrong = Vec::new();
        for path in plan.files() {
            let base = path.file_name();
            let told = path.file_name().unwrap_or(path.as_os_str()).display();
            let mut recorded = self.inputs.iter().filter(|i| i.path.file_name() == base);
            let why = match hash(&path) {
                Err(_) => "is missing",
                Ok(found)
                    if recorded
                        .clone()
                        .any(|input| input.sha256.as_ref() == Some(&found)) =>
                {
                    continue;
                }
                Ok(_) if recorded.next().is_some() => "is not the file that was read",
                Ok(_) => "was not read for the record",
            };
            wrong.push(format!("{told} {why}"));
        }
        if wrong.is_empty() {
            return Ok(());
        }
        wrong.dedup();
        let what = wrong.join("; ");
        Err(Problem::OtherFiles { what }.into())
    }
}
