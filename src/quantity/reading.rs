//! A figure as it leaves the tool: value, unit, reference and expanded
//! uncertainty; or a bound; or the reason why there is none.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::ser::{Serialize, SerializeMap, Serializer};

use super::level::{Level, LevelDifference, Reference};
use super::uncertainty::Uncertainty;

/// A physical figure that knows its unit and, for levels, its reference.
pub trait Quantity: Copy {
    /// Unit as printed: `dB`, `s`, `Hz`, `1`.
    const UNIT: &'static str;
    /// Reference of a level; `None` for every other quantity.
    const REFERENCE: Option<&'static str>;
    /// The bare figure in that unit.
    fn value(&self) -> f64;
}

/// A quantity with the state of our knowledge of it.
///
/// Serialised as an object that always carries `status`, `value`, `unit`,
/// `reference` and `expanded_uncertainty`, with its `uncertainty_parts`; where the
/// uncertainty cannot be stated it is null and `uncertainty_note` says why; an
/// unmeasured figure and a bound carry a `reason`.
#[derive(Debug, Clone, PartialEq)]
pub enum Reading<Q> {
    /// The figure and its expanded uncertainty.
    Measured(Q, Uncertainty),
    /// The true figure lies at or below this one.
    AtMost(Q, String),
    /// The true figure lies at or above this one.
    AtLeast(Q, String),
    /// There is no figure, for the reason given.
    NotMeasured(String),
}

impl<Q: Quantity> Reading<Q> {
    /// A measured figure; one that is not finite is not a measurement.
    pub fn measured(quantity: Q, uncertainty: Uncertainty) -> Self {
        if quantity.value().is_finite() {
            Self::Measured(quantity, uncertainty)
        } else {
            Self::not_measured("the computation gave no finite figure")
        }
    }

    /// No figure, because of `reason`.
    pub fn not_measured(reason: impl Into<String>) -> Self {
        Self::NotMeasured(reason.into())
    }

    /// What `with` makes of two measured figures; an absence passes its reason on,
    /// and a bound of either leaves nothing to say.
    pub fn and<B, C: Quantity>(
        &self,
        other: &Reading<B>,
        with: impl FnOnce((Q, &Uncertainty), (B, &Uncertainty)) -> Reading<C>,
    ) -> Reading<C>
    where
        B: Quantity,
    {
        match (self, other) {
            (Self::Measured(a, ua), Reading::Measured(b, ub)) => with((*a, ua), (*b, ub)),
            (Self::NotMeasured(why), _) | (_, Reading::NotMeasured(why)) => {
                Reading::not_measured(why.clone())
            }
            _ => Reading::not_measured("one of the two levels is only a bound"),
        }
    }

    /// The same figure as another quantity whose steps are as large: bounds stay bounds.
    pub fn converted<B: Quantity + From<Q>>(&self) -> Reading<B> {
        match self {
            Self::Measured(quantity, budget) => {
                Reading::measured(B::from(*quantity), budget.clone())
            }
            Self::AtMost(quantity, why) => Reading::AtMost(B::from(*quantity), why.clone()),
            Self::AtLeast(quantity, why) => Reading::AtLeast(B::from(*quantity), why.clone()),
            Self::NotMeasured(why) => Reading::not_measured(why.clone()),
        }
    }

    /// The measured quantity, if it was measured.
    pub fn figure(&self) -> Option<Q> {
        match self {
            Self::Measured(quantity, _) => Some(*quantity),
            _ => None,
        }
    }
}

impl<R: Reference> Reading<Level<R>> {
    /// This level minus another of one session; bounds stay bounds where they
    /// bind the difference.
    pub fn minus(&self, other: &Self) -> Reading<LevelDifference> {
        use Reading::{AtLeast, AtMost, Measured, NotMeasured};
        match (self, other) {
            (Measured(a, ua), Measured(b, ub)) => Reading::measured(*a - *b, ua.minus(ub)),
            (NotMeasured(why), _) | (_, NotMeasured(why)) => NotMeasured(why.clone()),
            (AtMost(a, why), Measured(b, _) | AtLeast(b, _))
            | (Measured(a, _), AtLeast(b, why)) => AtMost(*a - *b, why.clone()),
            (AtLeast(a, why), Measured(b, _) | AtMost(b, _)) | (Measured(a, _), AtMost(b, why)) => {
                AtLeast(*a - *b, why.clone())
            }
            (AtMost(..), AtMost(..)) | (AtLeast(..), AtLeast(..)) => {
                Reading::not_measured("both levels are bounds on one side")
            }
        }
    }
}

