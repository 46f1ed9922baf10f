use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::Result;
use micronewton::measurement::Kind;
use micronewton::pipeline::{CapturePlan, CaptureRole, Plan, read_calibration};

use super::{Common, Status, measure};

/// Oscillations: narrow, lasting lines of the force channel that the sound at
/// the reference microphone does not explain.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton feedback quiet.wav --calibration calibration.toml
  micronewton feedback *.wav --calibration calibration.toml --strict && echo none")]
pub struct Feedback {
    /// WAV files with both channels
    #[arg(value_name = "WAV", required = true)]
    files: Vec<PathBuf>,
    /// The calibration file
    #[arg(long, value_name = "CAL.toml")]
    calibration: PathBuf,
    /// Shortest oscillation to report, in seconds, from 0.3
    #[arg(long, value_name = "S", default_value_t = 0.5)]
    shortest: f64,
    #[command(flatten)]
    common: Common,
}

impl Feedback {
    pub fn run(self) -> Result<Status> {
        let (calibration, documents) = read_calibration(&self.calibration)?;
        let capture = |file| CapturePlan::of_file(file, CaptureRole::General, &calibration);
        let captures = self.files.iter().map(|file| capture(file)).collect();
        let mut plan = Plan::without_session(calibration, documents, captures, &[Kind::Feedback]);
        plan.options.feedback.shortest_s = self.shortest;
        measure(&plan, &self.common, false)
    }
}
