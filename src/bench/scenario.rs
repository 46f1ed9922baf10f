//! The scenario file: one bench, one device, and the captures to render.

use std::path::Path;

use serde::Deserialize;

use super::device::Device;
use super::feedback::Feedback;
use super::knock::Knock;
use super::recorder::{Dropout, ForceChannel, MicrophoneChannel, Recorder};
use super::session::{Session, TestBox};
use super::stimulus::{Stimulus, within};
use crate::diagnostic::{At, Diagnostic, Problem, Result, toml_problem};

/// Roles that session files know.
const ROLES: [&str; 28] = [
    "speech",
    "output_force_level",
    "sensitivity",
    "full_on_sensitivity",
    "force_level_response",
    "harmonic_distortion",
    "input_output",
    "attack_release",
    "equivalent_input_noise",
    "room_noise",
    "substitution",
    "front",
    "back",
    "front_and_back",
    "angle",
    "noise_reduction_off",
    "noise_reduction_on",
    "noise_reduction_onset",
    "speech_plus_noise",
    "speech_minus_noise",
    "speech_plus_noise_on",
    "speech_minus_noise_on",
    "earlier",
    "before",
    "after",
    "microphone_calibrator",
    "force_calibrator",
    "general",
];

/// A bench, a device and captures, read from a scenario file. The file is
/// described in docs/bench.md.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    schema: u32,
    #[serde(default = "one")]
    pub(super) seed: u64,
    #[serde(default = "usual_rate_hz")]
    pub(super) rate_hz: u32,
    #[serde(default)]
    pub(super) session: Session,
    #[serde(default)]
    pub(super) recorder: Recorder,
    #[serde(default)]
    pub(super) force: ForceChannel,
    #[serde(default)]
    pub(super) microphone: MicrophoneChannel,
    #[serde(default)]
    pub(super) room: Room,
    #[serde(default)]
    pub(super) device: Device,
    #[serde(default)]
    pub(super) feedback: Feedback,
    #[serde(default, rename = "capture")]
    captures: Vec<Capture>,
}

fn one() -> u64 {
    1
}
fn usual_rate_hz() -> u32 {
    48_000
}

/// The room around the box.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Room {
    /// Pink noise in the room, dB SPL; none: silence.
    pub(super) noise_db_spl: Option<f64>,
    /// By how much the closed box weakens it, in dB.
    pub(super) box_attenuation_db: f64,
}

impl Default for Room {
    fn default() -> Self {
        Self {
            noise_db_spl: None,
            box_attenuation_db: 30.0,
        }
    }
}

/// One capture of a scenario.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Capture {
    pub(super) name: String,
    pub(super) role: String,
    pub(super) duration_s: f64,
    #[serde(default = "silence")]
    pub(super) stimulus: Stimulus,
    pub(super) level_db_spl: Option<f64>,
    #[serde(default)]
    pub(super) direction_deg: f64,
    #[serde(default)]
    pub(super) start_s: f64,
    pub(super) stop_s: Option<f64>,
    from_s: Option<f64>,
    to_s: Option<f64>,
    pub(super) stream: Option<u32>,
    #[serde(default = "yes")]
    pub(super) device_on: bool,
    #[serde(default)]
    pub(super) directional: bool,
    #[serde(default)]
    pub(super) noise_reduction: bool,
    #[serde(default)]
    pub(super) cable: Cable,
    #[serde(default)]
    pub(super) tension_db: f64,
    pub(super) tense_from_s: Option<f64>,
    pub(super) tense_to_s: Option<f64>,
    #[serde(rename = "box")]
    pub(super) test_box: Option<TestBox>,
    pub(super) microphone_distance_m: Option<f64>,
    #[serde(default)]
    pub(super) dropouts: Vec<Dropout>,
    #[serde(default)]
    pub(super) knocks: Vec<Knock>,
    pub(super) note: Option<String>,
}

fn silence() -> Stimulus {
    Stimulus::Silence {}
}
fn yes() -> bool {
    true
}

