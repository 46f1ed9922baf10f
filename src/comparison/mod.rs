//! What changed between two records, figure by figure.
//!
//! *Question.* Does a figure differ from the earlier one by more than both are
//! uncertain?
//!
//! *Method.* Figures belong together by entry, capture, quantity and band. Captures go
//! by name; those whose name the other record does not have go by their role, where
//! each record has one such; oscillations by their frequency, within 2 %. A difference is *changed* where it exceeds its expanded
//! uncertainty (k = 2): errors of the calibration that both records share count as far
//! as they differ, all others, remounting among them, add in squares.
//!
//! *Source.* JCGM 100:2008 (GUM), 5.1.2 and 5.2.2; from memory.
//!
//! *Limits.* Figures whose uncertainty leaves chance out (extremes, percentiles) are
//! judged only with a stated repeatability. Each figure is judged by itself: of many
//! unchanged ones about 5 % exceed their uncertainty by chance.

pub mod groups;
mod items;
mod recorded;
mod reproduction;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::diagnostic::{Diagnostic, Result};
use crate::pipeline::{Record, Tool};
use crate::quantity::{Observation, Origin, Uncertainty};
pub use groups::{GroupOptions, Groups, Member, compare_groups, parse_design};
pub use recorded::{Figure, Name, Recorded, Visit};
pub use reproduction::{
    ROUNDING, Reproduced, Reproduction, State as ReproductionState, again, reproduce,
};

/// What there is to choose.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Options {
    /// Expanded repeatability (k = 2) of a difference of levels, in dB: taking the
    /// device off and putting it on, placing the microphone.
    pub repeatability_db: Option<f64>,
}

impl Options {
    /// Whether the options make sense.
    ///
    /// # Errors
    /// A repeatability that is no number from 0.
    pub fn check(&self) -> Result<()> {
        match self.repeatability_db {
            Some(db) if !(db.is_finite() && db >= 0.0) => Err(Diagnostic::value(
                "--repeatability",
                db,
                "a number of decibels, 0 or more",
            )),
            _ => Ok(()),
        }
    }
}

/// Two records, compared. Serialises as docs/formats.md says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Version of this layout.
    pub schema: u32,
    /// The program.
    pub tool: Tool,
    /// What was chosen.
    pub options: Options,
    /// The earlier and the later appointment.
    pub visits: [Visit; 2],
    /// What the comparison rests on.
    pub notes: Vec<String>,
    /// Every figure of either record, in their order.
    pub differences: Vec<Difference>,
}

/// One figure before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// The figure, called as in the earlier record; its unit is that of the difference.
    #[serde(flatten)]
    pub name: Name,
    /// The earlier figure.
    pub before: Option<f64>,
    /// The later figure.
    pub after: Option<f64>,
    /// The later minus the earlier one.
    pub difference: Option<f64>,
    /// Expanded uncertainty of the difference (k = 2).
    pub expanded_uncertainty: Option<f64>,
    /// What follows.
    pub verdict: Verdict,
    /// Why it cannot be compared.
    pub reason: Option<String>,
    /// The set-up checks that either record did not pass and on which it relies.
    pub doubts: Vec<String>,
}

/// What a difference says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It exceeds its uncertainty.
    Changed,
    /// It does not.
    NotBeyondUncertainty,
    /// Nothing can be said.
    NotComparable,
}

impl Verdict {
    /// The name in records and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Changed => "changed",
            Self::NotBeyondUncertainty => "not_beyond_uncertainty",
            Self::NotComparable => "not_comparable",
        }
    }
}

impl Comparison {
    /// How many figures end in `verdict`.
    pub fn count(&self, verdict: Verdict) -> usize {
        let of = |difference: &&Difference| difference.verdict == verdict;
        self.differences.iter().filter(of).count()
    }
}

