//! The commands. Each file turns its arguments into a plan or a document, and
//! hands the result to the output.

mod analyse;
mod bench;
mod calibrate;
mod compare;
mod demo;
mod directional;
mod feedback;
mod inspect;
mod levels;
mod new;
mod output;
mod plot;
mod progress;
mod reproduce;
mod shell;
mod since;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};
use micronewton::diagnostic::{At, Diagnostic, Problem, Result, Severity};
use micronewton::pipeline::{Plan, Record, Withheld, run as run_plan};

use output::{Format, PaperSize, PlainFormat};
use progress::watched;
use since::{Earlier, told};

/// Measures percutaneous bone-conduction hearing devices from recorded test-box
/// captures, as force levels in dB re 1 µN.
///
/// A capture is a WAV file with the force channel of a skull simulator and the
/// reference microphone beside the device. What its samples stand for is said in
/// a calibration file; which capture is which, in a session file.
#[derive(Parser)]
#[command(version, max_term_width = 100, after_help = AFTER)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const AFTER: &str = "\
Start here:
  micronewton demo                      see a whole report on invented captures
  micronewton new FOLDER                starter session for the WAV files of a folder
  micronewton analyse FOLDER/session.toml --out report.html

Exit codes: 0 done; 1 done, but with --strict something was found outside;
2 something asked for could not be done (input or usage); 3 fault of the program.

Not a medical device. It neither diagnoses nor fits: a licensed audiologist
decides, under local law.";

#[derive(Subcommand)]
enum Command {
    /// Measure everything that the captures of a session allow
    Analyse(analyse::Analyse),
    /// Third-octave levels of WAV files
    Levels(levels::Levels),
    /// Oscillations that the sound at the microphone does not explain
    Feedback(feedback::Feedback),
    /// Front-to-back difference from two captures
    Directional(directional::Directional),
    Calibrate(calibrate::Calibrate),
    /// What changed between two records, or how groups of devices differ
    Compare(compare::Compare),
    /// Write a picture of the report as a file of its own
    Plot(plot::Plot),
    /// Compute the figures of a record again, and say whether they are the same
    Reproduce(reproduce::Reproduce),
    /// What WAV files are, and whether their samples are sound
    Inspect(inspect::Inspect),
    /// Write a commented starter session for the WAV files of a folder
    New(new::New),
    /// Analyse the demo captures and write a report
    Demo(demo::Demo),
    /// Render the captures of a simulated bench whose true values are known
    Bench(bench::Bench),
    /// Print the JSON Schema of the record
    Schema(shell::Schema),
    /// Print a completion script for a shell
    Completions(shell::Completions),
    /// Print the manual page
    Man(shell::Man),
}

/// Options that every measuring command shares.
#[derive(Args)]
pub struct Common {
    /// What to print [default: table, or by the ending of --out]
    #[arg(long, value_enum, value_name = "KIND")]
    format: Option<Format>,
    /// Exit with 1 if something judged was found outside, for instance feedback
    #[arg(long)]
    strict: bool,
    /// Also print what every uncertainty is made of (JSON and HTML always hold it)
    #[arg(long)]
    budget: bool,
    /// Take out what could lead to a person or a device: names, codes, notes, certificates,
    /// dates but the year, hashes of files
    #[arg(long)]
    deidentify: bool,
    /// With --deidentify: leave the hashes of files
    #[arg(long, requires = "deidentify")]
    keep_hash: bool,
    /// Size of the paper of --out FILE.pdf
    #[arg(long, value_enum, value_name = "SIZE", default_value = "a4")]
    paper: PaperSize,
    #[command(flatten)]
    to: Destination,
}

/// Options of commands whose result is no page.
#[derive(Args)]
pub struct Plain {
    /// What to print [default: table, or by the ending of --out]
    #[arg(long, value_enum, value_name = "KIND")]
    format: Option<PlainFormat>,
    #[command(flatten)]
    to: Destination,
}

/// Where results go.
#[derive(Args)]
pub struct Destination {
    /// Write to a file (repeatable); its ending says what, for instance .json
    #[arg(long, value_name = "FILE")]
    out: Vec<PathBuf>,
    /// No progress and no notes on standard error
    #[arg(long, short)]
    quiet: bool,
}

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// Done.
    Done,
    /// Done; something judged was found outside, and `--strict` was given.
    Outside,
    /// Something asked for could not be done.
    Unable,
    /// The program is at fault.
    Internal,
}

impl From<Status> for ExitCode {
    fn from(status: Status) -> Self {
        Self::from(match status {
            Status::Done => 0,
            Status::Outside => 1,
            Status::Unable => 2,
            Status::Internal => 3,
        })
    }
}

/// Runs the command.
pub fn run(arguments: Arguments) -> Result<Status> {
    match arguments.command {
        Command::Analyse(command) => command.run(),
        Command::Levels(command) => command.run(),
        Command::Feedback(command) => command.run(),
        Command::Directional(command) => command.run(),
        Command::Calibrate(command) => command.run(),
        Command::Compare(command) => command.run(),
        Command::Plot(command) => command.run(),
        Command::Reproduce(command) => command.run(),
        Command::Inspect(command) => command.run(),
        Command::New(command) => command.run(),
        Command::Demo(command) => command.run(),
        Command::Bench(command) => command.run(),
        Command::Schema(command) => command.run(),
        Command::Completions(command) => command.run(),
        Command::Man(command) => command.run(),
    }
}

