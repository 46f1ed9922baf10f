//! # Own data
//!
//! *Question.* Does the device keep to its data sheet?
//!
//! *Definition.* Deviation: what was measured minus the nominal figure of the sheet,
//! against the sheet's tolerance; line by line.
//!
//! *Method.* 1. A line names an entry of the record and a key of it, as
//! `sensitivity sensitivity`, and where the figure has one, a frequency: that of the
//! band, or the nearest step within 1.5 %. 2. The verdict follows the conformance rule
//! ([`Limits`]): with a largest permitted uncertainty the deviation must lie within the
//! tolerance and the uncertainty must not exceed it; without, the whole interval of
//! the uncertainty must lie within. 3. A line that names no figure of the record, or
//! several, is not measurable, and says so.
//!
//! *Source.* IEC TC 29, as in IEC 61672-1:2013, Annex C (public transcription).
//!
//! *Limits.* A sheet holds for the conditions that it states: simulator, settings,
//! supply, temperature. They are not checked here.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::sheet::rows;
use super::{Evidence, Limits, Measured, Verdict};
use crate::diagnostic::{Diagnostic, Problem, Result};
pub use crate::measurement::NoOptions as Options;
use crate::quantity::{Number, Observation, Origin, Reading, Uncertainty, observations};

/// A frequency of the sheet and one of the record are the same within this share:
/// nominal midband frequencies differ from the exact ones by up to 1.0 %.
const SAME: f64 = 0.015;

/// The columns of a sheet; the last two may be missing.
const COLUMNS: &str = "quantity, frequency_hz, nominal, tolerance_minus, tolerance_plus, unit, \
                       largest_uncertainty and capture";

/// What the maker of a device states.
#[derive(Debug, Clone, PartialEq)]
pub struct DataSheet {
    stated: Vec<Stated>,
}

/// One line of a sheet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stated {
    quantity: String,
    frequency_hz: Option<f64>,
    nominal: f64,
    tolerance_minus: Option<f64>,
    tolerance_plus: Option<f64>,
    unit: String,
    #[serde(default)]
    largest_uncertainty: Option<f64>,
    #[serde(default)]
    capture: Option<String>,
}

impl DataSheet {
    /// Reads a sheet; an empty tolerance is an open end, an empty frequency none.
    ///
    /// # Errors
    /// [`Problem::Document`] with the line; [`Problem::Value`] for a tolerance or an
    /// uncertainty below zero, and for a line without any tolerance.
    pub fn parse(text: &str) -> Result<Self> {
        let stated: Vec<Stated> = rows(text, COLUMNS)?;
        for line in &stated {
            let sizes = [
                line.tolerance_minus,
                line.tolerance_plus,
                line.largest_uncertainty,
            ];
            let right = |size: &f64| (0.0..=f64::MAX).contains(size);
            if !sizes.iter().flatten().all(right) {
                let expected = "tolerances and uncertainties from 0 on, without a sign";
                return Err(Diagnostic::value("quantity", &line.quantity, expected));
            }
            if !line.nominal.is_finite() {
                return Err(Diagnostic::value(
                    "nominal",
                    line.nominal,
                    "a finite figure",
                ));
            }
            if line.tolerance_minus.or(line.tolerance_plus).is_none() {
                let expected = "a tolerance_minus or a tolerance_plus beside it";
                return Err(Diagnostic::value("quantity", &line.quantity, expected));
            }
        }
        Ok(Self { stated })
    }
}

/// The sheet, and what was measured.
pub struct Input<'a> {
    sheet: &'a DataSheet,
    measured: Vec<Measured<'a>>,
}

impl<'a> Input<'a> {
    /// One, if the session names a sheet.
    pub fn bind(evidence: &Evidence<'a>) -> Vec<Self> {
        let measured = evidence.measured.clone();
        let sheet = evidence.data_sheet.into_iter();
        sheet
            .map(|sheet| Self {
                sheet,
                measured: measured.clone(),
            })
            .collect()
    }

