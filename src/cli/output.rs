//! Where a record goes: standard output or files.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use micronewton::diagnostic::{Diagnostic, Problem, Result, Severity};
use micronewton::report::{self, Told};

use super::{Common, Destination, say};

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
    /// The page on paper; files only
    #[value(skip)]
    Pdf,
    /// A spreadsheet; files only
    #[value(skip)]
    Xlsx,
}

/// What a page is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperSize {
    /// 210 mm by 297 mm
    A4,
    /// 8.5 in by 11 in
    Letter,
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
    pub const ALL: [Self; 6] = [
        Self::Html,
        Self::Pdf,
        Self::Json,
        Self::Csv,
        Self::Xlsx,
        Self::Table,
    ];
    pub const PLAIN: [Self; 3] = [Self::Json, Self::Csv, Self::Table];

    /// The ending that asks for it.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Table => ".txt",
            Self::Json => ".json",
            Self::Csv => ".csv",
            Self::Html => ".html",
            Self::Pdf => ".pdf",
            Self::Xlsx => ".xlsx",
        }
    }

    /// What the ending of a file's name asks for.
    pub fn of(path: &Path) -> Option<Self> {
        match path.extension().and_then(|ending| ending.to_str())? {
            "json" => Some(Self::Json),
            "csv" => Some(Self::Csv),
            "html" | "htm" => Some(Self::Html),
            "txt" => Some(Self::Table),
            "pdf" => Some(Self::Pdf),
            "xlsx" => Some(Self::Xlsx),
            _ => None,
        }
    }

    /// Whether this build, on this machine, can write it: asked before the work begins.
    pub fn is_at_hand(self) -> Result<()> {
        match self {
            Self::Pdf => browser().map(drop),
            Self::Xlsx if !cfg!(feature = "xlsx") => Err(not_in_this_build("xlsx")),
            _ => Ok(()),
        }
    }

    pub fn render(self, told: Told<'_>, common: &Common) -> Result<Vec<u8>> {
        let text = match self {
            Self::Table if common.budget => {
                let budget = report::budget(told, width());
                report::terminal(told, width()) + &budget
            }
            Self::Table => report::terminal(told, width()),
            Self::Json => report::json(told.record)?,
            Self::Csv => report::csv(told)?,
            Self::Html => report::html(told)?,
            Self::Pdf => return printed(&report::html(told)?, common.paper),
            Self::Xlsx => return spreadsheet(told),
        };
        Ok(text.into_bytes())
    }
}

fn not_in_this_build(feature: &str) -> Diagnostic {
    let found = format!("`.{feature}`, which this build does not write");
    let expected = format!("another ending, or a build with the feature `{feature}`");
    Diagnostic::value("--out", found, &expected)
}

#[cfg(feature = "xlsx")]
fn spreadsheet(told: Told<'_>) -> Result<Vec<u8>> {
    report::xlsx(told)
}

#[cfg(not(feature = "xlsx"))]
fn spreadsheet(_: Told<'_>) -> Result<Vec<u8>> {
    Err(not_in_this_build("xlsx"))
}

#[cfg(feature = "pdf")]
fn printed(page: &str, paper: PaperSize) -> Result<Vec<u8>> {
    let paper = match paper {
        PaperSize::A4 => report::Paper::A4,
        PaperSize::Letter => report::Paper::Letter,
    };
    report::pdf(page, paper, &browser()?)
}

#[cfg(not(feature = "pdf"))]
fn printed(_: &str, _: PaperSize) -> Result<Vec<u8>> {
    Err(not_in_this_build("pdf"))
}

/// A browser that prints: the one that is named, or the first there is.
#[cfg(feature = "pdf")]
fn browser() -> Result<PathBuf> {
    const NAMED_BY: &str = "MICRONEWTON_BROWSER";
    const KNOWN: [&str; 6] = [
        "chromium",
        "chromium-browser",
        "google-chrome",
        "google-chrome-stable",
        "chrome",
        "msedge",
    ];
    let named = std::env::var_os(NAMED_BY);
    let found = match &named {
        Some(name) => which::which(name).ok(),
        None => KNOWN.iter().find_map(|name| which::which(name).ok()),
    };
    found.ok_or_else(|| {
        let named = named.map(|name| name.display().to_string());
        let named_by = NAMED_BY;
        Problem::NoBrowser { named, named_by }.into()
    })
}

#[cfg(not(feature = "pdf"))]
fn browser() -> Result<PathBuf> {
    Err(not_in_this_build("pdf"))
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
    render: &dyn Fn(Format) -> Result<Vec<u8>>,
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
            let content = render(format)?;
            let plain = match format {
                Format::Table => anstream::adapter::strip_bytes(&content).into_vec(),
                _ => content,
            };
            Ok((path, plain))
        })
        .collect::<Result<Vec<_>>>()?;
    if let Some(format) = printed {
        print(render(format)?)?;
    }
    for (path, content) in &files {
        write(path, content, to.quiet)?;
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
pub fn print(content: impl AsRef<[u8]>) -> Result<()> {
    let mut out = anstream::stdout().lock();
    match out.write_all(content.as_ref()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            let cause = error.to_string();
            let action = "printing";
            Err(Problem::File { action, cause }.into())
        }
        _ => Ok(()),
    }
}
