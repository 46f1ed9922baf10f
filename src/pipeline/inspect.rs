//! WAV files by themselves, before anything is calibrated or measured.

use std::path::PathBuf;

use serde::Serialize;

use super::record::Tool;
use super::run::Progress;
use crate::capture::Inspection;
use crate::diagnostic::{Diagnostic, Severity};

/// What the files are.
#[derive(Debug, Serialize)]
pub struct InspectionRecord {
    /// Version of this layout.
    pub schema: u32,
    /// The program.
    pub tool: Tool,
    /// The files that could be read.
    pub files: Vec<Inspection>,
    /// What was put right, is doubtful or could not be read.
    pub findings: Vec<Diagnostic>,
}

impl InspectionRecord {
    /// The gravest of the findings.
    pub fn gravest(&self) -> Option<Severity> {
        self.findings.iter().map(Diagnostic::severity).max()
    }
}

/// Reads every file once. One that cannot be read is a finding; the others go on.
pub fn inspect(files: &[PathBuf], progress: &mut dyn FnMut(Progress<'_>)) -> InspectionRecord {
    let mut record = InspectionRecord {
        schema: 1,
        tool: Tool::THIS,
        files: Vec::new(),
        findings: Vec::new(),
    };
    for (position, path) in files.iter().enumerate() {
        let name = path.display().to_string();
        let read = Inspection::of(path, &mut |share| {
            progress(Progress {
                capture: &name,
                number: position + 1,
                count: files.len(),
                share,
            });
        });
        match read {
            Ok((inspection, findings)) => {
                record.files.push(inspection);
                record.findings.extend(findings);
            }
            Err(error) => record.findings.push(error),
        }
    }
    record
}
