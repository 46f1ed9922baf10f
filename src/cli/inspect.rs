use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{Result, Severity};
use micronewton::pipeline::{InspectionRecord, inspect};
use micronewton::report;

use super::output::{self, Format};
use super::progress::watched;
use super::{Plain, Status};

/// What WAV files are, without a calibration: format, length, origin, what had to be
/// repaired; and per channel how strong it is, how many bits it uses, and where samples
/// are clipped, lost or repeated.
///
/// Names and remarks inside the files are not shown.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton inspect *.wav
  micronewton inspect *.wav --strict && echo sound
  micronewton inspect speech.wav --format json")]
pub struct Inspect {
    /// WAV files
    #[arg(value_name = "WAV", required = true)]
    files: Vec<PathBuf>,
    /// Exit with 1 if a file was repaired or is doubtful
    #[arg(long)]
    strict: bool,
    #[command(flatten)]
    plain: Plain,
}

impl Inspect {
    pub fn run(self) -> Result<Status> {
        self.plain.check(&self.files)?;
        let record = watched(self.plain.to.quiet, |progress| {
            inspect(&self.files, progress)
        });
        let render = |format| render(&record, format);
        self.plain.emit(&render, &record.findings)?;
        Ok(match record.gravest() {
            Some(Severity::Error) => Status::Unable,
            Some(Severity::Warning) if self.strict => Status::Outside,
            _ => Status::Done,
        })
    }
}

fn render(record: &InspectionRecord, format: Format) -> Result<String> {
    match format {
        Format::Table => Ok(report::inspection_terminal(record, output::width())),
        Format::Json => report::inspection_json(record),
        Format::Csv => report::inspection_csv(record),
        _ => Err(output::no_page()),
    }
}
