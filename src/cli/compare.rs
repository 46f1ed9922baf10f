use std::path::{Path, PathBuf};

use clap::Args;
use micronewton::comparison::{
    Comparison, GroupOptions, Groups, Member, Options, Recorded, Verdict, compare, compare_groups,
    parse_design,
};
use micronewton::diagnostic::{At, Diagnostic, Result};
use micronewton::pipeline::Text;
use micronewton::report;

use super::output::{self, Format};
use super::{Destination, Plain, Status};

/// What changed between two records, or how groups of devices differ, figure by figure.
///
/// A record is what --format json or --out FILE.json wrote. A figure is told as
/// changed where its difference exceeds the expanded uncertainty (k = 2) of that
/// difference; CSV and JSON hold every figure, and why one cannot be compared.
///
/// With --groups, a list of records says which group, device and repeat each is: means
/// with 95 % intervals, standard deviations within and between devices, repeatability
/// and reproducibility (ISO 5725-2), and differences between groups, corrected for
/// many bands (Holm).
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton compare january.json june.json
  micronewton compare january.json june.json --repeatability 1.0 --strict
  micronewton compare january.json june.json --out changes.csv
  micronewton compare --groups groups.csv --quantity gain --figures figures.csv")]
pub struct Compare {
    /// The earlier record
    #[arg(value_name = "BEFORE.json", required_unless_present = "groups")]
    before: Option<PathBuf>,
    /// The later record
    #[arg(value_name = "AFTER.json", required_unless_present = "groups")]
    after: Option<PathBuf>,
    /// Expanded repeatability (k = 2) of a difference of levels, in dB: taking the device
    /// off and putting it on, placing the microphone
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    repeatability: Option<f64>,
    /// Compare groups: a CSV with the columns record, group, device, repeat and, for
    /// reproducibility, condition
    #[arg(long, value_name = "LIST.csv", conflicts_with_all = ["before", "after", "repeatability"])]
    groups: Option<PathBuf>,
    /// With --groups: only this quantity and what lies below it (repeatable)
    #[arg(long, value_name = "PATH", requires = "groups")]
    quantity: Vec<String>,
    /// With --groups: also write every figure, one row per record, capture, quantity and
    /// band, and beside it FILE.dictionary.csv, which says what the columns hold
    #[arg(long, value_name = "FILE.csv", requires = "groups")]
    figures: Option<PathBuf>,
    /// Exit with 1 if a figure changed, or groups differ
    #[arg(long)]
    strict: bool,
    #[command(flatten)]
    plain: Plain,
}

impl Compare {
    pub fn run(self) -> Result<Status> {
        match (&self.groups, &self.before, &self.after) {
            (Some(list), ..) => self.run_groups(list),
            (None, Some(before), Some(after)) => self.run_pair(before, after),
            // The arguments are required unless --groups is given.
            _ => Err(Diagnostic::value("AFTER.json", "missing", "a record")),
        }
    }

    fn run_pair(&self, before: &Path, after: &Path) -> Result<Status> {
        self.plain.check(&[before.to_owned(), after.to_owned()])?;
        let (before, after) = (Recorded::read(before)?, Recorded::read(after)?);
        let options = Options {
            repeatability_db: self.repeatability,
        };
        let comparison = compare(&before, &after, options)?;
        let render = |format| render(&comparison, format);
        self.plain.emit(&render, &[])?;
        Ok(self.status(comparison.count(Verdict::Changed) > 0))
    }

    fn run_groups(&self, list: &Path) -> Result<Status> {
        let design = parse_design(&Text::read(list)?.text).in_file(list)?;
        let folder = list.parent().unwrap_or(Path::new(""));
        let mut read = vec![list.to_owned()];
        read.extend(design.iter().map(|placed| folder.join(&placed.record)));
        self.plain.check(&read)?;
        let tidy = self
            .figures
            .as_ref()
            .map(|figures| [figures.clone(), dictionary(figures)]);
        if let Some(tidy) = &tidy {
            Destination::check_files(tidy, &read)?;
        }
        let members = design.into_iter().zip(&read[1..]).map(|(placed, path)| {
            let record = Recorded::read(path)?;
            Ok(Member { placed, record })
        });
        let members = members.collect::<Result<Vec<_>>>()?;
        let options = GroupOptions {
            quantities: self.quantity.clone(),
        };
        let groups = compare_groups(&members, options).in_file(list)?;
        if let Some([figures, dictionary]) = &tidy {
            let table = report::figures_csv(&members, &groups.options)?;
            output::write(figures, &table, self.plain.to.quiet)?;
            output::write(
                dictionary,
                &report::figures_dictionary()?,
                self.plain.to.quiet,
            )?;
        }
        let render = |format| render_groups(&groups, format);
        self.plain.emit(&render, &[])?;
        Ok(self.status(groups.differences.iter().any(|d| d.differs == Some(true))))
    }

    fn status(&self, found: bool) -> Status {
        match self.strict && found {
            true => Status::Outside,
            false => Status::Done,
        }
    }
}

/// The dictionary beside a table: `figures.csv` has `figures.dictionary.csv`.
fn dictionary(figures: &Path) -> PathBuf {
    figures.with_extension("dictionary.csv")
}

fn render_groups(groups: &Groups, format: Format) -> Result<String> {
    match format {
        Format::Table => Ok(report::groups_terminal(groups, output::width())),
        Format::Json => report::groups_json(groups),
        Format::Csv => report::groups_csv(groups),
        _ => Err(output::no_page()),
    }
}

fn render(comparison: &Comparison, format: Format) -> Result<String> {
    match format {
        Format::Table => Ok(report::comparison_terminal(comparison, output::width())),
        Format::Json => report::comparison_json(comparison),
        Format::Csv => report::comparison_csv(comparison),
        _ => Err(output::no_page()),
    }
}