/// How the cable hangs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Cable {
    /// Freely.
    #[default]
    Free,
    /// Under tension (between `tense_from_s` and `tense_to_s`, if given).
    Tense,
}

impl Scenario {
    /// Reads a scenario file.
    ///
    /// # Errors
    /// Syntax, unknown keys (with the nearest known one) and missing keys with
    /// their line; senseless values with their key and capture.
    ///
    /// ```
    /// use micronewton::bench::Scenario;
    /// let text = "schema = 1\n[[capture]]\nname = \"quiet\"\nrole = \"equivalent_input_noise\"\n\
    ///             duration_s = 2.0\n";
    /// let scenario = Scenario::parse(text).unwrap();
    /// assert_eq!(scenario.captures()[0].name(), "quiet");
    /// ```
    pub fn parse(text: &str) -> Result<Self> {
        let scenario: Self = toml::from_str(text).map_err(|e| toml_problem(&e, text))?;
        if scenario.schema != 1 {
            return Err(Diagnostic::value("schema", scenario.schema, "1"));
        }
        if scenario.captures.is_empty() {
            let key = "[[capture]]".into();
            return Err(Problem::MissingKey { key }.into());
        }
        if !(16_000..=192_000).contains(&scenario.rate_hz) {
            let rate_hz = scenario.rate_hz;
            return Err(Problem::Rate { rate_hz }.into());
        }
        let rate_hz = scenario.rate();
        scenario.device.check(rate_hz)?;
        scenario.recorder.check(rate_hz)?;
        scenario.force.check(rate_hz)?;
        scenario.microphone.check()?;
        within(
            "room.noise_db_spl",
            scenario.room.noise_db_spl.unwrap_or(0.0),
            -20.0,
            110.0,
            "dB",
        )?;
        within(
            "room.box_attenuation_db",
            scenario.room.box_attenuation_db,
            0.0,
            100.0,
            "dB",
        )?;
        let feedback = &scenario.feedback;
        for (name, path) in [("acoustic", &feedback.acoustic), ("cable", &feedback.cable)] {
            path.as_ref()
                .map_or(Ok(()), |path| path.check(name, rate_hz))?;
        }
        let bytes_per_s = rate_hz * 2.0 * f64::from(scenario.recorder.bits / 8);
        for (index, capture) in scenario.captures.iter().enumerate() {
            // A WAV file counts its bytes in 32 bits.
            let longest_s = 4e9 / bytes_per_s;
            within(
                "capture.duration_s",
                capture.duration_s,
                0.05,
                longest_s.min(3600.0),
                "s",
            )
            .in_capture(&capture.name)?;
            capture.check(rate_hz).in_capture(&capture.name)?;
            if scenario.captures[..index]
                .iter()
                .any(|c| c.name == capture.name)
            {
                let expected = "a name of its own for every capture";
                return Err(Diagnostic::value("capture.name", &capture.name, expected));
            }
        }
        Ok(scenario)
    }

    /// The captures, in the order of the file.
    pub fn captures(&self) -> &[Capture] {
        &self.captures
    }

    /// Sampling rate in Hz.
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    pub(super) fn rate(&self) -> f64 {
        f64::from(self.rate_hz)
    }
}

impl Capture {
    /// Name, also of its WAV file.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Role, as session files name it.
    pub fn role(&self) -> &str {
        &self.role
    }

    /// Duration in seconds.
    pub fn duration_s(&self) -> f64 {
        self.duration_s
    }

    /// The speech file it plays, relative to the scenario.
    pub fn speech_file(&self) -> Option<&Path> {
        self.stimulus.file()
    }

    /// Interval of the analysis in seconds: as stated, else the capture without
    /// its first second (its first quarter, if shorter than 4 s).
    pub fn interval_s(&self) -> [f64; 2] {
        [
            self.from_s.unwrap_or((self.duration_s / 4.0).min(1.0)),
            self.to_s.unwrap_or(self.duration_s),
        ]
    }