/// What the records are called in reasons.
type Called = [&'static str; 2];

/// Compares two records.
///
/// # Errors
/// Those of [`Options::check`].
pub fn compare(before: &Recorded, after: &Recorded, options: Options) -> Result<Comparison> {
    let called = ["the earlier record", "the later record"];
    compare_called(before, after, options, called)
}

/// The left ear and the right one of a person, compared like an earlier and a later record.
///
/// # Errors
/// None of its own.
pub fn ears(left: &Recorded, right: &Recorded) -> Result<Comparison> {
    let called = ["the left ear", "the right ear"];
    compare_called(left, right, Options::default(), called)
}

fn compare_called(
    before: &Recorded,
    after: &Recorded,
    options: Options,
    called: Called,
) -> Result<Comparison> {
    options.check()?;
    let shared = before.calibration == after.calibration;
    let after_figures = after.named_as_in(before);
    let mut later: BTreeMap<_, _> = after_figures.iter().map(|f| (f.key(), f)).collect();
    let mut differences = Vec::new();
    for figure in &before.figures {
        let other = later.remove(&figure.key());
        differences.push(match other {
            Some(other) => difference([figure, other], shared, &options, called),
            None => alone(figure, true, called),
        });
    }
    let only_after = after_figures
        .iter()
        .filter(|f| later.contains_key(&f.key()));
    differences.extend(only_after.map(|figure| alone(figure, false, called)));
    let mut comparison = Comparison {
        schema: 1,
        tool: Tool::THIS,
        options,
        visits: [before.visit.clone(), after.visit.clone()],
        notes: Vec::new(),
        differences,
    };
    comparison.notes = notes(before, after, &comparison, shared);
    Ok(comparison)
}

/// What changed from an earlier record to one that was just made.
///
/// # Errors
/// Those of [`Recorded::made`].
pub fn changes(before: &Recorded, record: &Record) -> Result<Comparison> {
    compare(before, &Recorded::made(record)?, Options::default())
}

/// A figure that one record has alone.
fn alone(figure: &Figure, earlier: bool, called: Called) -> Difference {
    let (before, after, which) = match earlier {
        true => (figure.observation.value, None, called[0]),
        false => (None, figure.observation.value, called[1]),
    };
    Difference {
        before,
        after,
        reason: Some(format!("only {which} has it")),
        ..row(figure)
    }
}

fn difference(
    [before, after]: [&Figure; 2],
    shared: bool,
    options: &Options,
    called: Called,
) -> Difference {
    let doubts = before.doubts.union(&after.doubts).cloned().collect();
    let mut row = Difference {
        before: before.observation.value,
        after: after.observation.value,
        doubts,
        ..row(before)
    };
    let known = match is_numbered(before) {
        true => Err(NUMBERED.to_owned()),
        false => Ok(()),
    };
    let both = [&before.observation, &after.observation];
    let judged = known.and_then(|()| judged(both, shared, options, called));
    match judged {
        Ok((difference, uncertainty)) => {
            row.difference = Some(difference);
            row.expanded_uncertainty = Some(uncertainty);
            row.verdict = match difference.abs() > uncertainty {
                true => Verdict::Changed,
                false => Verdict::NotBeyondUncertainty,
            };
        }
        Err(reason) => row.reason = Some(reason),
    }
    row
}

/// The row of a figure before anything is known of the other record.
fn row(figure: &Figure) -> Difference {
    Difference {
        name: figure.name(),
        before: None,
        after: None,
        difference: None,
        expanded_uncertainty: None,
        verdict: Verdict::NotComparable,
        reason: None,
        doubts: figure.doubts.iter().cloned().collect(),
    }
}

/// The difference and its expanded uncertainty, or why there is none.
fn judged(
    [before, after]: [&Observation; 2],
    shared: bool,
    options: &Options,
    called: Called,
) -> std::result::Result<(f64, f64), String> {
    if (&before.unit, &before.reference) != (&after.unit, &after.reference) {
        return Err("the records state it in different units".into());
    }
    let measured = |which: &str, o: &Observation| match (o.status.as_str(), o.value) {
        ("measured", Some(value)) => Ok(value),
        (status, _) => {
            let why = o.reason.as_deref().unwrap_or("no reason is stated");
            Err(format!(
                "in {which} it is {}: {why}",
                status.replace('_', " ")
            ))
        }
    };
    let difference = measured(called[1], after)? - measured(called[0], before)?;
    let expanded = uncertainty(before, after, shared)?;
    let repeatability = options.repeatability_db.filter(|_| before.unit == "dB");
    let knows_chance = |o: &Observation| o.budget.parts().any(|(o, _)| o == Origin::Statistics);
    if repeatability.is_none() && !(knows_chance(before) && knows_chance(after)) {
        return Err(
            "its uncertainty leaves out how far chance moves it; a repeatability stated for levels covers that"
                .into(),
        );
    }
    Ok((difference, expanded.hypot(repeatability.unwrap_or(0.0))))
}

/// Expanded uncertainty of the difference of two measured figures.
fn uncertainty(
    before: &Observation,
    after: &Observation,
    shared: bool,
) -> std::result::Result<f64, String> {
    let has_parts = |o: &Observation| o.budget.parts().next().is_some();
    if has_parts(before) && has_parts(after) {
        let cancels = |origin: Origin| shared && origin.of_calibration();
        let budget: Uncertainty = after.budget.difference(&before.budget, cancels);
        let note = || budget.note().unwrap_or_default();
        return budget
            .expanded()
            .ok_or_else(|| format!("its uncertainty is {}", note()));
    }
    match (before.expanded_uncertainty, after.expanded_uncertainty) {
        (Some(a), Some(b)) => Ok(a.hypot(b)),
        _ => Err("its uncertainty is not stated".into()),
    }
}

/// Why items of a list are not compared.
const NUMBERED: &str =
    "items of a list are numbered as found: the same number need not be the same thing";

/// Whether a figure belongs to an item of a list that nothing but its number names.
fn is_numbered(figure: &Figure) -> bool {
    figure.item_hz.is_none() && items::item(&figure.observation.quantity).is_some()
}

fn notes(before: &Recorded, after: &Recorded, made: &Comparison, shared: bool) -> Vec<String> {
    let mut notes = vec![match shared {
        true => {
            "Both records apply the same calibration: what it is off by cancels in the differences."
                .to_owned()
        }
        false => {
            "The records apply different calibrations: the uncertainties of both count in full."
                .to_owned()
        }
    }];
    let visits = [&before.visit, &after.visit];
    for (what, of) in [
        ("devices", (|v| &v.device) as fn(&Visit) -> &Option<String>),
        ("sides", |v| &v.side),
        ("persons", |v| &v.person),
    ] {
        if let [Some(a), Some(b)] = visits.map(of)
            && a != b
        {
            notes.push(format!("The records are of different {what}: {a} and {b}."));
        }
    }
    if before.options != after.options {
        notes.push("The records were made with different options or criteria.".into());
    }
    if before.version != after.version {
        let (a, b) = (&before.version, &after.version);
        notes.push(format!(
            "Different versions of the program made them: {a} and {b}."
        ));
    }
    let remounting = |r: &Recorded| {
        let states = |f: &Figure| {
            f.observation
                .budget
                .parts()
                .any(|(o, u)| o == Origin::Remounting && u.is_some())
        };
        r.figures.iter().any(states)
    };
    if made.options.repeatability_db.is_none() && !(remounting(before) && remounting(after)) {
        notes.push("Taking the device off and putting it on again is not contained in the uncertainties; state it as --repeatability, or as `remounting_expanded_db` in the calibration file.".into());
    }
    let judged = made.count(Verdict::Changed) + made.count(Verdict::NotBeyondUncertainty);
    if judged > 1 {
        notes.push(format!("{judged} figures were judged, each by itself: about {:.0} of them would exceed their uncertainty by chance.", 0.05 * judged as f64));
    }
    notes
}

#[cfg(test)]
mod tests;
