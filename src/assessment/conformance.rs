//! Whether a figure with its uncertainty keeps to its limits.
//!
//! *Source.* IEC TC 29, as in IEC 61672-1:2013, Annex C, and IEC 60942:2017,
//! Annex E (public transcription): a quantity conforms if its deviation lies
//! within the limits *and* the expanded uncertainty of the measurement does not
//! exceed the largest permitted one; equality keeps to both. Where a document
//! permits an uncertainty, its limits allow for it; where it names none, the
//! whole interval of the uncertainty must lie within (JCGM 106:2012, guarded
//! acceptance with w = U; from memory).

use schemars::JsonSchema;
use serde::Serialize;

use crate::quantity::{Quantity, Reading};

/// What was found against a limit, in rising order of what there is to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "ConformanceVerdict")]
pub enum Verdict {
    /// Inside the limits, as surely as is asked for.
    Within,
    /// Not recorded, or outside the valid range.
    NotMeasurable,
    /// The uncertainty does not allow a decision.
    Doubtful,
    /// Beyond a limit, as surely as is asked for.
    Outside,
}

impl Verdict {
    /// The word that always stands beside the mark.
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::NotMeasurable => "not measurable",
            Self::Doubtful => "doubtful",
            Self::Outside => "outside",
        }
    }
}

/// Limits of a quantity, both of them inside; an open end is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits<Q> {
    /// Smallest figure that keeps to them.
    pub lower: Option<Q>,
    /// Largest figure that keeps to them.
    pub upper: Option<Q>,
    /// Largest expanded uncertainty (k = 2) with which conformance may be
    /// shown, in the unit of the quantity, where the limits' document names one.
    pub largest_uncertainty: Option<f64>,
}

impl<Q: Quantity> Limits<Q> {
    /// Holds a reading against the limits. A figure without stated uncertainty
    /// shows nothing.
    ///
    /// ```
    /// use micronewton::assessment::{Limits, Verdict};
    /// use micronewton::quantity::{LevelDifference, Origin, Reading, Uncertainty};
    /// let db = LevelDifference::from_db;
    /// let limits = Limits { lower: Some(db(-3.0)), upper: Some(db(3.0)), largest_uncertainty: None };
    /// let deviation = |u: f64| Reading::measured(db(2.5), Uncertainty::of(Origin::Analysis, u));
    /// assert_eq!(limits.verdict(&deviation(0.4)), Verdict::Within);
    /// assert_eq!(limits.verdict(&deviation(0.6)), Verdict::Doubtful);
    /// ```
    pub fn verdict(&self, reading: &Reading<Q>) -> Verdict {
        // Lowest and highest figure that the reading allows.
        let (low, high) = match reading {
            Reading::Measured(figure, budget) => match budget.expanded() {
                Some(u) => return self.judge(figure.value(), u),
                None => return Verdict::Doubtful,
            },
            Reading::AtMost(bound, _) => (f64::NEG_INFINITY, bound.value()),
            Reading::AtLeast(bound, _) => (bound.value(), f64::INFINITY),
            Reading::NotMeasured(_) => return Verdict::NotMeasurable,
        };
        self.judge_interval(low, high)
    }

    fn judge(&self, figure: f64, expanded: f64) -> Verdict {
        let (low, high) = (figure - expanded, figure + expanded);
        match self.largest_uncertainty {
            Some(largest) if expanded <= largest => self.judge_interval(figure, figure),
            // Too uncertain to show conformance, whatever the interval.
            Some(_) => self.judge_interval(low, high).max(Verdict::Doubtful),
            None => self.judge_interval(low, high),
        }
    }

    fn judge_interval(&self, low: f64, high: f64) -> Verdict {
        let lower = self.lower.map_or(f64::NEG_INFINITY, |q| q.value());
        let upper = self.upper.map_or(f64::INFINITY, |q| q.value());
        if low >= lower && high <= upper {
            Verdict::Within
        } else if high < lower || low > upper {
            Verdict::Outside
        } else {
            Verdict::Doubtful
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{LevelDifference, Origin, Uncertainty};

    fn verdict(reading: &Reading<LevelDifference>) -> Verdict {
        let at_most = Limits {
            lower: None,
            upper: Some(LevelDifference::from_db(3.0)),
            largest_uncertainty: None,
        };
        at_most.verdict(reading)
    }

    #[test]
    fn the_whole_interval_decides_where_no_uncertainty_is_permitted() {
        let deviation = |db: f64, u: f64| {
            let budget = Uncertainty::of(Origin::Analysis, u);
            verdict(&Reading::measured(LevelDifference::from_db(db), budget))
        };
        assert_eq!(deviation(2.5, 0.5), Verdict::Within);
        assert_eq!(deviation(2.5, 0.6), Verdict::Doubtful);
        assert_eq!(deviation(3.5, 0.5), Verdict::Doubtful);
        assert_eq!(deviation(3.6, 0.5), Verdict::Outside);
    }

    #[test]
    fn bounds_decide_where_they_can() {
        let bound = LevelDifference::from_db;
        let why = || String::from("noise");
        assert_eq!(
            verdict(&Reading::AtMost(bound(2.0), why())),
            Verdict::Within
        );
        assert_eq!(
            verdict(&Reading::AtMost(bound(4.0), why())),
            Verdict::Doubtful
        );
        assert_eq!(
            verdict(&Reading::AtLeast(bound(4.0), why())),
            Verdict::Outside
        );
        assert_eq!(
            verdict(&Reading::AtLeast(bound(2.0), why())),
            Verdict::Doubtful
        );
    }

    #[test]
    fn nothing_is_shown_by_nothing() {
        let unstated = Uncertainty::of(Origin::ForceTransducer, None);
        let reading = Reading::measured(LevelDifference::from_db(0.0), unstated);
        assert_eq!(verdict(&reading), Verdict::Doubtful);
        assert_eq!(
            verdict(&Reading::not_measured("silence")),
            Verdict::NotMeasurable
        );
    }
}
