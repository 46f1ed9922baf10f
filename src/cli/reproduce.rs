use std::path::PathBuf;

use clap::Args;
use micronewton::comparison::{Reproduction, ReproductionState as State, reproduce};
use micronewton::diagnostic::Result;
use micronewton::report;

use super::output::{self, Format};
use super::progress::watched;
use super::{Plain, Status};

/// Compute the figures of a record again from the files that it names, with the options
/// that it holds, and say of each whether it is the same.
///
/// The files must be those that were read, by their SHA-256. They are looked for in
/// --folder, here, and beside the record. Exit code 0: all figures are the same; 1: some
/// changed; 2: some could not be computed again, or none.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton reproduce record.json
  micronewton reproduce record.json --folder archive/session-12 --format csv")]
pub struct Reproduce {
    /// What --format json or --out FILE.json wrote
    #[arg(value_name = "RECORD.json")]
    record: PathBuf,
    /// Where the files of the record lie now
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    #[command(flatten)]
    plain: Plain,
}

impl Reproduce {
    pub fn run(self) -> Result<Status> {
        self.plain.check(std::slice::from_ref(&self.record))?;
        let made = watched(self.plain.to.quiet, |progress| {
            reproduce(&self.record, self.folder.as_deref(), progress)
        })?;
        self.plain.emit(&|format| render(&made, format), &[])?;
        Ok(match made.count(State::NotRecomputable) {
            0 if made.count(State::Changed) == 0 => Status::Done,
            0 => Status::Outside,
            _ => Status::Unable,
        })
    }
}

fn render(made: &Reproduction, format: Format) -> Result<String> {
    match format {
        Format::Table => Ok(report::reproduction_terminal(made, output::width())),
        Format::Json => report::reproduction_json(made),
        Format::Csv => report::reproduction_csv(made),
        _ => Err(output::no_page()),
    }
}
