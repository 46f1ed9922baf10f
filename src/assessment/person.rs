//! What a session file says of the person who wears the device.
//!
//! Thresholds, uncomfortable levels and targets are read here and never written
//! back: of the person, a record carries the code and the age group.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, de};

use crate::diagnostic::{Diagnostic, Result};

/// Frequencies of an audiometer, in Hz.
const AUDIOMETRIC_HZ: [f64; 11] = [
    125.0, 250.0, 500.0, 750.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 6000.0, 8000.0,
];

/// The person: a code, never a name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// Pseudonymous code.
    pub code: String,
    /// Adult or child.
    pub age_group: Option<AgeGroup>,
    /// What the levels below are given in.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub hearing_in: HearingIn,
    /// The force at 0 dB on the dial: a type of device or a table of its own.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub dial_zero: Option<String>,
    /// Expanded uncertainty of that table, k = 2.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub dial_zero_uncertainty_db: Option<f64>,
    /// Thresholds by frequency in Hz.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub thresholds: BTreeMap<String, Answer>,
    /// Uncomfortable levels.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub uncomfortable: Option<Uncomfortable>,
    /// Expanded uncertainty of what a person answers, k = 2.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub expanded_uncertainty_db: Option<f64>,
    /// `none`, `starting_point` or a table of targets.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub targets: Option<String>,
    /// By how much targets are lowered because both sides are aided.
    #[serde(default, skip_serializing)]
    #[schemars(skip)]
    pub binaural_correction_db: Option<f64>,
}

/// Adult or child.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AgeGroup {
    /// Adult.
    Adult,
    /// Child.
    Child,
}

impl AgeGroup {
    /// The group as documents name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Adult => "adult",
            Self::Child => "child",
        }
    }
}

/// What hearing is expressed in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HearingIn {
    /// Dial level in dB HL of the hearing test that the device itself makes.
    #[default]
    Dial,
    /// Force level in dB re 1 µN.
    ForceLevel,
}

/// One answer of a person at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Answer {
    /// At this level.
    At(f64),
    /// Not up to this level, where the device ends.
    Above(f64),
    /// None at all, and how far the device reached is not known.
    NoResponse,
}

impl<'de> Deserialize<'de> for Answer {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        let value = toml::Value::deserialize(deserializer)?;
        let number = |value: &toml::Value| {
            let whole = value.as_integer().map(|n| n as f64);
            value.as_float().or(whole).filter(|db| db.is_finite())
        };
        let above = || {
            let table = value.as_table().filter(|table| table.len() == 1)?;
            number(table.get("above")?)
        };
        if let Some(db) = number(&value) {
            return Ok(Self::At(db));
        }
        if let Some(db) = above() {
            return Ok(Self::Above(db));
        }
        match value.as_str() {
            Some("no_response") => Ok(Self::NoResponse),
            _ => Err(de::Error::custom(
                "expected decibels, { above = … } where the device ends before an answer, or \"no_response\"",
            )),
        }
    }
}

/// Uncomfortable levels: this person's, or those of others.
#[derive(Debug, Clone, PartialEq)]
pub enum Uncomfortable {
    /// Measured, by frequency in Hz.
    Measured(BTreeMap<String, Answer>),
    /// The average of normal hearing.
    Average,
}

impl<'de> Deserialize<'de> for Uncomfortable {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        let value = toml::Value::deserialize(deserializer)?;
        match value {
            toml::Value::String(word) if word == "average" => Ok(Self::Average),
            toml::Value::Table(_) => value
                .try_into()
                .map(Self::Measured)
                .map_err(de::Error::custom),
            _ => Err(de::Error::custom(
                "expected a table of measured levels by frequency, or \"average\"",
            )),
        }
    }
}

/// Frequencies in Hz and answers, rising.
///
/// # Errors
/// A frequency that no audiometer has, a level that no device reaches.
pub(super) fn answers(key: &str, by_hz: &BTreeMap<String, Answer>) -> Result<Vec<(f64, Answer)>> {
    let mut points = Vec::new();
    for (name, answer) in by_hz {
        let key = format!("person.{key}.{name}");
        let hz = name.parse::<f64>().ok();
        let Some(hz) = hz.filter(|hz| AUDIOMETRIC_HZ.contains(hz)) else {
            let known = AUDIOMETRIC_HZ.map(|hz| hz.to_string()).join(", ");
            return Err(Diagnostic::value(&key, name, &format!("one of {known}")));
        };
        if let Answer::At(db) | Answer::Above(db) = answer
            && !(-30.0..=180.0).contains(db)
        {
            return Err(Diagnostic::value(&key, db, "−30 to 180 dB"));
        }
        points.push((hz, *answer));
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(points)
}
