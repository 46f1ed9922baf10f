use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::Result;
use micronewton::pipeline::Plan;

use super::{Common, Status, measure_since};

/// Measure everything that the captures of a session allow.
///
/// The answers are printed; with --out they are also written, for instance as a
/// page that opens in any browser.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton analyse session.toml --out report.html --out record.json
  micronewton analyse session.toml --since january.json --out report.html")]
pub struct Analyse {
    /// The session file
    #[arg(value_name = "SESSION.toml")]
    session: PathBuf,
    /// Also tell what changed since an earlier record, which --out FILE.json wrote; for
    /// every figure, in JSON or CSV, see `compare`
    #[arg(long, value_name = "RECORD.json", conflicts_with = "deidentify")]
    since: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
}

impl Analyse {
    pub fn run(self) -> Result<Status> {
        let plan = Plan::read(&self.session)?;
        measure_since(&plan, &self.common, true, self.since.as_deref())
    }
}
