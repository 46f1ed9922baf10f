//! Expanded uncertainty as a budget of named parts.
//!
//! *Source.* JCGM 100:2008 (GUM), 5.1.2 for independent parts, 5.2.2 for parts
//! that two figures share, 6.2 for the coverage factor; from memory.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where a part of an uncertainty comes from.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Sensitivity of the force transducer, from its certificate.
    ForceTransducer,
    /// Response of the force transducer between the points of its table.
    ForceResponse,
    /// Taking the device off and putting it on again.
    Remounting,
    /// Sensitivity of the reference microphone: its calibrator or certificate.
    Microphone,
    /// Response of the microphone between the points of its table.
    MicrophoneResponse,
    /// A real third-octave filter, which is no ideal one; a finite line.
    Analysis,
    /// The finite time of a signal that varies at random.
    Statistics,
    /// What the noise of device and room adds to a level.
    Noise,
    /// What a person answers: thresholds and uncomfortable levels.
    Person,
    /// The force at 0 dB on the dial of a device's own hearing test.
    DialZero,
}

impl Origin {
    /// The name in records and reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::ForceTransducer => "force_transducer",
            Self::ForceResponse => "force_response",
            Self::Remounting => "remounting",
            Self::Microphone => "microphone",
            Self::MicrophoneResponse => "microphone_response",
            Self::Analysis => "analysis",
            Self::Statistics => "statistics",
            Self::Noise => "noise",
            Self::Person => "person",
            Self::DialZero => "dial_zero",
        }
    }

    /// What it covers, in one line.
    pub fn meaning(self) -> &'static str {
        match self {
            Self::ForceTransducer => "sensitivity of the force transducer, from its certificate",
            Self::ForceResponse => "its response over frequency, at and between the points given",
            Self::Remounting => "taking the device off the skull simulator and putting it on again",
            Self::Microphone => {
                "sensitivity of the reference microphone, from calibrator or certificate"
            }
            Self::MicrophoneResponse => {
                "its response over frequency, at and between the points given"
            }
            Self::Analysis => {
                "real filters in place of ideal bands, and what neighbouring bands let in"
            }
            Self::Statistics => "finite time of a sound that varies at random",
            Self::Noise => "what the noise of device and room adds to a level",
            Self::Person => "what a person answers: thresholds, uncomfortable levels",
            Self::DialZero => "force at 0 dB on the dial of the device's own hearing test",
        }
    }

    /// One error that all captures of a session share: it cancels in the
    /// difference of two of them.
    fn shared(self) -> bool {
        !matches!(self, Self::Analysis | Self::Statistics | Self::Noise)
    }

    /// One error that all records of one calibration share.
    pub fn of_calibration(self) -> bool {
        use Origin::{ForceResponse, ForceTransducer, Microphone, MicrophoneResponse};
        matches!(
            self,
            ForceTransducer | ForceResponse | Microphone | MicrophoneResponse
        )
    }

    /// Without it no uncertainty can be stated at all: the rest would pass for
    /// the whole.
    fn indispensable(self) -> bool {
        matches!(self, Self::ForceTransducer | Self::Microphone)
    }
}

/// An expanded uncertainty (k = 2, about 95 %) in the unit of its quantity, as
/// the parts that make it. A part may be known to exist and not be stated.
///
/// In records: the parts by name, null where not stated.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Uncertainty {
    parts: BTreeMap<Origin, Option<f64>>,
}

impl Uncertainty {
    /// That of a true or defined value: none.
    pub const EXACT: Self = Self {
        parts: BTreeMap::new(),
    };

    /// One part; `None` if it is not stated.
    pub fn of(origin: Origin, expanded: impl Into<Option<f64>>) -> Self {
        Self::EXACT.and(origin, expanded)
    }

    /// With one more, independent part.
    #[must_use]
    pub fn and(self, origin: Origin, expanded: impl Into<Option<f64>>) -> Self {
        let part = Self {
            parts: BTreeMap::from([(origin, expanded.into())]),
        };
        self.merged(&part, f64::hypot)
    }

