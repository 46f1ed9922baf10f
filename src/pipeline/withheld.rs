//! De-identifying: what could lead to a person or a device is taken out of a plan before
//! it is run, and out of the record that came of it.
//!
//! Out go: the codes of session, device and person, the names of captures and files, what
//! the user noted, certificates, of dates all but the year, and the hashes of the files
//! unless they are asked for. In stay: levels, sides, the age group, roles, intervals.
//! Names are replaced by running numbers, not by hashes: few names are guessed soon.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::plan::Plan;
use super::record::Record;

/// Stands for every code.
const WORD: &str = "withheld";

/// The names that stand for those of the files.
#[derive(Debug, Clone, Default)]
pub struct Withheld {
    names: BTreeMap<PathBuf, PathBuf>,
    keep_hashes: bool,
}

impl Withheld {
    /// Takes out of `plan` what must not be in its record; `keep_hashes` leaves the
    /// SHA-256 of every file.
    pub fn from(plan: &mut Plan, keep_hashes: bool) -> Self {
        let mut names: BTreeMap<PathBuf, PathBuf> = BTreeMap::new();
        for path in plan.files() {
            let number = names.len() + 1;
            let name = path.extension().map_or_else(
                || format!("file_{number}"),
                |ending| format!("file_{number}.{}", ending.display()),
            );
            names.entry(path).or_insert_with(|| name.into());
        }
        if let Some(session) = &mut plan.session {
            session.code = WORD.into();
            session.date = session.date.map(|date| date.told_by_year());
            if let Some(device) = &mut session.device {
                device.code = WORD.into();
            }
            if let Some(person) = &mut session.person {
                person.code = WORD.into();
            }
        }
        plan.calibration.withhold_papers();
        for (position, capture) in plan.captures.iter_mut().enumerate() {
            capture.name = format!("{}_{}", capture.role.name(), position + 1);
            capture.note = None;
        }
        if let Some(subject) = &mut plan.subject {
            let lists = [
                &mut subject.hearing.assumptions,
                &mut subject.prescription.assumptions,
            ];
            for text in lists.into_iter().flatten() {
                for (path, name) in &names {
                    if let Some(base) = path.file_name().and_then(|base| base.to_str()) {
                        *text = text.replace(base, &name.to_string_lossy());
                    }
                }
            }
        }
        Self { names, keep_hashes }
    }

    /// Takes the names of files out of a record of that plan, and their hashes.
    pub fn out_of(&self, record: &mut Record) {
        let rename = |path: &mut PathBuf| {
            let name = self.names.get(path).map(PathBuf::as_path);
            *path = name.unwrap_or(Path::new(WORD)).to_owned();
        };
        for input in &mut record.inputs {
            rename(&mut input.path);
            if !self.keep_hashes {
                input.sha256 = None;
            }
        }
        record.recipe.session.iter_mut().for_each(rename);
        rename(&mut record.recipe.calibration);
        for capture in &mut record.captures {
            let sources = [&mut capture.force, &mut capture.microphone];
            for source in sources.into_iter().flatten() {
                rename(&mut source.file);
            }
        }
        for finding in &mut record.findings {
            finding.rename_file(&rename);
        }
        let mut withheld = vec![
            "names of files and captures",
            "codes of session, device and person",
            "notes",
            "certificates",
            "dates but the year",
        ];
        if !self.keep_hashes {
            withheld.push("hashes of files");
        }
        record.withheld = withheld.into_iter().map(str::to_owned).collect();
    }
}