/// Prints what kept a command from its work.
pub fn fail(error: &Diagnostic) -> Status {
    say(error);
    match error.problem() {
        Problem::Internal { .. } => Status::Internal,
        _ => Status::Unable,
    }
}

/// Prints a diagnostic on standard error: what, where, what next.
fn say(diagnostic: &Diagnostic) {
    use anstyle::{AnsiColor, Style};
    let (word, colour) = match diagnostic.severity() {
        Severity::Error => ("error", AnsiColor::Red),
        Severity::Warning => ("warning", AnsiColor::Yellow),
        Severity::Note => ("note", AnsiColor::Cyan),
    };
    let bold = Style::new().bold().fg_color(Some(colour.into()));
    let code = diagnostic.problem().code();
    anstream::eprintln!("{bold}{word}[{code}]{bold:#} {diagnostic}");
    anstream::eprintln!("  next: {}", diagnostic.problem().advice());
}

/// Runs a plan with a progress bar and hands the record to the output.
fn measure(plan: &Plan, common: &Common, also_print: bool) -> Result<Status> {
    measure_since(plan, common, also_print, &[])
}

/// The same, with what changed since an earlier record.
fn measure_since(
    plan: &Plan,
    common: &Common,
    also_print: bool,
    since: &[PathBuf],
) -> Result<Status> {
    let read = [plan.files(), since.to_vec()].concat();
    common.to.check(common.format, &Format::ALL, &read)?;
    let earlier = Earlier::read(since, false)?;
    let record = common.record(plan)?;
    let changes = earlier.changes(&record)?;
    let told = told(&record, &changes);
    let render = |format: Format| format.render(told, common);
    output::emit(
        &render,
        &record.findings,
        common.format,
        &common.to,
        also_print,
    )?;
    Ok(common.status(&record))
}

impl Plain {
    fn format(&self) -> Option<Format> {
        self.format.map(Format::from)
    }

    fn check(&self, read: &[PathBuf]) -> Result<()> {
        self.to.check(self.format(), &Format::PLAIN, read)
    }

    fn emit(
        &self,
        render: &dyn Fn(Format) -> Result<String>,
        findings: &[Diagnostic],
    ) -> Result<()> {
        let render = |format| render(format).map(String::into_bytes);
        output::emit(&render, findings, self.format(), &self.to, false)
    }
}

impl Destination {
    /// Refuses what cannot be written before the work begins, and what would be
    /// written over a file that is read.
    fn check(&self, format: Option<Format>, allowed: &[Format], read: &[PathBuf]) -> Result<()> {
        if format.is_some() && self.out.len() > 1 {
            return Err(Diagnostic::value(
                "--format",
                "given with several --out",
                "to be left away: the endings of the files say what each holds",
            ));
        }
        Self::check_files(&self.out, read)?;
        for path in &self.out {
            let known = Format::of(path).is_some_and(|format| allowed.contains(&format));
            if format.is_none() && !known {
                let endings: Vec<&str> = allowed.iter().map(|format| format.ending()).collect();
                return Err(Diagnostic::value(
                    "--out",
                    format!("`{}`", path.display()),
                    &format!(
                        "a name that ends in {}, or --format beside it",
                        endings.join(", ")
                    ),
                ));
            }
            if format.is_none() {
                Format::of(path).map_or(Ok(()), Format::is_at_hand)?;
            }
        }
        Ok(())
    }

    /// Refuses files that cannot be written, or are read, or named twice.
    fn check_files(files: &[PathBuf], read: &[PathBuf]) -> Result<()> {
        let read: Vec<PathBuf> = read
            .iter()
            .filter_map(|path| path.canonicalize().ok())
            .collect();
        for (position, path) in files.iter().enumerate() {
            let cannot = |cause: &str| Err(Diagnostic::file("writing", cause).in_file(path));
            let folder = path.parent().filter(|folder| *folder != Path::new(""));
            if folder.is_some_and(|folder| !folder.is_dir()) {
                return cannot("its folder does not exist");
            }
            if path.exists() && !path.is_file() {
                return cannot("it is not an ordinary file");
            }
            if path.canonicalize().is_ok_and(|path| read.contains(&path)) {
                return cannot("it is one of the files that are read");
            }
            if files[..position].contains(path) {
                return cannot("it is named twice");
            }
        }
        Ok(())
    }
}

impl Common {
    /// Runs a plan with a progress bar; takes out of the record what is to be withheld.
    fn record(&self, plan: &Plan) -> Result<Record> {
        let mut plan = plan.clone();
        let withheld = self
            .deidentify
            .then(|| Withheld::from(&mut plan, self.keep_hash));
        let mut record = watched(self.to.quiet, |progress| run_plan(&plan, progress))?;
        withheld.iter().for_each(|names| names.out_of(&mut record));
        Ok(record)
    }

    fn status(&self, record: &Record) -> Status {
        if record.incomplete() {
            Status::Unable
        } else if self.strict && record.outside() {
            Status::Outside
        } else {
            Status::Done
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definitions_hold_together() {
        Arguments::command().debug_assert();
    }
}
