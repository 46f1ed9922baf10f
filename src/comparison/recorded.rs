//! A record read back, as far as it is compared.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::Serialize;
use serde_json::Value;

use super::items::{align, item};
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::pipeline::{Record, Text};
use crate::quantity::{Observation, observations};

/// Parts that captures play on an equal footing.
const PARTS: [&str; 13] = [
    "after",
    "angle_0",
    "back",
    "before",
    "equivalent_input_noise",
    "front",
    "noise_reduction_off",
    "noise_reduction_on",
    "room_noise",
    "speech_minus_noise",
    "speech_minus_noise_on",
    "speech_plus_noise",
    "speech_plus_noise_on",
];

/// What a record says of the appointment; `None` where it does not.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Visit {
    /// Date, as written.
    pub date: Option<String>,
    /// Code of the device.
    pub device: Option<String>,
    /// Side on which it is worn.
    pub side: Option<String>,
    /// Code of the person.
    pub person: Option<String>,
}

/// A record of an earlier run.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// Version of the program that made it.
    pub version: String,
    /// When it was made, of what and of whom.
    pub visit: Visit,
    /// The calibration applied.
    pub calibration: Value,
    /// Options and criteria in force.
    pub options: [Value; 2],
    /// Roles of the captures by name.
    pub roles: BTreeMap<String, String>,
    /// Every figure.
    pub figures: Vec<Figure>,
}

impl Visit {
    fn of(session: &Value) -> Self {
        let word = |value: &Value| value.as_str().map(str::to_owned);
        Self {
            date: word(&session["date"]),
            device: word(&session["device"]["code"]),
            side: word(&session["device"]["side"]),
            person: word(&session["person"]["code"]),
        }
    }
}

/// What one figure is called.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Name {
    /// The measurement or assessment.
    pub entry: String,
    /// The captures behind it, as the first record names them.
    pub capture: String,
    /// Path of the figure in the entry.
    pub quantity: String,
    /// Nominal midband frequency in Hz, where it belongs to a band.
    pub nominal_hz: Option<f64>,
    /// Unit of the figure, of its deviations and of its differences.
    pub unit: String,
    /// Reference of a level; deviations and differences have none.
    pub reference: Option<String>,
}

impl Name {
    /// What tells it from every other figure.
    pub(super) fn key(&self) -> (String, String, String, Option<u64>, String, Option<String>) {
        (
            self.entry.clone(),
            self.capture.clone(),
            self.quantity.clone(),
            self.nominal_hz.map(f64::to_bits),
            self.unit.clone(),
            self.reference.clone(),
        )
    }

    /// What the bands of one quantity share.
    pub(crate) fn family(&self) -> [String; 3] {
        [&self.entry, &self.capture, &self.quantity].map(String::clone)
    }
}

/// One figure and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The measurement or assessment.
    pub entry: String,
    /// Names of the captures behind it.
    pub capture: String,
    /// The set-up checks that are not passed and on which it relies.
    pub doubts: BTreeSet<String>,
    /// The figure.
    pub observation: Observation,
    /// Frequency in Hz of the item of a list that it belongs to, an oscillation for
    /// instance.
    pub item_hz: Option<f64>,
    pub(super) captures: Vec<String>,
}

impl Figure {
    /// What it is called, with its unit.
    pub(super) fn name(&self) -> Name {
        let o = &self.observation;
        Name {
            entry: self.entry.clone(),
            capture: self.capture.clone(),
            quantity: o.quantity.clone(),
            nominal_hz: o.nominal_hz,
            unit: o.unit.clone(),
            reference: o.reference.clone(),
        }
    }

    /// What tells it from every other figure of a record.
    pub(super) fn key(&self) -> (&str, &str, &str, Option<u64>) {
        let o = &self.observation;
        let band = o.nominal_hz.map(f64::to_bits);
        (&self.entry, &self.capture, &o.quantity, band)
    }
}

impl Recorded {
    /// Reads a record from a file.
    ///
    /// # Errors
    /// Those of [`Text::read`] and [`Recorded::parse`], with the file's name.
    pub fn read(path: &Path) -> Result<Self> {
        Self::parse(&Text::read(path)?.text).in_file(path)
    }

    /// Reads a record as `--format json` prints it.
    ///
    /// # Errors
    /// No JSON; no record; a version of the layout that is not known.
    pub fn parse(text: &str) -> Result<Self> {
        let record: Value = serde_json::from_str(text).map_err(|error| {
            let line = error.line();
            let cause = format!("this is not JSON: {error}");
            Diagnostic::from(Problem::Document { cause }).at_line(line)
        })?;
        Self::of(&record)
    }

