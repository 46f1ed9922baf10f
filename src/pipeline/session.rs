//! The session file: who, which device, and which capture is which.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::pseudonym;
use crate::assessment::{self, Person};
use crate::diagnostic::{At, Diagnostic, Problem, Result, toml_problem};
use crate::levels::StatedTone;
use crate::measurement::Options;
use crate::quantity::{Band, BandRange, Date, Role};
use crate::trust::Sound;

/// A session file as written.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SessionDocument {
    pub(super) schema: u32,
    pub(super) session: Head,
    #[serde(default)]
    pub(super) device: Option<Device>,
    #[serde(default)]
    pub(super) person: Option<Person>,
    #[serde(default)]
    bands: Bands,
    #[serde(default)]
    pub(super) capture: Vec<CaptureDocument>,
    #[serde(default)]
    pub(super) options: Options,
    #[serde(default)]
    pub(super) criteria: assessment::Options,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Head {
    pub(super) code: String,
    date: Option<Date>,
    #[serde(rename = "box")]
    test_box: Option<TestBox>,
    pub(super) calibration: PathBuf,
}

#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Bands {
    lowest_hz: Option<f64>,
    highest_hz: Option<f64>,
}

/// One capture, or one from each of several angles.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CaptureDocument {
    pub(super) name: String,
    pub(super) file: Option<PathBuf>,
    pub(super) role: CaptureRole,
    pub(super) level_db_spl: Option<f64>,
    level_db: Option<f64>,
    frequency_hz: Option<f64>,
    pub(super) direction_deg: Option<f64>,
    #[serde(default)]
    angles_deg: Vec<f64>,
    #[serde(default)]
    pub(super) steps_s: Vec<[f64; 2]>,
    pub(super) from_s: Option<f64>,
    pub(super) to_s: Option<f64>,
    pub(super) note: Option<String>,
    pub(super) force: Option<SourceDocument>,
    pub(super) microphone: Option<SourceDocument>,
}

/// Where one channel lies, if not where the calibration says.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SourceDocument {
    pub(super) file: Option<PathBuf>,
    pub(super) channel: Option<usize>,
}

/// Stands for the angle in the name and the files of a series.
const ANGLE: &str = "{angle}";

impl CaptureDocument {
    /// The captures that it stands for: itself, or one for each of `angles_deg`.
    fn each(self) -> Result<Vec<Self>> {
        if self.angles_deg.is_empty() {
            return Ok(vec![self]);
        }
        if self.role != CaptureRole::Angle || self.direction_deg.is_some() {
            return Err(Diagnostic::value(
                "angles_deg",
                format!(
                    "beside `role = \"{}\"` or `direction_deg`",
                    self.role.name()
                ),
                "`role = \"angle\"`, and no `direction_deg`",
            ));
        }
        let own = [&self.force, &self.microphone].into_iter().flatten();
        let own = own.filter_map(|source| source.file.as_ref());
        let mut files = self.file.iter().chain(own);
        let named = |file: &PathBuf| file.to_string_lossy().contains(ANGLE);
        if !files.all(named) || !self.name.contains(ANGLE) {
            return Err(Diagnostic::value(
                "angles_deg",
                "beside a name or file without `{angle}`",
                "`{angle}` in `name` and `file`, where the angle stands",
            ));
        }
        Ok(self
            .angles_deg
            .iter()
            .map(|angle| self.at(*angle))
            .collect())
    }

    /// The capture from one angle.
    fn at(&self, angle_deg: f64) -> Self {
        let told = |text: &str| text.replace(ANGLE, &angle_deg.to_string());
        let file = |file: &PathBuf| PathBuf::from(told(&file.to_string_lossy()));
        let source = |source: &SourceDocument| SourceDocument {
            file: source.file.as_ref().map(file),
            ..source.clone()
        };
        Self {
            name: told(&self.name),
            file: self.file.as_ref().map(file),
            direction_deg: Some(angle_deg),
            angles_deg: Vec::new(),
            force: self.force.as_ref().map(source),
            microphone: self.microphone.as_ref().map(source),
            ..self.clone()
        }
    }

    /// Refuses stated steps that do not follow one another.
    pub(super) fn check_steps(&self) -> Result<()> {
        let times = self.steps_s.as_flattened();
        let rising = times.windows(2).enumerate().all(|(n, pair)| match n % 2 {
            0 => pair[0] < pair[1],
            _ => pair[0] <= pair[1],
        });
        if rising && times.iter().all(|s| (0.0..=86_400.0).contains(s)) {
            return Ok(());
        }
        Err(Diagnostic::value(
            "steps_s",
            format!("{:?}", self.steps_s),
            "pairs of begin and end in seconds of the recording, one step after the other",
        ))
    }