    /// Of the sum or difference of two figures with nothing in common: every
    /// part of both, in squares.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        self.clone().merged(other, f64::hypot)
    }

    /// Of the difference of two figures of one session: an error that both
    /// share counts as far as it differs, all else adds in squares.
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        self.difference(other, Origin::shared)
    }

    /// The same for figures that share the errors of the `shared` origins only.
    #[must_use]
    pub fn difference(&self, other: &Self, shared: impl Fn(Origin) -> bool) -> Self {
        let mut parts = self.plus(other).parts;
        for (origin, part) in parts.iter_mut().filter(|(origin, _)| shared(**origin)) {
            if let (Some(a), Some(b)) = (self.parts.get(origin), other.parts.get(origin)) {
                *part = match (a, b) {
                    (Some(a), Some(b)) => Some((a - b).abs()),
                    // One error, known to neither: it cancels all the same.
                    _ => Some(0.0),
                };
            }
        }
        Self { parts }
    }

    /// Of figures with the same errors: part by part the largest; `None` of none.
    pub fn largest<'a>(budgets: impl IntoIterator<Item = &'a Self>) -> Option<Self> {
        let mut budgets = budgets.into_iter();
        let first = budgets.next()?.clone();
        Some(budgets.fold(first, |largest, next| largest.merged(next, f64::max)))
    }

    /// Of a figure that changes by `change(error)` when the figure behind it is
    /// off by `error`: half the change between both ends of each part.
    #[must_use]
    pub fn through(&self, change: impl Fn(f64) -> f64) -> Self {
        let carried = |u: f64| 0.5 * (change(u) - change(-u)).abs();
        let parts = self.parts.iter().map(|(o, u)| (*o, u.map(carried)));
        Self {
            parts: parts.collect(),
        }
    }

    /// The parts, `None` where not stated.
    pub fn parts(&self) -> impl Iterator<Item = (Origin, Option<f64>)> {
        self.parts.iter().map(|(origin, part)| (*origin, *part))
    }

    /// One part; `None` where there is none or it is not stated.
    pub fn part(&self, origin: Origin) -> Option<f64> {
        self.parts.get(&origin).copied().flatten()
    }

    /// Root of the sum of the squares of the stated parts; `None` where an
    /// indispensable part is not stated.
    pub fn expanded(&self) -> Option<f64> {
        let missing =
            |(origin, part): (&Origin, &Option<f64>)| part.is_none() && origin.indispensable();
        if self.parts.iter().any(missing) {
            return None;
        }
        // From zero: an empty sum would be −0.
        let parts = self.parts.values().flatten();
        Some(parts.fold(0.0, |sum: f64, u| sum.hypot(*u)))
    }

    /// What keeps [`Uncertainty::expanded`] from being stated.
    pub fn note(&self) -> Option<String> {
        let missing: Vec<String> = self
            .parts()
            .filter(|(origin, part)| part.is_none() && origin.indispensable())
            .map(|(origin, _)| origin.name().replace('_', " "))
            .collect();
        (!missing.is_empty()).then(|| format!("not stated for the {}", missing.join(" and the ")))
    }

    fn merged(mut self, other: &Self, combine: fn(f64, f64) -> f64) -> Self {
        for (origin, part) in &other.parts {
            self.parts
                .entry(*origin)
                .and_modify(|own| *own = own.zip(*part).map(|(a, b)| combine(a, b)))
                .or_insert(*part);
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Origin::{Analysis, ForceTransducer, Microphone, Remounting, Statistics};

    #[test]
    fn independent_parts_add_in_squares() {
        let budget = Uncertainty::of(ForceTransducer, 0.3).and(Analysis, 0.4);
        assert!((budget.expanded().unwrap() - 0.5).abs() < 1e-12);
    }

    /// JCGM 100:2008, H.1: the end gauge, 32 nm from its components in Table H.1
    /// (from memory).
    #[test]
    fn the_guides_end_gauge_has_32_nm() {
        let components = [25.0, 9.7, 2.9, 16.6];
        let combined = components.iter().fold(Uncertainty::EXACT, |sum, nm| {
            sum.plus(&Uncertainty::of(Analysis, *nm))
        });
        let nanometres = combined.expanded().unwrap();
        assert_eq!(nanometres.round(), 32.0, "{nanometres}");
    }

    #[test]
    fn a_budget_is_its_own_record() {
        let budget = Uncertainty::of(ForceTransducer, 0.5).and(Remounting, None);
        let json = serde_json::to_value(&budget).unwrap();
        assert_eq!(
            json.to_string(),
            r#"{"force_transducer":0.5,"remounting":null}"#
        );
        assert_eq!(serde_json::from_value::<Uncertainty>(json).unwrap(), budget);
    }

    #[test]
    fn what_two_captures_share_cancels_in_their_difference() {
        let front = Uncertainty::of(ForceTransducer, 0.5).and(Statistics, 0.3);
        let back = Uncertainty::of(ForceTransducer, 0.5).and(Statistics, 0.4);
        assert!((front.minus(&back).expanded().unwrap() - 0.5).abs() < 1e-12);
        let unknown = Uncertainty::of(ForceTransducer, None);
        assert_eq!(unknown.minus(&unknown).expanded(), Some(0.0));
    }

    #[test]
    fn a_gain_holds_both_channels() {
        let gain = Uncertainty::of(ForceTransducer, 0.3).minus(&Uncertainty::of(Microphone, 0.4));
        assert!((gain.expanded().unwrap() - 0.5).abs() < 1e-12);
    }

    #[test]
    fn without_the_sensitivity_nothing_is_stated_without_remounting_the_rest_is() {
        let budget = Uncertainty::of(Remounting, None).and(Analysis, 0.2);
        assert_eq!(budget.expanded(), Some(0.2));
        let bare = budget.and(ForceTransducer, None);
        assert_eq!(bare.expanded(), None);
        assert_eq!(bare.note().unwrap(), "not stated for the force transducer");
    }
}
