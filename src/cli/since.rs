//! What changed since earlier records, for one device or for both ears.

use std::path::PathBuf;

use micronewton::comparison::{Comparison, Recorded, changes};
use micronewton::diagnostic::{At, Diagnostic, Result};
use micronewton::pipeline::{Record, Side};
use micronewton::report::Told;

/// Records of earlier visits: one of the device or, for both ears, one of either.
pub struct Earlier {
    records: Vec<Recorded>,
    both_ears: bool,
}

impl Earlier {
    /// Reads the files that --since named.
    pub fn read(files: &[PathBuf], both_ears: bool) -> Result<Self> {
        let mut records: Vec<Recorded> = Vec::new();
        for file in files {
            let record = Recorded::read(file)?;
            let refused = |found: String, expected: &str| {
                Err(Diagnostic::value("--since", found, expected)).in_file(file)
            };
            let side = record.visit.side.as_deref();
            if !both_ears && !records.is_empty() {
                return refused("given twice".into(), "one record beside one session");
            }
            match side {
                None if both_ears => {
                    let expected = "a record whose session says `side` in [device]";
                    return refused("a record without a side".into(), expected);
                }
                Some(side)
                    if records
                        .iter()
                        .any(|r| r.visit.side.as_deref() == Some(side)) =>
                {
                    let expected = "one record of each side at most";
                    return refused(format!("two records of the {side} side"), expected);
                }
                _ => records.push(record),
            }
        }
        Ok(Self { records, both_ears })
    }

    /// What changed, where there is an earlier record of this one's device or side.
    pub fn changes(&self, record: &Record) -> Result<Option<Comparison>> {
        let side = record.side().map(Side::name);
        let of = |earlier: &&Recorded| !self.both_ears || earlier.visit.side.as_deref() == side;
        let earlier = self.records.iter().find(of);
        earlier.map(|earlier| changes(earlier, record)).transpose()
    }
}

/// What is told of one record.
pub fn told<'a>(record: &'a Record, changes: &'a Option<Comparison>) -> Told<'a> {
    Told {
        record,
        changes: changes.as_ref(),
        other_ear: None,
    }
}