    fn check(&self, rate_hz: f64) -> Result<()> {
        let plain = |c: char| c.is_ascii_alphanumeric() || "_-".contains(c);
        if self.name.is_empty() || !self.name.chars().all(plain) {
            return Err(Diagnostic::value(
                "capture.name",
                format!("`{}`", self.name),
                "letters, digits, _ and -",
            ));
        }
        if !ROLES.contains(&self.role.as_str()) {
            let near = |name: &&&str| strsim::damerau_levenshtein(&self.role, name);
            return Err(Problem::UnknownKey {
                what: "value",
                key: self.role.clone(),
                nearest: ROLES.iter().min_by_key(near).map(|name| (*name).to_owned()),
                known: ROLES.map(str::to_owned).to_vec(),
            }
            .into());
        }
        let [from_s, to_s] = self.interval_s();
        if !(0.0 <= from_s && from_s < to_s && to_s <= self.duration_s) {
            let duration_s = self.duration_s;
            return Err(Problem::Interval {
                from_s,
                to_s,
                duration_s,
            }
            .into());
        }
        match self.level_db_spl {
            None if self.stimulus.needs_level() => {
                let key = "level_db_spl".into();
                return Err(Problem::MissingKey { key }.into());
            }
            level => within(
                "capture.level_db_spl",
                level.unwrap_or(0.0),
                -40.0,
                140.0,
                "dB SPL",
            )?,
        }
        within("capture.start_s", self.start_s, 0.0, self.duration_s, "s")?;
        let distance_m = self.microphone_distance_m.unwrap_or(0.0);
        within("capture.tension_db", self.tension_db, -100.0, 40.0, "dB")?;
        within("capture.microphone_distance_m", distance_m, 0.0, 0.2, "m")?;
        for knock in &self.knocks {
            within("capture.knocks.at_s", knock.at_s, 0.0, self.duration_s, "s")?;
            within(
                "capture.knocks.force_db",
                knock.force_db,
                -40.0,
                160.0,
                "dB",
            )?;
            let level_db_spl = knock.level_db_spl;
            within(
                "capture.knocks.level_db_spl",
                level_db_spl,
                -40.0,
                160.0,
                "dB SPL",
            )?;
        }
        self.stimulus.check(rate_hz)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "schema = 1\n";
    const CAPTURE: &str = "[[capture]]\nname = \"a\"\nrole = \"general\"\nduration_s = 1.0\n";

    fn refused(text: &str) -> String {
        Scenario::parse(text).unwrap_err().to_string()
    }

    #[test]
    fn an_unknown_key_is_refused_with_its_line_and_the_nearest_known_one() {
        let text = format!("{HEAD}[device.limiter]\nceiling = 110.0\n{CAPTURE}");
        let message = refused(&text);
        assert!(message.contains("ceiling_db"), "{message}");
        let diagnostic = Scenario::parse(&text).unwrap_err();
        assert_eq!(diagnostic.place().line, Some(3));
    }

    #[test]
    fn senseless_figures_name_their_capture_and_key() {
        let text = format!(
            "{HEAD}{CAPTURE}stimulus = {{ kind = \"tone\", frequency_hz = 1e6 }}\nlevel_db_spl = 60\n"
        );
        let message = refused(&text);
        assert!(message.contains("capture a"), "{message}");
        assert!(message.contains("stimulus.frequency_hz"), "{message}");
        let text = format!("{HEAD}{}", CAPTURE.replace("general", "genral"));
        assert!(refused(&text).contains("did you mean `general`"));
        let text = format!("{HEAD}{CAPTURE}stimulus = {{ kind = \"pink\" }}\n");
        assert!(refused(&text).contains("level_db_spl"));
        let text = format!("{HEAD}{CAPTURE}to_s = 2.0\n");
        assert!(refused(&text).contains("does not lie"));
    }

    #[test]
    fn two_captures_of_one_name_are_refused() {
        assert!(refused(&format!("{HEAD}{CAPTURE}{CAPTURE}")).contains("capture.name"));
    }
}