    /// What a calibrator is stated to do; both keys must be there with a
    /// calibrator's role, and with no other.
    pub(super) fn tone(&self) -> Result<Option<StatedTone>> {
        let missing = |key: &str| Diagnostic::from(Problem::MissingKey { key: key.into() });
        let tone = match (self.role.calibrated(), self.level_db, self.frequency_hz) {
            (None, None, None) => None,
            (None, ..) => {
                return Err(Diagnostic::value(
                    "role",
                    format!("`{}` beside `level_db` or `frequency_hz`", self.role.name()),
                    "`microphone_calibrator` or `force_calibrator`; a presented level is `level_db_spl`",
                ));
            }
            (Some(role), level_db, frequency_hz) => Some(StatedTone {
                role,
                level_db: level_db.ok_or_else(|| missing("level_db"))?,
                frequency_hz: frequency_hz.ok_or_else(|| missing("frequency_hz"))?,
            }),
        };
        Ok(tone)
    }
}

/// What the session file says of the appointment.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Session {
    /// Code of the session.
    pub code: String,
    /// Date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<Date>,
    /// Test box closed or open.
    #[serde(rename = "box", skip_serializing_if = "Option::is_none")]
    pub test_box: Option<TestBox>,
    /// The device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device: Option<Device>,
    /// The person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person: Option<Person>,
}

/// Whether the test box was closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum TestBox {
    /// Closed.
    Closed,
    /// Open, or partly open: noise and directional figures are less reliable.
    Open,
}

/// The device under test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Device {
    /// Code of the device; no serial number.
    pub code: String,
    /// Side on which it is worn; left and right are mounted mirrored.
    pub side: Option<Side>,
    /// The file of its data sheet; in a record it stands among the inputs.
    #[serde(skip_serializing)]
    pub data_sheet: Option<PathBuf>,
}

/// Side on which a device is worn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
}

impl Side {
    /// The side as documents name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
        }
    }
}

/// What a capture was recorded for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CaptureRole {
    /// Speech at a stated level.
    Speech,
    /// Tone sweep at 90 dB SPL.
    OutputForceLevel,
    /// Steady noise at 60 dB SPL.
    Sensitivity,
    /// Tone sweep at 50 dB SPL, gain full on.
    FullOnSensitivity,
    /// Tone sweep at 60 dB SPL, reference test setting.
    ForceLevelResponse,
    /// Tones for distortion.
    HarmonicDistortion,
    /// Level staircase.
    InputOutput,
    /// Level steps.
    AttackRelease,
    /// No stimulus.
    EquivalentInputNoise,
    /// Device off.
    RoomNoise,
    /// The sound of other captures, device off: what plays, without what comes back.
    Substitution,
    /// Sound from the front.
    Front,
    /// Sound from the back.
    Back,
    /// Tones from the front and others from the back, at once.
    FrontAndBack,
    /// Sound from `direction_deg`.
    Angle,
    /// Noise reduction off.
    NoiseReductionOff,
    /// Noise reduction on, settled.
    NoiseReductionOn,
    /// Noise reduction setting in.
    NoiseReductionOnset,
    /// Speech and noise, noise reduction off.
    SpeechPlusNoise,
    /// Speech and inverted noise, noise reduction off.
    SpeechMinusNoise,
    /// Speech and noise, noise reduction on.
    SpeechPlusNoiseOn,
    /// Speech and inverted noise, noise reduction on.
    SpeechMinusNoiseOn,
    /// An earlier capture of the same sound, the microphone well placed.
    Earlier,
    /// Before a change on the bench.
    Before,
    /// After it.
    After,
    /// Acoustic calibrator on the microphone.
    MicrophoneCalibrator,
    /// Force reference on the simulator.
    ForceCalibrator,
    /// None of these: levels and feedback only.
    General,
}

impl SessionDocument {
    /// Reads a session file.
    ///
    /// # Errors
    /// Syntax, unknown and missing keys with line; a name given twice.
    pub fn parse(text: &str) -> Result<Self> {
        let mut document: Self =
            toml::from_str(text).map_err(|e| pseudonym::explained(toml_problem(&e, text)))?;
        if let Some(person) = &document.person {
            pseudonym::check("person.code", &person.code)?;
        }
        if document.schema != 1 {
            return Err(Diagnostic::value("schema", document.schema, "1"));
        }
        if document.capture.is_empty() {
            let key = "[[capture]]".into();
            return Err(Problem::MissingKey { key }.into());
        }
        let mut captures = Vec::new();
        for capture in document.capture {
            let name = capture.name.clone();
            captures.extend(capture.each().in_capture(&name)?);
        }
        document.capture = captures;
        for (position, capture) in document.capture.iter().enumerate() {
            if document.capture[..position]
                .iter()
                .any(|c| c.name == capture.name)
            {
                return Err(Diagnostic::value(
                    "capture.name",
                    format!("`{}`", capture.name),
                    "a name of its own for every capture",
                ));
            }
        }
        Ok(document)
    }

    /// What it says of the appointment.
    pub fn session(&self) -> Session {
        Session {
            code: self.session.code.clone(),
            date: self.session.date,
            test_box: self.session.test_box,
            device: self.device.clone(),
            person: self.person.clone(),
        }
    }

