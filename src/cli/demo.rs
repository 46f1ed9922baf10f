use std::path::PathBuf;

use clap::Args;
use micronewton::diagnostic::{At, Diagnostic, Result};
use micronewton::pipeline::Plan;

use super::{Common, Status, measure_since};

/// Analyse the demo captures and write a report.
///
/// The captures come from the simulated bench: an invented clinic's afternoon
/// with one device. Nobody and nothing real was recorded.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton demo --out demo-report.html")]
pub struct Demo {
    /// Folder of the demo captures
    #[arg(long, value_name = "FOLDER", default_value = "demo-audio")]
    folder: PathBuf,
    #[command(flatten)]
    common: Common,
}

/// Report of a demo that was not told where to write.
const REPORT: &str = "demo-report.html";
/// The record of an earlier visit, beside the captures.
const EARLIER: &str = "earlier/record.json";

impl Demo {
    pub fn run(mut self) -> Result<Status> {
        let session = self.folder.join("session.toml");
        if !session.is_file() {
            return Err(Diagnostic::file("opening", "the demo captures are not here; run from the project's folder or say --folder FOLDER").in_file(&session));
        }
        if self.common.to.out.is_empty() && self.common.format.is_none() {
            self.common.to.out.push(REPORT.into());
        }
        let earlier = self.folder.join(EARLIER);
        let since = earlier.is_file() && !self.common.deidentify;
        let since: Vec<PathBuf> = since.then_some(earlier).into_iter().collect();
        measure_since(&Plan::read(&session)?, &self.common, true, &since)
    }
}
