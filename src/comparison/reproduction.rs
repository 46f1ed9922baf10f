//! A record computed again from its files, figure by figure.
//!
//! *Question.* Do the files of a record still give the figures that stand in it?
//!
//! *Method.* The files are found and held against the SHA-256 of the record; options and
//! criteria are those of the record, not the defaults of today. A figure is *the same*
//! where status, value and expanded uncertainty agree to [`ROUNDING`].
//!
//! *Limits.* Words, verdicts and findings are not held against each other: figures only.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

use super::recorded::{Figure, Recorded};
use crate::diagnostic::{At, Problem, Result, Severity};
use crate::pipeline::{Again, Progress, Record, Text, Tool, run};
use crate::quantity::Observation;

/// How far two figures may lie apart, in their unit, and be the same: processors round
/// the last bits differently, and no report prints so many digits.
pub const ROUNDING: f64 = 1e-6;

/// A record and the same record made again. Serialises as docs/formats.md says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reproduction {
    /// Version of this layout.
    pub schema: u32,
    /// The program that computed again.
    pub tool: Tool,
    /// Version of the program that made the record.
    pub recorded_by: String,
    /// Every figure of the record, and those that only this version computes.
    pub figures: Vec<Reproduced>,
}

/// One figure, recorded and recomputed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reproduced {
    /// The measurement or assessment.
    pub entry: String,
    /// The captures behind it.
    pub capture: String,
    /// Path of the figure in the entry.
    pub quantity: String,
    /// Nominal midband frequency in Hz, where it belongs to a band.
    pub nominal_hz: Option<f64>,
    /// Unit of the figures.
    pub unit: String,
    /// The figure of the record.
    pub recorded: Option<f64>,
    /// The figure of now.
    pub recomputed: Option<f64>,
    /// The figure of now minus that of the record.
    pub difference: Option<f64>,
    /// What follows.
    pub state: State,
    /// What differs beside the figure, or why there is none.
    pub reason: Option<String>,
}

/// Whether a figure comes out again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// It does.
    Same,
    /// Another one does.
    Changed,
    /// None does.
    NotRecomputable,
    /// The record does not have it.
    New,
}

impl State {
    /// The name in records and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::Changed => "changed",
            Self::NotRecomputable => "not_recomputable",
            Self::New => "new",
        }
    }
}

impl Reproduction {
    /// How many figures end as `state`.
    pub fn count(&self, state: State) -> usize {
        self.figures.iter().filter(|f| f.state == state).count()
    }
}

/// Computes the record at `path` again; its files are looked for from here, beside the
/// record and, first of all, in `folder`.
///
/// # Errors
/// No record; [`Problem::NoRecipe`]; [`Problem::OtherFiles`]; those of [`run`].
pub fn reproduce(
    path: &Path,
    folder: Option<&Path>,
    progress: &mut dyn FnMut(Progress<'_>),
) -> Result<Reproduction> {
    let (recorded, record) = both(path, folder, progress)?;
    let recomputed = Recorded::made(&record)?;
    Ok(Reproduction {
        schema: 1,
        tool: Tool::THIS,
        recorded_by: recorded.version.clone(),
        figures: compared(&recorded.figures, &recomputed.figures, &errors(&record)),
    })
}

/// The record at `path`, computed again; as for [`reproduce`].
///
/// # Errors
/// As for [`reproduce`].
pub fn again(
    path: &Path,
    folder: Option<&Path>,
    progress: &mut dyn FnMut(Progress<'_>),
) -> Result<Record> {
    Ok(both(path, folder, progress)?.1)
}

/// The record at `path`, and the same computed again.
fn both(
    path: &Path,
    folder: Option<&Path>,
    progress: &mut dyn FnMut(Progress<'_>),
) -> Result<(Recorded, Record)> {
    let text = Text::read(path)?.text;
    let recorded = Recorded::parse(&text).in_file(path)?;
    let again: Again = serde_json::from_str(&text)
        .map_err(|error| {
            let what = error.to_string();
            Problem::NoRecipe { what }.into()
        })
        .in_file(path)?;
    let beside = path.parent().unwrap_or(Path::new(""));
    let folders: Vec<&Path> = folder.into_iter().chain([Path::new(""), beside]).collect();
    let plan = again.plan(&folders)?;
    Ok((recorded, run(&plan, progress)?))
}

/// What could not be done, by capture.
fn errors(record: &Record) -> Vec<(String, String)> {
    let failed = record
        .findings
        .iter()
        .filter(|finding| finding.severity() == Severity::Error);
    failed
        .map(|finding| {
            let capture = finding.place().capture.clone().unwrap_or_default();
            (capture, finding.problem().to_string())
        })
        .collect()
}

fn compared(
    recorded: &[Figure],
    recomputed: &[Figure],
    errors: &[(String, String)],
) -> Vec<Reproduced> {
    let mut now: BTreeMap<_, _> = recomputed.iter().map(|f| (f.key(), f)).collect();
    let mut rows: Vec<Reproduced> = recorded
        .iter()
        .map(|figure| match now.remove(&figure.key()) {
            Some(other) => judged(figure, &other.observation),
            None => {
                let of_capture = |error: &&(String, String)| figure.captures.contains(&error.0);
                let why = errors.iter().find(of_capture).map(|(_, why)| why.as_str());
                let why = why.unwrap_or("this version finds nothing there");
                row(figure, State::NotRecomputable, Some(why.to_owned()))
            }
        })
        .collect();
    let new = recomputed.iter().filter(|f| now.contains_key(&f.key()));
    rows.extend(new.map(|figure| Reproduced {
        recorded: None,
        recomputed: figure.observation.value,
        ..row(figure, State::New, None)
    }));
    rows
}

fn judged(recorded: &Figure, now: &Observation) -> Reproduced {
    let then = &recorded.observation;
    let difference = then.value.zip(now.value).map(|(then, now)| now - then);
    let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= ROUNDING,
        (a, b) => a == b,
    };
    let (state, reason) = if then.status != now.status {
        let reason = format!("recorded as {}, now {}", then.status, now.status);
        (State::Changed, Some(reason.replace('_', " ")))
    } else if (&then.unit, &then.reference) != (&now.unit, &now.reference) {
        let reason = format!("now in {}", now.unit);
        (State::Changed, Some(reason))
    } else if !near(then.value, now.value) {
        (State::Changed, None)
    } else if !near(then.expanded_uncertainty, now.expanded_uncertainty) {
        let told = |u: Option<f64>| u.map_or("not stated".to_owned(), |u| format!("{u:.3}"));
        let [then, now] = [then.expanded_uncertainty, now.expanded_uncertainty].map(told);
        let reason = format!("its expanded uncertainty was {then}, now {now}");
        (State::Changed, Some(reason))
    } else {
        (State::Same, None)
    };
    Reproduced {
        recomputed: now.value,
        difference,
        ..row(recorded, state, reason)
    }
}

fn row(figure: &Figure, state: State, reason: Option<String>) -> Reproduced {
    let observation = &figure.observation;
    Reproduced {
        entry: figure.entry.clone(),
        capture: figure.capture.clone(),
        quantity: observation.quantity.clone(),
        nominal_hz: observation.nominal_hz,
        unit: observation.unit.clone(),
        recorded: observation.value,
        recomputed: None,
        difference: None,
        state,
        reason,
    }
}
