//! Where a record goes: standard output or files.

use std::io::{self, Write};
use std::path::Path;

use clap::ValueEnum;
use micronewton::diagnostic::{Diagnostic, Problem, Result, Severity};
use micronewton::report::{self, Told};

use super::{Destination, say};

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

/// The same, of results that are no page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PlainFormat {
    /// Tables for the terminal
    Table,
    /// Everything as JSON
    Json,
    /// One row per figure
    Csv,
}

impl From<PlainFormat> for Format {
    fn from(format: PlainFormat) -> Self {
        match format {
            PlainFormat::Table => Self::Table,
            PlainFormat::Json => Self::Json,
            PlainFormat::Csv => Self::Csv,
        }
    }
}

impl Format {
    pub const ALL: [Self; 4] = [Self::Html, Self::Json, Self::Csv, Self::Table];
    pub const PLAIN: [Self; 3] = [Self::Json, Self::Csv, Self::Table];

    /// The ending that asks for it.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Table => ".txt",
            Self::Json => ".json",
            Self::Csv => ".csv",
            Self::Html => ".html",
        }
    }

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

    pub fn render(self, told: Told<'_>, budget: bool) -> Result<String> {
        let record = told.record;
        match self {
            Self::Table if budget => {
                let budget = report::budget(told, width());
                Ok(report::terminal(told, width()) + &budget)
            }
            Self::Table => Ok(report::terminal(told, width())),
            Self::Json => report::json(record),
            Self::Csv => report::csv(told),
            Self::Html => report::html(told),
        }
    }
}

/// Columns of the terminal; 80 where there is none.
pub fn width() -> usize {
    terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0).clamp(60, 120))
}

/// What a page is asked for that there is none of; the options keep it from happening.
pub fn no_page() -> Diagnostic {
    Diagnostic::value("--format", "html", "table, json or csv")
}

/// Prints what `render` makes, or writes it to the files asked for and, with
/// `also_print`, prints its tables too; then says its findings.
pub fn emit<'a>(
    render: &dyn Fn(Format) -> Result<String>,
    findings: impl IntoIterator<Item = &'a Diagnostic>,
    format: Option<Format>,
    to: &Destination,
    also_print: bool,
) -> Result<()> {
    let printed = match (to.out.is_empty(), also_print && !to.quiet) {
        (true, _) => Some(format.unwrap_or(Format::Table)),
        (false, true) => Some(Format::Table),
        (false, false) => None,
    };
    // Render everything first: a fault must not leave half of the files.
    let files = to
        .out
        .iter()
        .map(|path| {
            let format = format.or(Format::of(path)).unwrap_or(Format::Table);
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
        write(path, text, to.quiet)?;
    }
    // Tables tell the findings themselves; what could not be done is always said.
    let told = printed == Some(Format::Table) || to.quiet;
    let unsaid = |finding: &&Diagnostic| !told || finding.severity() == Severity::Error;
    findings.into_iter().filter(unsaid).for_each(say);
    Ok(())
}

/// Writes a file and says so.
pub fn write(path: &Path, content: impl AsRef<[u8]>, quiet: bool) -> Result<()> {
    report::write(path, content)?;
    say_written(path, quiet);
    Ok(())
}

/// Says that a file was written.
pub fn say_written(path: &Path, quiet: bool) {
    if !quiet {
        anstream::eprintln!("written: {}", path.display());
    }
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