    /// The captures behind it: all.
    pub fn captures(&self) -> Vec<String> {
        let each = self.measured.iter().flat_map(|m| &m.captures);
        let mut names: Vec<String> = each.map(|name| (*name).to_owned()).collect();
        names.sort();
        names.dedup();
        names
    }
}

/// The device against its sheet.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DataSheetOutcome")]
pub struct Outcome {
    /// One item per line of the sheet.
    pub lines: Vec<Line>,
    /// The worst of them.
    pub verdict: Verdict,
    /// What was assumed.
    pub assumptions: Vec<String>,
}

/// One line of the sheet.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Line {
    /// Entry and key of the record.
    pub quantity: String,
    /// Frequency, where the line has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// The capture or captures, where the figure was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capture: Option<String>,
    /// The figure of the sheet.
    pub nominal: Figure,
    /// Smallest deviation that keeps to it; absent at an open end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lowest: Option<Figure>,
    /// Largest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highest: Option<Figure>,
    /// What was measured.
    pub measured: Figure,
    /// Measured minus nominal.
    pub deviation: Figure,
    /// What follows.
    pub verdict: Verdict,
}

/// A figure in the unit of its line, as records hold them.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Figure {
    /// `measured`, `at_most`, `at_least` or `not_measured`.
    pub status: String,
    /// The figure.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// Reference of a level.
    pub reference: Option<String>,
    /// Expanded uncertainty (k = 2), in its unit.
    pub expanded_uncertainty: Option<f64>,
    /// Why there is none, or only a bound.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

impl Figure {
    fn stated(value: f64, unit: &str) -> Self {
        Self {
            status: "measured".into(),
            value: Some(value),
            unit: unit.into(),
            reference: None,
            expanded_uncertainty: Some(0.0),
            reason: None,
        }
    }

    fn absent(unit: &str, why: String) -> Self {
        Self {
            status: "not_measured".into(),
            value: None,
            expanded_uncertainty: None,
            reason: Some(why),
            ..Self::stated(0.0, unit)
        }
    }

    fn of(o: &Observation) -> Self {
        Self {
            status: o.status.clone(),
            value: o.value,
            unit: o.unit.clone(),
            reference: o.reference.clone(),
            expanded_uncertainty: o.expanded_uncertainty,
            reason: o.reason.clone(),
        }
    }

    /// The figure less `nominal`, which has no reference of its own; to nine decimals,
    /// so that a figure at the limit keeps to it.
    fn minus(&self, nominal: f64) -> Self {
        let rounded = |deviation: f64| (deviation * 1e9).round() / 1e9;
        Self {
            value: self.value.map(|value| rounded(value - nominal)),
            reference: None,
            ..self.clone()
        }
    }

    /// As the conformance rule reads it.
    fn reading(&self) -> Reading<Number> {
        let why = || self.reason.clone().unwrap_or_default();
        let Some(value) = self.value.map(Number) else {
            return Reading::NotMeasured(why());
        };
        match self.status.as_str() {
            "at_most" => Reading::AtMost(value, why()),
            "at_least" => Reading::AtLeast(value, why()),
            // The sensitivity is what no figure can do without: a part not stated
            // leaves the whole not stated.
            _ => Reading::measured(
                value,
                Uncertainty::of(Origin::ForceTransducer, self.expanded_uncertainty),
            ),
        }
    }
}

/// Holds what was measured against the sheet.
///
/// # Errors
/// [`Problem::Internal`] if an outcome cannot be read back.
pub fn assess(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let mut found = Vec::new();
    for measured in &input.measured {
        let value = serde_json::to_value(measured.outcome).map_err(|error| {
            let what = format!("an outcome cannot be read back: {error}");
            Diagnostic::from(Problem::Internal { what })
        })?;
        let entry = measured.outcome.kind().name();
        let captures = measured.captures.join(", ");
        found.extend(keyed(entry, &captures, observations(&value)));
    }
    let lines: Vec<Line> = input.sheet.stated.iter().map(|s| line(s, &found)).collect();
    Ok(Outcome {
        verdict: lines
            .iter()
            .map(|line| line.verdict)
            .max()
            .unwrap_or(Verdict::NotMeasurable),
        lines,
        assumptions: vec![
            "the conditions of the data sheet (simulator, settings, supply, temperature) were kept"
                .into(),
        ],
    })
}

