//! What is measured. Each file is one question with the same six public names:
//! `NEEDS`, `RELIES_ON`, `Input`, `Options`, `Outcome` and `measure`.
//!
//! The catalogue at the end of this file is the one list of them; the plan's
//! requests, the record's entries and the dispatch follow from it.

pub mod attack_release;
pub mod calibrator_tone;
pub mod directional;
pub mod directional_at_once;
pub mod directivity;
pub mod equivalent_input_noise;
pub mod feedback;
pub mod force_level_response;
pub mod full_on_sensitivity;
mod gain_difference;
pub mod harmonic_distortion;
pub mod importance;
pub mod input_output;
pub mod levels;
pub mod noise_reduction;
pub mod noise_reduction_onset;
pub mod output_force_level;
pub mod phase_inversion;
pub mod presented;
pub mod sensitivity;
pub mod speech_percentiles;
pub mod sweep;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::diagnostic::{Problem, Result};
use crate::levels::{Levels, Needs};
use crate::trust::Check;

/// The reduced captures of one request, by the role they play in it.
pub struct Captures<'a> {
    measurement: &'static str,
    by_role: BTreeMap<&'a str, &'a Levels>,
}

impl<'a> Captures<'a> {
    /// The captures of a request for `kind`.
    pub fn new(kind: Kind, by_role: impl IntoIterator<Item = (&'a str, &'a Levels)>) -> Self {
        Self {
            measurement: kind.name(),
            by_role: by_role.into_iter().collect(),
        }
    }

    /// The capture that plays `role`.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`].
    pub fn role(&self, role: &'static str) -> Result<&'a Levels> {
        self.optional(role).ok_or_else(|| {
            let measurement = self.measurement;
            Problem::RoleMissing { measurement, role }.into()
        })
    }

    /// The capture that plays `role`, if there is one.
    pub fn optional(&self, role: &str) -> Option<&'a Levels> {
        self.by_role.get(role).copied()
    }

    /// The captures whose roles begin with `start`, with the rest of the role.
    fn beginning<'b>(&'b self, start: &'b str) -> impl Iterator<Item = (&'a str, &'a Levels)> + 'b {
        let each = self.by_role.iter();
        each.filter_map(move |(role, levels)| Some((role.strip_prefix(start)?, *levels)))
    }
}

/// The input of a measurement on one capture.
pub struct OneCapture<'a> {
    /// The capture.
    pub capture: &'a Levels,
}

impl<'a> OneCapture<'a> {
    /// Finds the capture.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        let capture = captures.role("capture")?;
        Ok(Self { capture })
    }
}

/// The options of a question that leaves nothing to choose.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct NoOptions {}

impl NoOptions {
    /// Nothing can be wrong.
    ///
    /// # Errors
    /// None.
    pub fn check(&self) -> Result<()> {
        Ok(())
    }
}

/// Makes `Kind`, `Outcome`, `Options` and the dispatch from the list.
macro_rules! catalogue {
    ($($variant:ident: $module:ident),+ $(,)?) => {
        /// A measurement of the catalogue.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        #[schemars(rename = "MeasurementKind")]
        pub enum Kind {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] $variant,)+
        }

        impl Kind {
            /// Every measurement, in the order of the record.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The name in records, plans and messages.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => stringify!($module),)+ }
            }

            /// The reductions it reads.
            pub fn needs(self) -> Needs {
                match self { $(Self::$variant => $module::NEEDS,)+ }
            }

            /// The set-up checks it relies on.
            pub fn relies_on(self) -> &'static [Check] {
                match self { $(Self::$variant => $module::RELIES_ON,)+ }
            }

            /// Measures.
            ///
            /// # Errors
            /// What keeps the whole question from being answered.
            pub fn measure(self, captures: &Captures<'_>, options: &Options) -> Result<Outcome> {
                match self {
                    $(Self::$variant => {
                        let input = $module::Input::bind(captures)?;
                        $module::measure(&input, &options.$module).map(Outcome::$variant)
                    })+
                }
            }
        }

        /// What a measurement found; tagged with its name as `entry`.
        #[derive(Debug, Clone, Serialize, JsonSchema)]
        #[serde(tag = "entry", rename_all = "snake_case")]
        #[allow(clippy::large_enum_variant, reason = "a record holds a few dozen of them")]
        #[schemars(rename = "MeasurementOutcome")]
        pub enum Outcome {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] $variant($module::Outcome),)+
        }

        impl Outcome {
            /// The measurement that made it.
            pub fn kind(&self) -> Kind {
                match self { $(Self::$variant(_) => Kind::$variant,)+ }
            }
        }

        /// The options of every measurement: the `[options]` of a session.
        #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(deny_unknown_fields, default)]
        #[schemars(rename = "MeasurementOptions")]
        pub struct Options {
            $(#[doc = concat!("See [`", stringify!($module), "`].")] pub $module: $module::Options,)+
        }

        impl Options {
            /// Refuses values that make no sense, before anything is read.
            ///
            /// # Errors
            /// [`Problem::Value`] with the key.
            pub fn check(&self) -> Result<()> {
                $(self.$module.check()?;)+
                Ok(())
            }
        }
    };
}

catalogue! {
    Levels: levels,
    SpeechPercentiles: speech_percentiles,
    Feedback: feedback,
    Directional: directional,
    DirectionalAtOnce: directional_at_once,
    Directivity: directivity,
    NoiseReduction: noise_reduction,
    NoiseReductionOnset: noise_reduction_onset,
    PhaseInversion: phase_inversion,
    Sensitivity: sensitivity,
    EquivalentInputNoise: equivalent_input_noise,
    OutputForceLevel: output_force_level,
    FullOnSensitivity: full_on_sensitivity,
    ForceLevelResponse: force_level_response,
    HarmonicDistortion: harmonic_distortion,
    InputOutput: input_output,
    AttackRelease: attack_release,
    CalibratorTone: calibrator_tone,
}
