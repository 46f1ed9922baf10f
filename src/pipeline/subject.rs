//! The person of a session, with the tables that it names.

use std::path::Path;

use super::document::{Text, beside};
use crate::assessment::Person;
use crate::assessment::Subject;
use crate::assessment::hearing::{DialZero, Hearing};
use crate::assessment::prescription::{Prescription, Source};
use crate::capture::InputFile;
use crate::diagnostic::{At, Diagnostic, Result};

/// Reads what the session at `session` says of hearing and targets; `None` where
/// it gives no thresholds. Returns also the tables read.
///
/// # Errors
/// Those of the tables, with their file; those of [`Hearing::of`] and
/// [`Prescription::of`], with the session's.
pub(super) fn read(person: &Person, session: &Path) -> Result<(Option<Subject>, Vec<InputFile>)> {
    let mut inputs = Vec::new();
    let mut open = |name: &str| {
        let path = beside(session, Path::new(name));
        let table = Text::read(&path)?;
        inputs.push(table.input);
        Ok::<_, Diagnostic>((path, table.text))
    };
    let zero = match person.dial_zero.as_deref() {
        None => None,
        Some(name) if is_table(name) => {
            let (path, text) = open(name)?;
            let stated = person.dial_zero_uncertainty_db;
            Some(DialZero::table(&base_name(&path), &text, stated).in_file(&path)?)
        }
        Some(name) => Some(DialZero::published(name).in_file(session)?),
    };
    let Some(hearing) = Hearing::of(person, zero).in_file(session)? else {
        return Ok((None, inputs));
    };
    let prescription = match person.targets.as_deref() {
        None | Some("none") => Prescription::of(person, Source::None).in_file(session)?,
        Some("starting_point") => {
            Prescription::of(person, Source::StartingPoint).in_file(session)?
        }
        Some(name) if is_table(name) => {
            let (path, text) = open(name)?;
            let source = Source::table(&text).in_file(&path)?;
            Prescription::of(person, source).in_file(&path)?
        }
        Some(name) => {
            let expected = "none, starting_point or a table (a file ending in .csv)";
            return Err(Diagnostic::value("person.targets", name, expected).in_file(session));
        }
    };
    let subject = Subject {
        age_group: person.age_group,
        hearing,
        prescription,
    };
    Ok((Some(subject), inputs))
}

fn is_table(name: &str) -> bool {
    let ending = Path::new(name).extension();
    ending.is_some_and(|ending| ending.eq_ignore_ascii_case("csv"))
}

fn base_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}