/// A figure of the record with all that a line may ask for.
struct Keyed {
    quantity: String,
    frequency_hz: Option<f64>,
    capture: String,
    figure: Observation,
}

/// The figures of one entry; an item of a list has the frequency that stands beside it.
fn keyed(entry: &str, capture: &str, all: Vec<Observation>) -> Vec<Keyed> {
    let item = |o: &Observation| {
        let (item, _) = o.quantity.rsplit_once('.')?;
        let beside = format!("{item}.frequency_hz");
        all.iter().find(|other| other.quantity == beside)?.value
    };
    let name = |o: &Observation| {
        let words = o
            .quantity
            .split('.')
            .filter(|word| word.parse::<u32>().is_err());
        format!("{entry} {}", words.collect::<Vec<_>>().join("."))
    };
    all.iter()
        .map(|o| Keyed {
            quantity: name(o),
            frequency_hz: o.nominal_hz.or_else(|| item(o)),
            capture: capture.into(),
            figure: o.clone(),
        })
        .collect()
}

fn line(stated: &Stated, found: &[Keyed]) -> Line {
    let (capture, measured) = match pick(stated, found) {
        Ok(keyed) => (Some(keyed.capture.clone()), Figure::of(&keyed.figure)),
        Err(why) => (None, Figure::absent(&stated.unit, why)),
    };
    let deviation = measured.minus(stated.nominal);
    let limits = Limits {
        lower: stated.tolerance_minus.map(|size| Number(-size)),
        upper: stated.tolerance_plus.map(Number),
        largest_uncertainty: stated.largest_uncertainty,
    };
    let stated_here = |value: f64| Figure::stated(value, &stated.unit);
    Line {
        quantity: stated.quantity.clone(),
        frequency_hz: stated.frequency_hz,
        capture,
        nominal: stated_here(stated.nominal),
        lowest: limits.lower.map(|low| stated_here(low.0)),
        highest: limits.upper.map(|high| stated_here(high.0)),
        verdict: limits.verdict(&deviation.reading()),
        measured,
        deviation,
    }
}

/// The one figure that a line means, or why there is none.
fn pick<'a>(stated: &Stated, found: &'a [Keyed]) -> std::result::Result<&'a Keyed, String> {
    let named = |k: &&Keyed| {
        k.quantity == stated.quantity && stated.capture.as_ref().is_none_or(|c| *c == k.capture)
    };
    let named: Vec<&Keyed> = found.iter().filter(named).collect();
    if named.is_empty() {
        return Err("nothing of this name was measured".into());
    }
    let apart = |k: &&Keyed| match (stated.frequency_hz, k.frequency_hz) {
        (None, None) => 0.0,
        (Some(asked), Some(hz)) => (hz / asked).ln().abs(),
        _ => f64::INFINITY,
    };
    let least = named.iter().map(apart).fold(f64::INFINITY, f64::min);
    if least > SAME {
        return Err(match stated.frequency_hz {
            Some(_) => "nothing was measured at this frequency".into(),
            None => "it is measured over frequency: the line must name one".into(),
        });
    }
    let at_it: Vec<&Keyed> = named.into_iter().filter(|k| apart(k) <= least).collect();
    match at_it.as_slice() {
        [only] if only.figure.unit == stated.unit => Ok(only),
        [only] => Err(format!(
            "the sheet states it in {}, the record in {}",
            stated.unit, only.figure.unit
        )),
        [first, rest @ ..] if rest.iter().all(|k| k.capture == first.capture) => Err(format!(
            "`{}` holds several figures of this name at this frequency",
            first.capture
        )),
        several => {
            let names: Vec<&str> = several.iter().map(|k| k.capture.as_str()).collect();
            Err(format!(
                "several recordings hold it ({}): name one in the column `capture`",
                names.join(", ")
            ))
        }
    }
}
