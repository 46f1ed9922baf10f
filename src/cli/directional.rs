use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{Diagnostic, Result};
use micronewton::measurement::Kind;
use micronewton::pipeline::{CapturePlan, CaptureRole, Plan, read_calibration};

use super::{Common, Status, measure};

/// Front-to-back difference: force level with the sound from the front minus
/// from the back, corrected by the reference microphone, band by band.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton directional --front front.wav --back back.wav --calibration calibration.toml
  micronewton directional --at-once both.wav --calibration calibration.toml")]
pub struct Directional {
    /// Capture with the sound from the front
    #[arg(long, value_name = "WAV", required_unless_present = "at_once")]
    front: Option<PathBuf>,
    /// Capture with the sound from the back
    #[arg(long, value_name = "WAV", required_unless_present = "at_once")]
    back: Option<PathBuf>,
    /// Capture without sound, to know where only noise was measured
    #[arg(long, value_name = "WAV")]
    noise: Option<PathBuf>,
    /// One capture with interleaved tones from front and back, 200 Hz to 8 kHz, one
    /// second each (other tones: a session file)
    #[arg(long, value_name = "WAV", conflicts_with_all = ["front", "back", "noise"])]
    at_once: Option<PathBuf>,
    /// The calibration file
    #[arg(long, value_name = "CAL.toml")]
    calibration: PathBuf,
    #[command(flatten)]
    common: Common,
}

impl Directional {
    pub fn run(self) -> Result<Status> {
        if self.front.is_some() && self.front == self.back {
            return Err(Diagnostic::value(
                "--back",
                "the file of --front",
                "another capture, with the sound from the back",
            ));
        }
        let kind = match self.at_once {
            Some(_) => Kind::DirectionalAtOnce,
            None => Kind::Directional,
        };
        let (calibration, documents) = read_calibration(&self.calibration)?;
        let files = [
            (&self.front, CaptureRole::Front),
            (&self.back, CaptureRole::Back),
            (&self.noise, CaptureRole::EquivalentInputNoise),
            (&self.at_once, CaptureRole::FrontAndBack),
        ];
        let captures = files.into_iter().filter_map(|(file, role)| {
            Some(CapturePlan::of_file(file.as_ref()?, role, &calibration))
        });
        let captures = captures.collect();
        let plan = Plan::without_session(calibration, documents, captures, &[kind]);
        measure(&plan, &self.common, false)
    }
}
