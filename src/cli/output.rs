//! Where a record goes: standard output or files.

use std::io::{self, Write};
use std::path::Path;

use clap::ValueEnum;
use micronewton::diagnostic::{Diagnostic, Problem, Result, Severity};
use micronewton::pipeline::Record;
use micronewton::report;

use super::{Common, say};

/// What a record is turned into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Tables for the terminal
    Table,
    /// The whole record as JSON
    Json,
    /// One row per figure
    Csv,
    /// A page for any browser
    Html,
}

impl Format {
    /// What the ending of a file's name asks for.
    pub fn of(path: &Path) -> Option<Self> {
        match path.extension().and_then(|ending| ending.to_str())? {
            "json" => Some(Self::Json),
            "csv" => Some(Self::Csv),
            "html" | "htm" => Some(Self::Html),
            "txt" => Some(Self::Table),
            _ => None,
        }
    }

    pub fn render(self, record: &Record, budget: bool) -> Result<String> {
        match self {
            Self::Table if budget => {
                let budget = report::budget(record, width());
                Ok(report::terminal(record, width()) + &budget)
            }
            Self::Table => Ok(report::terminal(record, width())),
            Self::Json => report::json(record),
            Self::Csv => report::csv(record),
            Self::Html => report::html(record),
        }
    }
}

/// Columns of the terminal; 80 where there is none.
pub fn width() -> usize {
    terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0).clamp(60, 120))
}

/// Prints what `render` makes, or writes it to the files asked for and, with
/// `also_print`, prints its tables too; then says its findings.
pub fn emit(
    render: &dyn Fn(Format) -> Result<String>,
    findings: &[Diagnostic],
    common: &Common,
    also_print: bool,
) -> Result<()> {
    let printed = match (common.out.is_empty(), also_print && !common.quiet) {
        (true, _) => Some(common.format.unwrap_or(Format::Table)),
        (false, true) => Some(Format::Table),
        (false, false) => None,
    };
    // Render everything first: a fault must not leave half of the files.
    let files = common
        .out
        .iter()
        .map(|path| {
            let format = common.format.or(Format::of(path)).unwrap_or(Format::Table);
            let text = render(format)?;
            let plain = if format == Format::Table {
                anstream::adapter::strip_str(&text).to_string()
            } else {
                text
            };
            Ok((path, plain))
        })
        .collect::<Result<Vec<_>>>()?;
    if let Some(format) = printed {
        print(&render(format)?)?;
    }
    for (path, text) in &files {
        write(path, text, common)?;
    }
    // Tables tell the findings themselves; what could not be done is always said.
    let told = printed == Some(Format::Table) || common.quiet;
    let unsaid = |finding: &&Diagnostic| !told || finding.severity() == Severity::Error;
    findings.iter().filter(unsaid).for_each(say);
    Ok(())
}

/// Writes a file and says so.
pub fn write(path: &Path, text: &str, common: &Common) -> Result<()> {
    report::write(path, text)?;
    if !common.quiet {
        anstream::eprintln!("written: {}", path.display());
    }
    Ok(())
}

/// Prints to standard output; a reader that closed the pipe has had enough.
pub fn print(text: &str) -> Result<()> {
    let mut out = anstream::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            let cause = error.to_string();
            let action = "printing";
            Err(Problem::File { action, cause }.into())
        }
        _ => Ok(()),
    }
}
