use std::path::{Path, PathBuf};

use clap::Args;
use micronewton::diagnostic::{At, Diagnostic, Result, Severity};
use micronewton::pipeline::{Plan, left_and_right};
use micronewton::report::{self, Told};

use super::output::{self, Format};
use super::since::{self, Earlier};
use super::{Common, Destination, Status, measure_since, say};

/// Measure everything that the captures of a session allow.
///
/// The answers are printed; with --out they are also written, for instance as a
/// page that opens in any browser. The sessions of the left and the right device of one
/// person are told together, each question for both ears; a record is of one device, so
/// `--out record.json` then writes record_left.json and record_right.json.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton analyse session.toml --out report.html --out record.json
  micronewton analyse session.toml --since january.json --out report.html
  micronewton analyse session.toml --out report.pdf --out figures.xlsx
  micronewton analyse left.toml right.toml --out both_ears.html
  micronewton analyse left.toml right.toml --since l.json --since r.json --out both_ears.html")]
pub struct Analyse {
    /// The session file
    #[arg(value_name = "SESSION.toml")]
    session: PathBuf,
    /// The session file of the other ear
    #[arg(value_name = "OTHER_EAR.toml")]
    other_ear: Option<PathBuf>,
    /// Also tell what changed since an earlier record, which --out FILE.json wrote (once for
    /// each ear, where both are told); for every figure, in JSON or CSV, see `compare`
    #[arg(long, value_name = "RECORD.json", conflicts_with = "deidentify")]
    since: Vec<PathBuf>,
    #[command(flatten)]
    common: Common,
}

impl Analyse {
    pub fn run(self) -> Result<Status> {
        let plan = Plan::read(&self.session)?;
        match &self.other_ear {
            None => measure_since(&plan, &self.common, true, &self.since),
            Some(other) => {
                let plans = [plan, Plan::read(other)?];
                let plans = left_and_right(plans, |plan| plan.session.as_ref()).in_file(other)?;
                both_ears(&plans, self.common, &self.since)
            }
        }
    }
}

/// Measures the left and the right device and tells them together.
fn both_ears([left, right]: &[Plan; 2], mut common: Common, since: &[PathBuf]) -> Result<Status> {
    if common.format == Some(Format::Json) {
        return Err(Diagnostic::value(
            "--format",
            "`json` beside two sessions",
            "--out FILE.json, which writes FILE_left.json and FILE_right.json",
        ));
    }
    let read = [left.files(), right.files(), since.to_vec()].concat();
    common.to.check(common.format, &Format::ALL, &read)?;
    let is_json =
        |path: &PathBuf| common.format.is_none() && Format::of(path) == Some(Format::Json);
    let (records, others) = common.to.out.iter().cloned().partition(is_json);
    let records: Vec<PathBuf> = records;
    let each = records
        .iter()
        .flat_map(|path| [of_ear(path, "left"), of_ear(path, "right")]);
    let all: Vec<PathBuf> = each.chain(others.iter().cloned()).collect();
    Destination::check_files(&all, &read)?;

    let earlier = Earlier::read(since, true)?;
    let (left, right) = (common.record(left)?, common.record(right)?);
    let changes = [earlier.changes(&left)?, earlier.changes(&right)?];
    let told = Told {
        other_ear: Some(&since::told(&right, &changes[1])),
        ..since::told(&left, &changes[0])
    };
    for path in &records {
        for (name, record) in [("left", &left), ("right", &right)] {
            output::write(&of_ear(path, name), &report::json(record)?, common.to.quiet)?;
        }
    }
    let findings = left.findings.iter().chain(&right.findings);
    if others.is_empty() && !records.is_empty() && common.to.quiet {
        let errors = findings.filter(|finding| finding.severity() == Severity::Error);
        errors.for_each(say);
    } else {
        common.to.out = others;
        let render = |format: Format| format.render(told, &common);
        output::emit(&render, findings, common.format, &common.to, true)?;
    }
    Ok(common.status(&left).max(common.status(&right)))
}

/// `record_left.json` for `record.json`.
fn of_ear(path: &Path, ear: &str) -> PathBuf {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{stem}_{ear}.json"))
}
