//! What the outcomes mean: each assessment holds outcomes against a criterion,
//! in a file with the same four public names: `Input`, `Options`, `Outcome` and
//! `assess`. Beside them stand the criteria themselves.
//!
//! The catalogue at the end of this file is the one list of assessments.

pub mod audibility;
pub mod conformance;
pub mod data_sheet;
pub mod discomfort;
pub mod gain_change;
pub mod hearing;
pub mod method_difference;
pub mod person;
pub mod prescription;
mod sheet;
pub mod speech_intelligibility;
pub mod targets;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::diagnostic::Result;
use crate::measurement;
use crate::measurement::{levels, output_force_level, speech_percentiles};
use crate::quantity::level::OneMicronewton;
use crate::quantity::{Level, Quantity, Reading};
pub use conformance::{Limits, Verdict};
pub use data_sheet::DataSheet;
pub use person::{AgeGroup, Person};

/// What assessments may read of a run.
#[derive(Debug, Clone, Default)]
pub struct Evidence<'a> {
    /// The person, if the session says what is heard.
    pub subject: Option<&'a Subject>,
    /// What the maker states, if the session names a sheet.
    pub data_sheet: Option<&'a DataSheet>,
    /// What was measured.
    pub measured: Vec<Measured<'a>>,
}

/// The person as far as assessments need to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// Adult or child.
    pub age_group: Option<AgeGroup>,
    /// What is heard, and what is uncomfortable.
    pub hearing: hearing::Hearing,
    /// What is aimed at.
    pub prescription: prescription::Prescription,
}

/// An outcome, and the captures that it was made from.
#[derive(Debug, Clone)]
pub struct Measured<'a> {
    /// Names of the captures: the one measured, or all of a pair or a series.
    pub captures: Vec<&'a str>,
    /// Role of the first, as session files name it.
    pub role: &'a str,
    /// Presented level of the first as stated, in dB SPL.
    pub level_db_spl: Option<f64>,
    /// What was found.
    pub outcome: &'a measurement::Outcome,
}

impl<'a> Measured<'a> {
    /// The capture, or the first of several.
    pub fn capture(&self) -> &'a str {
        self.captures.first().copied().unwrap_or_default()
    }
}

/// Speech at one presented level.
#[derive(Debug, Clone, Copy)]
pub struct PresentedSpeech<'a> {
    /// Name of the capture.
    pub capture: &'a str,
    /// Presented level in dB SPL: as stated, else as measured.
    pub level_db_spl: Option<f64>,
    /// Its percentiles.
    pub speech: &'a speech_percentiles::Outcome,
}

impl<'a> Evidence<'a> {
    /// Speech, softest first.
    pub fn speech(&self) -> Vec<PresentedSpeech<'a>> {
        let each = self.measured.iter().filter_map(|m| match m.outcome {
            measurement::Outcome::SpeechPercentiles(speech) => Some(PresentedSpeech {
                capture: m.capture(),
                level_db_spl: m.level_db_spl.or(speech.presented.figure().map(Level::db)),
                speech,
            }),
            _ => None,
        });
        let mut each: Vec<_> = each.collect();
        let level = |s: &PresentedSpeech<'_>| s.level_db_spl.unwrap_or(f64::INFINITY);
        each.sort_by(|a, b| level(a).total_cmp(&level(b)));
        each
    }

    /// The output force levels of `capture`.
    pub fn output_force_level(&self, capture: &str) -> Option<&'a output_force_level::Outcome> {
        self.measured.iter().find_map(|m| match m.outcome {
            measurement::Outcome::OutputForceLevel(found) if m.capture() == capture => Some(found),
            _ => None,
        })
    }

    /// Levels of the first capture with `role`.
    pub fn levels(&self, role: &str) -> Option<(&'a str, &'a levels::Outcome)> {
        self.measured.iter().find_map(|m| match m.outcome {
            measurement::Outcome::Levels(levels) if m.role == role => Some((m.capture(), levels)),
            _ => None,
        })
    }
}

/// The bands of the force channel.
fn force_bands(
    levels: &levels::Outcome,
) -> impl Iterator<Item = &levels::BandLevels<OneMicronewton>> {
    levels.channels.iter().flat_map(|channel| match channel {
        levels::ChannelLevels::Force(force) => force.bands.as_slice(),
        levels::ChannelLevels::Microphone(_) => &[],
    })
}

/// An absent figure, because of `why`.
fn absent<Q: Quantity>(why: &str) -> Reading<Q> {
    Reading::not_measured(why)
}

/// One assessment: the captures behind it, and what came of it.
pub type Assessed = (Vec<String>, Result<Outcome>);

/// Makes `Kind`, `Outcome`, `Options` and the dispatch from the list.
macro_rules! catalogue {
    ($($variant:ident: $module:ident),+ $(,)?) => {
        /// An assessment of the catalogue.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        #[schemars(rename = "AssessmentKind")]
        pub enum Kind {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] $variant,)+
        }

        impl Kind {
            /// Every assessment, in the order of the record.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The name in records and messages.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => stringify!($module),)+ }
            }
        }

        /// What an assessment found; tagged with its name as `entry`.
        #[derive(Debug, Clone, Serialize, JsonSchema)]
        #[serde(tag = "entry", rename_all = "snake_case")]
        #[schemars(rename = "AssessmentOutcome")]
        pub enum Outcome {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] $variant($module::Outcome),)+
        }

        impl Outcome {
            /// The assessment that made it.
            pub fn kind(&self) -> Kind {
                match self { $(Self::$variant(_) => Kind::$variant,)+ }
            }
        }

        /// The options of every assessment: the `[criteria]` of a session.
        #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(deny_unknown_fields, default)]
        #[schemars(rename = "AssessmentOptions")]
        pub struct Options {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] pub $module: $module::Options,)+
        }

        impl Options {
            /// Refuses values that make no sense, before anything is read.
            ///
            /// # Errors
            /// [`crate::Problem::Value`] with the key.
            pub fn check(&self) -> Result<()> {
                $(self.$module.check()?;)+
                Ok(())
            }
        }

        /// Makes every assessment that the evidence allows.
        pub fn assess(evidence: &Evidence<'_>, options: &Options) -> Vec<Assessed> {
            let mut found = Vec::new();
            $(for input in $module::Input::bind(evidence) {
                let outcome = $module::assess(&input, &options.$module);
                found.push((input.captures(), outcome.map(Outcome::$variant)));
            })+
            found
        }
    };
}

impl Outcome {
    /// Whether something judged was found outside its limits.
    pub fn outside(&self) -> bool {
        match self {
            Self::Audibility(_) | Self::MethodDifference(_) => false,
            Self::DataSheet(found) => found.verdict == Verdict::Outside,
            Self::Targets(found) => found
                .levels
                .iter()
                .any(|l| [l.verdict, l.rms_verdict].contains(&Verdict::Outside)),
            Self::Discomfort(found) => found
                .outputs
                .iter()
                .any(|o| o.verdict == discomfort::Standing::Above),
        }
    }
}

catalogue! {
    Audibility: audibility,
    Targets: targets,
    Discomfort: discomfort,
    MethodDifference: method_difference,
    DataSheet: data_sheet,
}
