//! What came out: the single truth that every report is made from.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::recipe::Recipe;
use super::session::{CaptureRole, Session, Side};
use crate::assessment;
use crate::calibration::Calibration;
use crate::capture::{InputFile, Source};
use crate::diagnostic::{Diagnostic, Severity};
use crate::measurement::{Options, Outcome, feedback};
use crate::quantity::Reading;
use crate::trust::{Check, Checked, State};

/// The result of a run. Same plan and files, same record.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Record {
    /// Version of this layout.
    #[schemars(extend("const" = 1))]
    pub schema: u32,
    /// The program.
    pub tool: Tool,
    /// What the session file says of the appointment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<Session>,
    /// What was taken out of it, so that it leads to nobody; empty if nothing was.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub withheld: Vec<String>,
    /// How to make it again.
    pub recipe: Recipe,
    /// Every file read, with its hash.
    pub inputs: Vec<InputFile>,
    /// The calibration applied.
    pub calibration: Calibration,
    /// The options in force.
    pub options: Options,
    /// The criteria in force.
    pub criteria: assessment::Options,
    /// The captures that were read.
    pub captures: Vec<CaptureRead>,
    /// The set-up checks of every capture.
    pub checks: Vec<Checked>,
    /// What was measured.
    pub entries: Vec<Entry>,
    /// What the outcomes mean for the person.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub assessments: Vec<Assessment>,
    /// What was assumed, doubtful or impossible.
    pub findings: Vec<Diagnostic>,
    /// Questions that the captures cannot answer, and what to record.
    pub gaps: Vec<String>,
}

/// Name and version of the program.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Tool {
    /// Name.
    pub name: &'static str,
    /// Version.
    pub version: &'static str,
}

impl Tool {
    /// This program.
    pub const THIS: Self = Self {
        name: env!("CARGO_PKG_NAME"),
        version: env!("CARGO_PKG_VERSION"),
    };
}

/// A capture that was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaptureRead {
    /// Its name.
    pub name: String,
    /// What it was recorded for.
    pub role: CaptureRole,
    /// Where its force channel was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub force: Option<Source>,
    /// Where its microphone channel was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub microphone: Option<Source>,
    /// Start of the part asked for, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_s: Option<f64>,
    /// Its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to_s: Option<f64>,
    /// Length of the recording in seconds.
    pub duration_s: f64,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Presented level as stated, in dB SPL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_db_spl: Option<f64>,
    /// Level of a calibrator as stated, in dB re 20 µPa or re 1 µN.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level_db: Option<f64>,
    /// Its frequency as stated, in Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// Direction as stated, in degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub direction_deg: Option<f64>,
    /// Begin and end of the steps of tones as stated, in seconds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub steps_s: Vec<[f64; 2]>,
    /// The user's note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// One measurement and the captures that played a part in it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Entry {
    /// Part and name of the capture.
    #[serde(flatten)]
    pub captures: BTreeMap<String, String>,
    /// The set-up checks it relies on that are not passed; its figures are
    /// doubtful.
    pub doubts: Vec<Doubt>,
    /// What was found.
    #[serde(flatten)]
    pub outcome: Outcome,
}

/// A set-up check that is not passed, and where.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
pub struct Doubt {
    /// The check.
    pub check: Check,
    /// The capture.
    pub capture: String,
}

/// One assessment and the captures behind it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Assessment {
    /// Names of the captures.
    pub captures: Vec<String>,
    /// The doubts of the measurements on these captures; what was found is
    /// doubtful.
    pub doubts: Vec<Doubt>,
    /// What was found.
    #[serde(flatten)]
    pub outcome: assessment::Outcome,
}

impl Record {
    /// The side on which the device is worn, if the session says it.
    pub fn side(&self) -> Option<Side> {
        self.session.as_ref()?.device.as_ref()?.side
    }

    /// The doubts of everything measured on `captures` alone.
    pub(super) fn doubts_of(&self, captures: &[String]) -> Vec<Doubt> {
        let mut doubts: Vec<Doubt> = Vec::new();
        for entry in &self.entries {
            let own = entry.captures.get("capture");
            if own.is_some_and(|name| captures.contains(name)) {
                doubts.extend(entry.doubts.iter().cloned());
            }
        }
        doubts.sort();
        doubts.dedup();
        doubts
    }

    /// Whether something judged was found outside: an oscillation, a device that
    /// favours the back beyond the uncertainty, faulty microphones, a calibration that drifted, a
    /// recording not fit to be trusted, speech off its target, or an output above
    /// an uncomfortable level.
    pub fn outside(&self) -> bool {
        let untrusted = |checked: &Checked| checked.found.state >= State::Doubtful;
        self.checks.iter().any(untrusted)
            || self.assessments.iter().any(|a| a.outcome.outside())
            || self.entries.iter().any(|entry| match &entry.outcome {
                Outcome::Feedback(feedback::Outcome::Capture(found)) => !found.events.is_empty(),
                Outcome::Feedback(feedback::Outcome::Pair { .. }) => false,
                Outcome::Directional(directional) => match &directional.broadband {
                    Reading::Measured(figure, budget) => {
                        budget.expanded().is_some_and(|u| figure.db() + u < 0.0)
                    }
                    _ => false,
                },
                Outcome::Directivity(found) => !found.microphones.faults.is_empty(),
                Outcome::CalibratorTone(tone) => tone.drifted() == Some(true),
                _ => false,
            })
    }

    /// Whether something asked for could not be done.
    pub fn incomplete(&self) -> bool {
        self.findings
            .iter()
            .any(|f| f.severity() == Severity::Error)
    }
}
