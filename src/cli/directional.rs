use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{Diagnostic, Result};
use micronewton::measurement::Kind;
use micronewton::pipeline::{CapturePlan, CaptureRole, Plan, read_calibration};

use super::{Common, Status, measure};

/// Front-to-back difference: force level with the sound from the front minus
/// from the back, corrected by the reference microphone, band by band.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton directional --front front.wav --back back.wav --calibration calibration.toml")]
pub struct Directional {
    /// Capture with the sound from the front
    #[arg(long, value_name = "WAV")]
    front: PathBuf,
    /// Capture with the sound from the back
    #[arg(long, value_name = "WAV")]
    back: PathBuf,
    /// Capture without sound, to know where only noise was measured
    #[arg(long, value_name = "WAV")]
    noise: Option<PathBuf>,
    /// The calibration file
    #[arg(long, value_name = "CAL.toml")]
    calibration: PathBuf,
    #[command(flatten)]
    common: Common,
}

impl Directional {
    pub fn run(self) -> Result<Status> {
        if self.front == self.back {
            return Err(Diagnostic::value(
                "--back",
                "the file of --front",
                "another capture, with the sound from the back",
            ));
        }
        let (calibration, documents) = read_calibration(&self.calibration)?;
        let capture = |file, role| CapturePlan::of_file(file, role, &calibration);
        let mut captures = vec![
            capture(&self.front, CaptureRole::Front),
            capture(&self.back, CaptureRole::Back),
        ];
        if let Some(noise) = &self.noise {
            captures.push(capture(noise, CaptureRole::EquivalentInputNoise));
        }
        let plan = Plan::without_session(calibration, documents, captures, &[Kind::Directional]);
        measure(&plan, &self.common, false)
    }
}
