//! Can a capture be trusted? Each file is one set-up check with the same two
//! public names: `NEXT`, what to do about it, and `check`.
//!
//! The catalogue at the end of this file is the one list of them. A measurement
//! names the checks that it relies on; a doubtful one goes with its figures, a
//! failed one keeps it from being made.

mod calibration;
mod channel_copy;
mod channel_order;
mod clipping;
mod clocks;
mod duration;
mod gaps;
mod hum;
mod impulses;
mod microphone_position;
mod offset;
mod presented_level;
mod room_noise;
mod test_box;

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::ser::{Serialize, SerializeMap, Serializer};

use crate::capture::Integrity;
use crate::levels::{Levels, Needs};
use crate::quantity::{Date, Role};

/// The reductions that the checks read beside those of the measurements.
pub const NEEDS: Needs = Needs {
    setup: true,
    ..Needs::NONE
};

/// What a check sees.
pub struct Input<'a> {
    /// What the session says of the capture.
    pub stated: Stated,
    /// The capture.
    pub levels: &'a Levels,
    /// The capture of the room with the device off.
    pub room_noise: Option<&'a Levels>,
    /// An earlier capture of the same sound with the microphone well placed.
    pub earlier: Option<&'a Levels>,
}

/// What a session says of a capture.
#[derive(Debug, Clone, Copy, Default)]
pub struct Stated {
    /// The sound.
    pub sound: Sound,
    /// Its level at the device in dB SPL.
    pub level_db_spl: Option<f64>,
    /// Day of the session.
    pub date: Option<Date>,
    /// How far the calibration drifted between two calibrators.
    pub drift: Option<Drift>,
    /// Whether the test box was open.
    pub box_open: Option<bool>,
    /// Whether each channel has a file of its own.
    pub separate_files: bool,
}

/// A drift of the calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// How far, in dB.
    pub db: f64,
    /// How far it may, in dB.
    pub allowed_db: f64,
}

/// What was played, as far as the checks must know.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Sound {
    /// Not stated.
    #[default]
    Unknown,
    /// Speech.
    Speech,
    /// One level throughout.
    Steady,
    /// Steps of level.
    Stepped,
    /// None.
    Silence,
    /// A calibrator's tone on one of the channels.
    Calibrator,
}

/// How a check ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nothing amiss.
    Passed,
    /// Something is missing to tell.
    NotChecked,
    /// The figures that rely on it are in doubt.
    Doubtful,
    /// What relies on it cannot be measured.
    Failed,
}

/// What a check found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// How it ended.
    pub state: State,
    /// In a plain sentence without its full stop.
    pub finding: String,
    /// The figures behind it; each name ends in its unit.
    pub evidence: Vec<(&'static str, f64)>,
}

impl Found {
    fn new(state: State, finding: impl Into<String>) -> Self {
        Self {
            state,
            finding: finding.into(),
            evidence: Vec::new(),
        }
    }

    fn passed(finding: impl Into<String>) -> Self {
        Self::new(State::Passed, finding)
    }

    fn doubtful(finding: impl Into<String>) -> Self {
        Self::new(State::Doubtful, finding)
    }

    fn failed(finding: impl Into<String>) -> Self {
        Self::new(State::Failed, finding)
    }

    fn not_checked(reason: impl Into<String>) -> Self {
        Self::new(State::NotChecked, reason)
    }

    fn with(mut self, name: &'static str, figure: f64) -> Self {
        if figure.is_finite() {
            self.evidence.push((name, figure));
        }
        self
    }
}

/// A check of the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The check.
    pub check: Check,
    /// The capture.
    pub capture: String,
    /// What was found.
    pub found: Found,
}

impl Serialize for Checked {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("check", &self.check)?;
        map.serialize_entry("capture", &self.capture)?;
        map.serialize_entry("state", &self.found.state)?;
        map.serialize_entry("finding", &self.found.finding)?;
        for (name, figure) in &self.found.evidence {
            map.serialize_entry(name, figure)?;
        }
        map.end()
    }
}

impl JsonSchema for Checked {
    fn schema_name() -> Cow<'static, str> {
        "Checked".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "How a set-up check ended on a capture, and the figures behind it",
            "type": "object",
            "properties": {
                "check": generator.subschema_for::<Check>(),
                "capture": {"type": "string"},
                "state": generator.subschema_for::<State>(),
                "finding": {"type": "string"},
            },
            "required": ["check", "capture", "state", "finding"],
            "additionalProperties": {"type": "number"},
        })
    }
}

/// The channels of a capture that are calibrated, by role.
fn channels(levels: &Levels) -> impl Iterator<Item = Role> {
    Role::ALL
        .into_iter()
        .filter(|role| levels.channels[*role as usize].is_some())
}

/// What the samples of each recorded channel show.
fn recorded(levels: &Levels) -> impl Iterator<Item = (Role, &Integrity)> {
    let of = |role: Role| Some((role, levels.integrity[role as usize].as_ref()?));
    Role::ALL.into_iter().filter_map(of)
}

/// Makes `Check` and the dispatch from the list.
macro_rules! checks {
    ($($variant:ident: $module:ident),+ $(,)?) => {
        /// A check of the catalogue.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Check {
            $(#[doc = concat!("See `trust/", stringify!($module), ".rs`.")] $variant,)+
        }

        impl Check {
            /// Every check, in the order of the record.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The name in records.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => stringify!($module),)+ }
            }

            /// Its code among the problems of a run.
            pub fn code(self) -> &'static str {
                match self { $(Self::$variant => concat!("trust.", stringify!($module)),)+ }
            }

            /// What to do where it is not passed.
            pub fn next(self) -> &'static str {
                match self { $(Self::$variant => $module::NEXT,)+ }
            }

            /// Looks.
            pub fn check(self, input: &Input<'_>) -> Found {
                match self { $(Self::$variant => $module::check(input),)+ }
            }
        }
    };
}

checks! {
    Calibration: calibration,
    ChannelOrder: channel_order,
    ChannelCopy: channel_copy,
    Clipping: clipping,
    Offset: offset,
    Gaps: gaps,
    PresentedLevel: presented_level,
    MicrophonePosition: microphone_position,
    RoomNoise: room_noise,
    Hum: hum,
    Impulses: impulses,
    Duration: duration,
    TestBox: test_box,
    Clocks: clocks,
}
