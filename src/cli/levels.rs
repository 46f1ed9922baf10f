use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{At, Diagnostic, Result};
use micronewton::levels::Interval;
use micronewton::measurement::Kind;
use micronewton::pipeline::{CapturePlan, CaptureRole, Plan, read_calibration};
use micronewton::quantity::{Band, BandRange};

use super::{Common, Status, measure};

/// Third-octave levels of WAV files: equivalent level, largest and smallest F-
/// and S-weighted level, exceeded levels; force re 1 µN, sound re 20 µPa.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton levels speech.wav --calibration calibration.toml
  micronewton levels *.wav --calibration calibration.toml --format csv --out levels.csv
  micronewton levels force.wav --microphone-file sound.wav --calibration calibration.toml")]
pub struct Levels {
    /// WAV files; the calibration file says which channel is which
    #[arg(value_name = "WAV", required = true)]
    files: Vec<PathBuf>,
    /// The calibration file
    #[arg(long, value_name = "CAL.toml")]
    calibration: PathBuf,
    /// The microphone channel lies in this file instead (one WAV only)
    #[arg(long, value_name = "WAV")]
    microphone_file: Option<PathBuf>,
    /// Lowest band, by its nominal frequency in Hz
    #[arg(long, value_name = "HZ", default_value_t = 100.0)]
    lowest_band: f64,
    /// Highest band, by its nominal frequency in Hz
    #[arg(long, value_name = "HZ", default_value_t = 10_000.0)]
    highest_band: f64,
    /// Analyse from this time in seconds
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    from: Option<f64>,
    /// Analyse up to this time in seconds
    #[arg(long, value_name = "S")]
    to: Option<f64>,
    #[command(flatten)]
    common: Common,
}

impl Levels {
    pub fn run(self) -> Result<Status> {
        if self.microphone_file.is_some() && self.files.len() > 1 {
            return Err(Diagnostic::value(
                "--microphone-file",
                format!("given with {} WAV files", self.files.len()),
                "one WAV file, that of the force channel",
            ));
        }
        let range = BandRange::new(
            Band::named(self.lowest_band).at_key("--lowest-band")?,
            Band::named(self.highest_band).at_key("--highest-band")?,
        )?;
        let (calibration, documents) = read_calibration(&self.calibration)?;
        let captures = self.files.iter().map(|file| {
            let mut capture = CapturePlan::of_file(file, CaptureRole::General, &calibration);
            capture.interval = Interval {
                from_s: self.from,
                to_s: self.to,
            };
            if let (Some(other), Some(source)) = (&self.microphone_file, &mut capture.sources[1]) {
                source.file = other.clone();
            }
            capture
        });
        let captures = captures.collect();
        let mut plan = Plan::without_session(calibration, documents, captures, &[Kind::Levels]);
        plan.range = range;
        measure(&plan, &self.common, false)
    }
}
