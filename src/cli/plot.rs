use std::path::{Path, PathBuf};

use clap::Args;
use micronewton::comparison::again;
use micronewton::diagnostic::{At, Diagnostic, Result};
use micronewton::pipeline::{Plan, Record, left_and_right, run};
use micronewton::report::{self, Picture, Told};

use super::progress::watched;
use super::since::{self, Earlier};
use super::{Destination, Status, output};

/// Write a picture of the report as a file that needs nothing beside itself, for papers
/// and slides: SVG, or PNG where this build has it.
///
/// Without --what, the names of the pictures are listed. A session is measured; a record
/// is computed again from its files, which must be those that were read; they are looked
/// for in --folder, here, and beside the record.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton plot session.toml
  micronewton plot session.toml --what front-to-back --out front_to_back.svg
  micronewton plot session.toml --what front-to-back --out front_to_back.png
  micronewton plot record.json --what front-to-back > front_to_back.svg
  micronewton plot left.toml right.toml --what right-ear-front --out right.svg")]
pub struct Plot {
    /// A session file, or what --out FILE.json wrote
    #[arg(value_name = "SESSION.toml|RECORD.json")]
    from: PathBuf,
    /// The same of the other ear: the pictures of both are named after their ear
    #[arg(value_name = "OTHER_EAR")]
    other_ear: Option<PathBuf>,
    /// The picture, by its name or by the beginning of it
    #[arg(long, value_name = "NAME")]
    what: Option<String>,
    /// Also the pictures of what changed since an earlier record (once for each ear, where
    /// both are drawn)
    #[arg(long, value_name = "RECORD.json")]
    since: Vec<PathBuf>,
    /// Where the files of the record lie now
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// The file to write; its name ends in .svg, or in .png with a build that has it
    /// [default: SVG on standard output]
    #[arg(long, value_name = "FILE", requires = "what")]
    out: Option<PathBuf>,
    /// No progress and no notes on standard error
    #[arg(long, short)]
    quiet: bool,
}

impl Plot {
    pub fn run(self) -> Result<Status> {
        if let Some(out) = &self.out {
            let ending = out.extension().and_then(|ending| ending.to_str());
            let expected = match ending {
                Some("svg") => None,
                Some("png") if cfg!(feature = "png") => None,
                Some("png") => Some(
                    "a name that ends in .svg; PNG needs a build with `cargo install --path . --features png`",
                ),
                _ => Some("a name that ends in .svg or .png"),
            };
            if let Some(expected) = expected {
                let found = format!("`{}`", out.display());
                return Err(Diagnostic::value("--out", found, expected));
            }
            let read: Vec<PathBuf> = self.from().cloned().collect();
            Destination::check_files(std::slice::from_ref(out), &read)?;
        }
        let earlier = Earlier::read(&self.since, self.other_ear.is_some())?;
        let records = self.from().map(|from| self.record(from));
        let records = records.collect::<Result<Vec<_>>>()?;
        let records = match <[Record; 2]>::try_from(records) {
            Ok(both) => left_and_right(both, |record| record.session.as_ref())?.into(),
            Err(one) => one,
        };
        let changes = records.iter().map(|record| earlier.changes(record));
        let changes = changes.collect::<Result<Vec<_>>>()?;
        let mut told = records.iter().zip(&changes).map(|(r, c)| since::told(r, c));
        let (first, other_ear) = (told.next(), told.next());
        let pictures = match first {
            Some(first) => report::pictures(Told {
                other_ear: other_ear.as_ref(),
                ..first
            })?,
            None => Vec::new(),
        };
        let Some(what) = &self.what else {
            let list = pictures
                .iter()
                .map(|p| format!("{}  {}\n", p.name, p.title));
            output::print(list.collect::<String>())?;
            return Ok(Status::Done);
        };
        let picture = named(&pictures, what).in_file(&self.from)?;
        match &self.out {
            None => output::print(&picture.svg)?,
            #[cfg(feature = "png")]
            Some(out) if out.extension().is_some_and(|ending| ending == "png") => {
                output::write(out, report::png(&picture.svg)?, self.quiet)?;
            }
            Some(out) => output::write(out, &picture.svg, self.quiet)?,
        }
        Ok(Status::Done)
    }

    fn from(&self) -> impl Iterator<Item = &PathBuf> {
        std::iter::once(&self.from).chain(&self.other_ear)
    }

    /// Measures a session, or computes a record again.
    fn record(&self, from: &Path) -> Result<Record> {
        let folder = self.folder.as_deref();
        if from.extension().is_some_and(|ending| ending == "json") {
            return watched(self.quiet, |progress| again(from, folder, progress));
        }
        if folder.is_some() {
            return Err(Diagnostic::value(
                "--folder",
                "given beside a session",
                "a record, or no --folder: a session says where its files lie",
            ));
        }
        let plan = Plan::read(from)?;
        watched(self.quiet, |progress| run(&plan, progress))
    }
}

/// The picture of this name, or the only one that begins so.
fn named<'a>(pictures: &'a [Picture], what: &str) -> Result<&'a Picture> {
    let exact = pictures.iter().find(|picture| picture.name == what);
    let mut begins = pictures.iter().filter(|p| p.name.starts_with(what));
    match (exact, begins.next(), begins.next()) {
        (Some(picture), ..) | (None, Some(picture), None) => Ok(picture),
        _ => {
            let names: Vec<&str> = pictures.iter().map(|p| p.name.as_str()).collect();
            let expected = format!("one of {}", names.join(", "));
            Err(Diagnostic::value("--what", format!("`{what}`"), &expected))
        }
    }
}
