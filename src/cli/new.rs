use std::ffi::OsStr;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use micronewton::diagnostic::{At, Diagnostic, Problem, Result};

use super::{Status, output};

/// Write a commented starter session for the WAV files of a folder.
///
/// Nothing is guessed: every capture gets the role `general` until you say what
/// it was recorded for, and the sensitivities must be filled in.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton new recordings
  then fill in recordings/calibration.toml and recordings/session.toml")]
pub struct New {
    /// Folder with WAV files
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
}

impl New {
    pub fn run(self) -> Result<Status> {
        let recordings = recordings(&self.folder)?;
        let session = self.folder.join("session.toml");
        let calibration = self.folder.join("calibration.toml");
        let data_sheet = self.folder.join("data_sheet.csv");
        for path in [&session, &calibration, &data_sheet] {
            if path.exists() {
                return Err(Diagnostic::file(
                    "writing",
                    "it exists already and is not overwritten",
                )
                .in_file(path));
            }
        }
        output::write(&calibration, include_str!("new/calibration.toml"), false)?;
        output::write(&session, session_text(&recordings), false)?;
        output::write(&data_sheet, include_str!("new/data_sheet.csv"), false)?;
        anstream::println!(
            "Fill in both, then: micronewton analyse {}",
            session.display()
        );
        Ok(Status::Done)
    }
}

/// The names of the WAV files of `folder`, sorted.
fn recordings(folder: &Path) -> Result<Vec<String>> {
    let failed = |cause: String| {
        let action = "reading the folder";
        Diagnostic::from(Problem::File { action, cause }).in_file(folder)
    };
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(|error| failed(error.to_string()))? {
        let path = entry.map_err(|error| failed(error.to_string()))?.path();
        let ending = path.extension().and_then(OsStr::to_str).unwrap_or_default();
        if ending.eq_ignore_ascii_case("wav")
            && let Some(name) = path.file_name().and_then(OsStr::to_str)
        {
            names.push(name.to_owned());
        }
    }
    if names.is_empty() {
        return Err(failed("there is no WAV file in it".into()));
    }
    names.sort();
    Ok(names)
}

fn session_text(recordings: &[String]) -> String {
    let mut text = include_str!("new/session.toml").to_owned();
    for file in recordings {
        let name = file
            .rsplit_once('.')
            .map_or(file.as_str(), |(stem, _)| stem);
        // `{:?}` quotes as TOML's basic strings do.
        let _ = write!(
            text,
            "\n[[capture]]\nname = {name:?}\nfile = {file:?}\nrole = \"general\"\n# level_db_spl = 65\n"
        );
    }
    text
}