    /// The bands to analyse.
    ///
    /// # Errors
    /// A frequency that names no band, or bands in the wrong order.
    pub fn range(&self) -> Result<BandRange> {
        let default = BandRange::default();
        let band = |hz: Option<f64>, default: Band| hz.map_or(Ok(default), Band::named);
        BandRange::new(
            band(self.bands.lowest_hz, default.lowest())?,
            band(self.bands.highest_hz, default.highest())?,
        )
    }
}

impl CaptureRole {
    /// What it says of the sound.
    pub fn sound(self) -> Sound {
        match self {
            Self::Speech => Sound::Speech,
            Self::OutputForceLevel
            | Self::Sensitivity
            | Self::FullOnSensitivity
            | Self::ForceLevelResponse
            | Self::Front
            | Self::Back
            | Self::Angle
            | Self::Earlier
            | Self::NoiseReductionOff
            | Self::NoiseReductionOn => Sound::Steady,
            Self::HarmonicDistortion | Self::InputOutput | Self::AttackRelease => Sound::Stepped,
            Self::EquivalentInputNoise | Self::RoomNoise => Sound::Silence,
            Self::MicrophoneCalibrator | Self::ForceCalibrator => Sound::Calibrator,
            Self::NoiseReductionOnset
            | Self::SpeechPlusNoise
            | Self::SpeechMinusNoise
            | Self::SpeechPlusNoiseOn
            | Self::SpeechMinusNoiseOn
            | Self::FrontAndBack
            | Self::Substitution
            | Self::Before
            | Self::After
            | Self::General => Sound::Unknown,
        }
    }

    /// The channel that a calibrator drives in such a capture.
    pub fn calibrated(self) -> Option<Role> {
        match self {
            Self::MicrophoneCalibrator => Some(Role::Microphone),
            Self::ForceCalibrator => Some(Role::Force),
            _ => None,
        }
    }

    /// The role as session files name it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Speech => "speech",
            Self::OutputForceLevel => "output_force_level",
            Self::Sensitivity => "sensitivity",
            Self::FullOnSensitivity => "full_on_sensitivity",
            Self::ForceLevelResponse => "force_level_response",
            Self::HarmonicDistortion => "harmonic_distortion",
            Self::InputOutput => "input_output",
            Self::AttackRelease => "attack_release",
            Self::EquivalentInputNoise => "equivalent_input_noise",
            Self::RoomNoise => "room_noise",
            Self::Substitution => "substitution",
            Self::Front => "front",
            Self::Back => "back",
            Self::FrontAndBack => "front_and_back",
            Self::Angle => "angle",
            Self::NoiseReductionOff => "noise_reduction_off",
            Self::NoiseReductionOn => "noise_reduction_on",
            Self::NoiseReductionOnset => "noise_reduction_onset",
            Self::SpeechPlusNoise => "speech_plus_noise",
            Self::SpeechMinusNoise => "speech_minus_noise",
            Self::SpeechPlusNoiseOn => "speech_plus_noise_on",
            Self::SpeechMinusNoiseOn => "speech_minus_noise_on",
            Self::Earlier => "earlier",
            Self::Before => "before",
            Self::After => "after",
            Self::MicrophoneCalibrator => "microphone_calibrator",
            Self::ForceCalibrator => "force_calibrator",
            Self::General => "general",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(lines: &str) -> Result<SessionDocument> {
        SessionDocument::parse(&format!(
            "schema = 1\n[session]\ncode = \"a\"\ncalibration = \"c.toml\"\n[[capture]]\n{lines}"
        ))
    }

    #[test]
    fn a_series_stands_for_one_capture_from_each_angle() {
        let document = series(
            "name = \"ring_{angle}\"\nfile = \"r{angle}.wav\"\nrole = \"angle\"\n\
             angles_deg = [0, -15, 22.5]\n",
        )
        .unwrap();
        let told: Vec<_> = document
            .capture
            .iter()
            .map(|c| (c.name.as_str(), c.file.clone().unwrap(), c.direction_deg))
            .collect();
        assert_eq!(told[1], ("ring_-15", "r-15.wav".into(), Some(-15.0)));
        assert_eq!(told[2], ("ring_22.5", "r22.5.wav".into(), Some(22.5)));
        assert_eq!(told.len(), 3);
    }

    #[test]
    fn a_series_without_its_mark_or_of_another_role_is_refused() {
        for lines in [
            "name = \"ring\"\nfile = \"r{angle}.wav\"\nrole = \"angle\"\nangles_deg = [0]\n",
            "name = \"r{angle}\"\nfile = \"r.wav\"\nrole = \"angle\"\nangles_deg = [0]\n",
            "name = \"r{angle}\"\nfile = \"r{angle}.wav\"\nrole = \"front\"\nangles_deg = [0]\n",
        ] {
            let message = series(lines).unwrap_err().to_string();
            assert!(message.contains("angles_deg"), "{message}");
        }
    }
}
