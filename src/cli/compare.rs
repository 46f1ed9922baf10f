use std::path::PathBuf;

use clap::Args;
use micronewton::comparison::{Comparison, Options, Recorded, Verdict, compare};
use micronewton::diagnostic::{Diagnostic, Result};
use micronewton::report;

use super::output::{self, Format};
use super::{Common, Status};

/// What changed between two records, figure by figure.
///
/// A record is what --format json or --out FILE.json wrote. A figure is told as
/// changed where its difference exceeds the expanded uncertainty (k = 2) of that
/// difference; CSV and JSON hold every figure, and why one cannot be compared.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton compare january.json june.json
  micronewton compare january.json june.json --repeatability 1.0 --strict
  micronewton compare january.json june.json --out changes.csv")]
pub struct Compare {
    /// The earlier record
    #[arg(value_name = "BEFORE.json")]
    before: PathBuf,
    /// The later record
    #[arg(value_name = "AFTER.json")]
    after: PathBuf,
    /// Expanded repeatability (k = 2) of a difference of levels, in dB: taking the device
    /// off and putting it on, placing the microphone
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    repeatability: Option<f64>,
    #[command(flatten)]
    common: Common,
}

impl Compare {
    pub fn run(self) -> Result<Status> {
        self.common
            .check(&[self.before.clone(), self.after.clone()])?;
        let before = Recorded::read(&self.before)?;
        let after = Recorded::read(&self.after)?;
        let options = Options {
            repeatability_db: self.repeatability,
        };
        let comparison = compare(&before, &after, options)?;
        let render = |format| render(&comparison, format);
        output::emit(&render, &[], &self.common, false)?;
        let changed = comparison.count(Verdict::Changed) > 0;
        Ok(match self.common.strict && changed {
            true => Status::Outside,
            false => Status::Done,
        })
    }
}

fn render(comparison: &Comparison, format: Format) -> Result<String> {
    match format {
        Format::Table => Ok(report::comparison_terminal(comparison, output::width())),
        Format::Json => report::comparison_json(comparison),
        Format::Csv => report::comparison_csv(comparison),
        Format::Html => Err(Diagnostic::value("--format", "html", "table, json or csv")),
    }
}
