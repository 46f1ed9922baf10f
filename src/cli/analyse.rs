use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::Result;
use micronewton::pipeline::Plan;

use super::{Common, Status, measure};

/// Measure everything that the captures of a session allow.
///
/// The answers are printed; with --out they are also written, for instance as a
/// page that opens in any browser.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton analyse session.toml --out report.html --out record.json")]
pub struct Analyse {
    /// The session file
    #[arg(value_name = "SESSION.toml")]
    session: PathBuf,
    #[command(flatten)]
    common: Common,
}

impl Analyse {
    pub fn run(self) -> Result<Status> {
        measure(&Plan::read(&self.session)?, &self.common, true)
    }
}