    /// What `--format json` would print of a record.
    ///
    /// # Errors
    /// [`Problem::Internal`] if it cannot be written.
    pub fn made(record: &Record) -> Result<Self> {
        let value = serde_json::to_value(record).map_err(|error| {
            let what = format!("the record cannot be written: {error}");
            Problem::Internal { what }
        })?;
        Self::of(&value)
    }

    /// The same of what was read, or of what would be printed.
    fn of(record: &Value) -> Result<Self> {
        let missing = |key: &str| Diagnostic::from(Problem::NotARecord { key: key.into() });
        let schema = record.get("schema").ok_or_else(|| missing("schema"))?;
        if schema != 1 {
            return Err(Diagnostic::value("schema", schema, "1"));
        }
        let list = |key: &str| match record.get(key) {
            Some(Value::Array(items)) => Ok(items.as_slice()),
            _ => Err(missing(key)),
        };
        let part = |key: &str| record.get(key).cloned().unwrap_or_default();
        let roles = list("captures")?.iter().filter_map(|capture| {
            let word = |key: &str| Some(capture.get(key)?.as_str()?.to_owned());
            Some((word("name")?, word("role")?))
        });
        let assessments = list("assessments").unwrap_or_default();
        let entries = list("entries")?.iter().chain(assessments);
        Ok(Self {
            version: record["tool"]["version"]
                .as_str()
                .unwrap_or("unknown")
                .to_owned(),
            visit: Visit::of(&record["session"]),
            calibration: record
                .get("calibration")
                .cloned()
                .ok_or_else(|| missing("calibration"))?,
            options: [part("options"), part("criteria")],
            roles: roles.collect(),
            figures: entries.flat_map(figures).collect(),
        })
    }

    /// The figures with captures and oscillations called as `other` calls them: a capture
    /// whose name it does not have takes that of the only such capture of the same role,
    /// an oscillation the number of the one at its frequency.
    pub(super) fn named_as_in(&self, other: &Self) -> Vec<Figure> {
        let strangers = |own: &Self, other: &Self, role: &str| -> Vec<String> {
            let of = own
                .roles
                .iter()
                .filter(|(name, r)| *r == role && !other.roles.contains_key(*name));
            of.map(|(name, _)| name.clone()).collect()
        };
        let mut names = BTreeMap::new();
        for role in self.roles.values() {
            if let ([own], [its]) = (
                strangers(self, other, role).as_slice(),
                strangers(other, self, role).as_slice(),
            ) {
                names.insert(own.clone(), its.clone());
            }
        }
        let mut figures = self.figures.clone();
        for figure in &mut figures {
            let called = figure
                .captures
                .iter()
                .map(|name| names.get(name).unwrap_or(name).as_str());
            figure.capture = called.collect::<Vec<_>>().join(" ");
        }
        align(&other.figures, &mut figures);
        figures
    }
}

/// The figures of an entry or an assessment.
fn figures(outcome: &Value) -> Vec<Figure> {
    let entry = outcome
        .get("entry")
        .and_then(Value::as_str)
        .unwrap_or_default();
    let names = |value: &Value| -> Vec<String> {
        value
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .map(str::to_owned)
            .collect()
    };
    let captures: Vec<String> = match (outcome.get("capture"), outcome.get("captures")) {
        (Some(Value::String(name)), _) => vec![name.clone()],
        (_, Some(several)) => names(several),
        // Parts on an equal footing, in the alphabetical order of their names.
        _ => {
            let name = |part: &&str| Some(outcome.get(*part)?.as_str()?.to_owned());
            PARTS.iter().filter_map(name).collect()
        }
    };
    let doubts = outcome.get("doubts").and_then(Value::as_array);
    let doubts: BTreeSet<String> = doubts
        .into_iter()
        .flatten()
        .filter_map(|doubt| Some(doubt.get("check")?.as_str()?.to_owned()))
        .collect();
    let all = observations(outcome);
    let frequencies: BTreeMap<String, f64> = all
        .iter()
        .filter_map(|o| {
            Some((
                o.quantity.strip_suffix(".frequency_hz")?.to_owned(),
                o.value?,
            ))
        })
        .collect();
    let figure = |observation: Observation| Figure {
        entry: entry.to_owned(),
        capture: captures.join(" "),
        doubts: doubts.clone(),
        item_hz: item(&observation.quantity).and_then(|item| frequencies.get(item).copied()),
        observation,
        captures: captures.clone(),
    };
    all.into_iter().map(figure).collect()
}
