use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{Diagnostic, Result};
use micronewton::measurement::Kind;
use micronewton::pipeline::{CapturePlan, CaptureRole, Plan, read_calibration};

use super::{Common, Status, measure};

/// Oscillations, the margin before oscillation, and what a change on the bench
/// changed.
///
/// Oscillations are narrow, lasting lines of the force channel that the sound at
/// the reference microphone does not explain. The margin, in dB, is estimated from
/// some 10 s of speech or steady noise. With --before and --after the two captures
/// are compared: is it the bench (cable, coupling, mounting) or the device?
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton feedback quiet.wav --calibration calibration.toml
  micronewton feedback *.wav --calibration calibration.toml --strict && echo none
  micronewton feedback noise.wav --substitution off.wav --calibration calibration.toml
  micronewton feedback --before tense.wav --after freed.wav --calibration calibration.toml")]
pub struct Feedback {
    /// WAV files with both channels
    #[arg(value_name = "WAV", required_unless_present = "before")]
    files: Vec<PathBuf>,
    /// Capture before a change on the bench
    #[arg(long, value_name = "WAV", requires = "after", conflicts_with = "files")]
    before: Option<PathBuf>,
    /// Capture after it
    #[arg(long, value_name = "WAV", requires = "before")]
    after: Option<PathBuf>,
    /// The same sound with the device off: with it, the margin holds where the reference
    /// microphone hears the device, too
    #[arg(long, value_name = "WAV", conflicts_with = "before")]
    substitution: Option<PathBuf>,
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
        if self.before.is_some() && self.before == self.after {
            return Err(Diagnostic::value(
                "--after",
                "the file of --before",
                "another capture, after the change on the bench",
            ));
        }
        let roles = [
            (self.files.as_slice(), CaptureRole::General),
            (self.substitution.as_slice(), CaptureRole::Substitution),
            (self.before.as_slice(), CaptureRole::Before),
            (self.after.as_slice(), CaptureRole::After),
        ];
        let of_role = |(files, role): (&[PathBuf], CaptureRole)| {
            let capture = |file: &PathBuf| CapturePlan::of_file(file, role, &calibration);
            files.iter().map(capture).collect::<Vec<_>>()
        };
        let captures = roles.into_iter().flat_map(of_role).collect();
        let mut plan = Plan::without_session(calibration, documents, captures, &[Kind::Feedback]);
        plan.options.feedback.shortest_s = self.shortest;
        measure(&plan, &self.common, false)
    }
}