impl<Q: Quantity> Serialize for Reading<Q> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (status, value, uncertainty, reason) = match self {
            Self::Measured(q, u) => ("measured", Some(q.value()), Some(u), None),
            Self::AtMost(q, why) => ("at_most", Some(q.value()), None, Some(why)),
            Self::AtLeast(q, why) => ("at_least", Some(q.value()), None, Some(why)),
            Self::NotMeasured(why) => ("not_measured", None, None, Some(why)),
        };
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("status", status)?;
        map.serialize_entry("value", &value)?;
        map.serialize_entry("unit", Q::UNIT)?;
        map.serialize_entry("reference", &Q::REFERENCE)?;
        let expanded = uncertainty.and_then(Uncertainty::expanded);
        map.serialize_entry("expanded_uncertainty", &expanded)?;
        if let Some(note) = uncertainty.and_then(Uncertainty::note) {
            map.serialize_entry("uncertainty_note", &note)?;
        }
        if let Some(budget) = uncertainty.filter(|u| u.parts().next().is_some()) {
            map.serialize_entry("uncertainty_parts", budget)?;
        }
        if let Some(reason) = reason {
            map.serialize_entry("reason", reason)?;
        }
        map.end()
    }
}

impl<Q: Quantity> JsonSchema for Reading<Q> {
    fn schema_name() -> Cow<'static, str> {
        let unit = match Q::UNIT {
            "1" => "number",
            "%" => "percent",
            "°" => "degrees",
            unit => unit,
        };
        let reference = Q::REFERENCE.map(|text| format!(" re {text}"));
        // A name that needs no escapes.
        format!("Reading {unit}{}", reference.unwrap_or_default())
            .replace(' ', "_")
            .replace('µ', "u")
            .replace('/', "_per_")
            .into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let parts = generator.subschema_for::<Uncertainty>();
        let of_status = |status: &str, value: &str, more: &[&str]| {
            json_schema!({
                "properties": {"status": {"const": status}, "value": {"type": value}},
                "required": more,
            })
        };
        json_schema!({
            "description": "A quantity: a figure, a bound, or why there is neither; the \
                            uncertainty is expanded (k = 2) and in the unit of the figure",
            "type": "object",
            "properties": {
                "status": {"enum": ["measured", "at_most", "at_least", "not_measured"]},
                "value": {"type": ["number", "null"]},
                "unit": {"const": Q::UNIT},
                "reference": {"const": Q::REFERENCE},
                "expanded_uncertainty": {"type": ["number", "null"], "minimum": 0},
                "uncertainty_note": {"type": "string"},
                "uncertainty_parts": parts,
                "reason": {"type": "string"},
            },
            "required": ["status", "value", "unit", "reference", "expanded_uncertainty"],
            "additionalProperties": false,
            "oneOf": [
                of_status("measured", "number", &[]),
                of_status("at_most", "number", &["reason"]),
                of_status("at_least", "number", &["reason"]),
                of_status("not_measured", "null", &["reason"]),
            ],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::ForceLevel;

    #[test]
    fn an_absent_figure_still_carries_unit_and_reference() {
        let reading = Reading::<ForceLevel>::not_measured("no signal");
        let json = serde_json::to_value(&reading).unwrap();
        assert_eq!(json["status"], "not_measured");
        assert!(json["value"].is_null());
        assert_eq!(json["unit"], "dB");
        assert_eq!(json["reference"], "1 µN");
        assert_eq!(json["reason"], "no signal");
    }

    #[test]
    fn a_bound_stays_a_bound_in_a_difference() {
        let level = |db| ForceLevel::from_db(db);
        let speech = Reading::measured(level(80.0), Uncertainty::EXACT);
        let beyond = Reading::AtLeast(level(95.0), "beyond the device".into());
        let sensation = speech.minus(&beyond);
        assert!(matches!(sensation, Reading::AtMost(d, _) if d.db() == -15.0));
        assert!(matches!(beyond.minus(&beyond), Reading::NotMeasured(_)));
    }

    #[test]
    fn a_figure_that_is_not_finite_is_refused() {
        let reading = Reading::measured(ForceLevel::from_db(f64::NEG_INFINITY), Uncertainty::EXACT);
        assert_eq!(reading.figure(), None);
    }
}
