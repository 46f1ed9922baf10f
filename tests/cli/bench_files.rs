//! A folder with a calibration and WAV files, and the binary to run in it.

use std::f64::consts::PI;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;
use tempfile::TempDir;

/// Volts per newton and per pascal of [`Folder::new`]'s calibration.
pub const V_PER_N: f64 = 0.132;
pub const V_PER_PA: f64 = 0.0125;

pub const CALIBRATION: &str = "\
schema = 1
[recorder]
full_scale_v = 1.0
[force]
channel = 1
sensitivity_v_per_n = 0.132
expanded_uncertainty_db = 0.5
[microphone]
channel = 2
sensitivity_v_per_pa = 0.0125
expanded_uncertainty_db = 0.3
";

pub struct Folder(TempDir);

impl Folder {
    /// A folder with `cal.toml`.
    pub fn new() -> Self {
        let folder = Self(tempfile::tempdir().unwrap());
        folder.text("cal.toml", CALIBRATION);
        folder
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn text(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    /// Runs the binary in the folder.
    pub fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_micronewton"))
            .args(arguments)
            .current_dir(self.0.path())
            .env_remove("NO_COLOR")
            .output()
            .unwrap()
    }

    /// Runs the binary, which must succeed, and reads its JSON.
    pub fn json(&self, arguments: &[&str]) -> Value {
        let output = self.run(arguments);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    /// The names in the folder, sorted.
    pub fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.0.path()).unwrap();
        let mut names: Vec<String> = entries
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// Samples of a sine of peak `peak` full scale.
pub fn sine(rate_hz: u32, frequency_hz: f64, peak: f64, seconds: f64) -> Vec<f64> {
    let step = 2.0 * PI * frequency_hz / f64::from(rate_hz);
    let frames = (seconds * f64::from(rate_hz)) as usize;
    (0..frames)
        .map(|n| peak * (step * n as f64).sin())
        .collect()
}

/// Repeatable noise of uniform distribution within ±`peak`.
pub fn noise(seed: u32, frames: usize, peak: f64) -> Vec<f64> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state as i32) / 2f64.powi(31) * peak
    };
    (0..frames).map(|_| next()).collect()
}

/// Writes channels of equal length as PCM with `bits`, or as float for 0.
pub fn wav(path: &Path, rate_hz: u32, bits: u16, channels: &[&[f64]]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: if bits == 0 { 32 } else { bits },
        sample_format: if bits == 0 {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            if bits == 0 {
                writer.write_sample(channel[frame] as f32).unwrap();
            } else {
                let full = 2f64.powi(i32::from(bits) - 1);
                writer
                    .write_sample((channel[frame] * full).round() as i32)
                    .unwrap();
            }
        }
    }
    writer.finalize().unwrap();
}

/// Equivalent level of `role` in the band `nominal_hz` of the first entry.
pub fn leq(record: &Value, role: &str, nominal_hz: f64) -> f64 {
    let channels = record["entries"][0]["channels"].as_array().unwrap();
    let channel = channels.iter().find(|c| c["role"] == role).unwrap();
    let bands = channel["bands"].as_array().unwrap();
    let band = bands
        .iter()
        .find(|b| b["nominal_hz"] == nominal_hz)
        .unwrap();
    band["leq"]["value"].as_f64().unwrap()
}

/// Level in dB re `reference` of a sine of peak `peak` full scale at 1 V full
/// scale and `sensitivity` volts per unit: 20 lg(peak / √2 / sensitivity / reference).
pub fn level_of_sine(peak: f64, sensitivity: f64, reference: f64) -> f64 {
    20.0 * (peak / 2f64.sqrt() / sensitivity / reference).log10()
}
