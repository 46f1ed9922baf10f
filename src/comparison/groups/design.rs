//! The list of records: which group, which device, which repeat.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// One record's place in the design.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Placed {
    /// The record, as the list writes it.
    pub record: PathBuf,
    /// The group.
    pub group: String,
    /// Code of the device; the same device may be in several groups.
    pub device: String,
    /// What was different on purpose between captures of one device: bench, person,
    /// day. Empty where nothing was.
    #[serde(default)]
    pub condition: String,
    /// The repeat, told apart within a device and condition.
    pub repeat: String,
}

/// Reads the list: a CSV with the columns `record,group,device,repeat` and, where there
/// are several, `condition`; lines that begin with `#` are comments.
///
/// # Errors
/// A column that is missing or unknown; an empty cell; one place or record twice; fewer
/// than two records.
pub fn parse_design(text: &str) -> Result<Vec<Placed>> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let malformed = |error: &csv::Error| {
        let line = error.position().map_or(1, |at| at.line() as usize);
        let cause = match error.kind() {
            csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
            _ => error.to_string(),
        };
        let cause = format!(
            "not a list of records: {cause}; its columns are record, group, device, repeat and perhaps condition"
        );
        Diagnostic::from(Problem::Document { cause }).at_line(line)
    };
    let headers = reader.headers().map_err(|error| malformed(&error))?.clone();
    let mut found: Vec<Placed> = Vec::new();
    let mut row = csv::StringRecord::new();
    while reader
        .read_record(&mut row)
        .map_err(|error| malformed(&error))?
    {
        let line = row.position().map_or(1, |at| at.line() as usize);
        let placed: Placed = row
            .deserialize(Some(&headers))
            .map_err(|error| malformed(&error))?;
        fits(&placed, &found).at_line(line)?;
        found.push(placed);
    }
    if found.len() < 2 {
        return Err(Diagnostic::value(
            "record",
            format!("given {} times", found.len()),
            "two records or more",
        ));
    }
    Ok(found)
}

/// Refuses empty cells and what stands in the list already.
fn fits(placed: &Placed, before: &[Placed]) -> Result<()> {
    let record = placed.record.display().to_string();
    for (key, cell) in [
        ("record", &record),
        ("group", &placed.group),
        ("device", &placed.device),
        ("repeat", &placed.repeat),
    ] {
        if cell.is_empty() {
            return Err(Diagnostic::value(key, "empty", "a name"));
        }
    }
    if before.iter().any(|other| other.record == placed.record) {
        let found = format!("`{record}` a second time");
        return Err(Diagnostic::value("record", found, "every record once"));
    }
    let place = |p: &Placed| {
        let (group, device) = (p.group.clone(), p.device.clone());
        (group, device, p.condition.clone(), p.repeat.clone())
    };
    if before.iter().any(|other| place(other) == place(placed)) {
        return Err(Diagnostic::value(
            "repeat",
            format!(
                "`{}` a second time for device `{}`",
                placed.repeat, placed.device
            ),
            "another repeat for every record of one group, device and condition",
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_with_or_without_conditions_is_read() {
        let plain = "# my list\nrecord,group,device,repeat\na.json,old,d1,1\nb.json,old,d1,2\n";
        let found = parse_design(plain).unwrap();
        assert_eq!((found.len(), found[1].condition.as_str()), (2, ""));
        let full = "record,group,device,condition,repeat\na.json,old,d1,x,1\nb.json,old,d1,y,1\n";
        assert_eq!(parse_design(full).unwrap()[1].condition, "y");
    }

    #[test]
    fn what_is_wrong_is_refused_with_its_line() {
        let head = "record,group,device,repeat\n";
        for (rows, said) in [
            ("a.json,old,d1,1\n", "two records or more"),
            ("a.json,old,d1,1\na.json,old,d1,2\n", "every record once"),
            ("a.json,old,d1,1\nb.json,old,d1,1\n", "another repeat"),
            ("a.json,,d1,1\nb.json,old,d1,1\n", "`group` is empty"),
            ("a.json,old,d1\n", "line: 2"),
        ] {
            let error = parse_design(&format!("{head}{rows}")).unwrap_err();
            assert!(error.to_string().contains(said), "{error}");
        }
        for head in [
            "record,group,device\na,b,c\n",
            "record,group,device,repeat,x\na,b,c,d,e\n",
        ] {
            let error = parse_design(head).unwrap_err();
            assert!(error.to_string().contains("its columns are"), "{error}");
        }
    }
}
