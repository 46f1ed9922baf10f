use std::fmt::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use micronewton::bench::{Scenario, render};
use micronewton::diagnostic::{At, Diagnostic, Problem, Result};
use micronewton::pipeline::{Plan, ScoreRow, Text, run as run_plan, score};

use super::progress::watched;
use super::{Status, output};

/// Render the captures of a simulated bench whose true values are known.
///
/// A scenario names a device, a skull simulator, feedback paths and a recorder.
/// The bench writes the WAV files that the recorder would have written, the
/// calibration and session files to analyse them, and truth.json.
#[derive(Args)]
#[command(after_help = "Examples:
  micronewton bench scenario.toml --out captures
  micronewton bench --score scenario.toml          how far every measurement is from the truth")]
pub struct Bench {
    /// The scenario file; docs/bench.md describes it
    #[arg(value_name = "SCENARIO.toml", required_unless_present = "score")]
    scenario: Option<PathBuf>,
    /// Folder to write to [default: the scenario's]
    #[arg(long, value_name = "FOLDER", conflicts_with = "score")]
    out: Option<PathBuf>,
    /// Render, measure, and print the errors instead (repeatable)
    #[arg(long, value_name = "SCENARIO.toml")]
    score: Vec<PathBuf>,
    /// No progress on standard error
    #[arg(long, short)]
    quiet: bool,
}

impl Bench {
    pub fn run(self) -> Result<Status> {
        if let Some(path) = &self.scenario {
            let out = self.out.clone().unwrap_or_else(|| folder(path).to_owned());
            std::fs::create_dir_all(&out)
                .map_err(|error| Diagnostic::file("creating the folder", error).in_file(&out))?;
            for file in self.render(path, &out)? {
                output::say_written(&file, self.quiet);
            }
        }
        let mut tables = String::new();
        for path in &self.score {
            let rows = self.score_of(path)?;
            tables.push_str(&table(&path.display().to_string(), &rows));
        }
        output::print(&tables)?;
        Ok(Status::Done)
    }

    fn render(&self, path: &Path, out: &Path) -> Result<Vec<PathBuf>> {
        let text = Text::read(path)?.text;
        let scenario = Scenario::parse(&text).in_file(path)?;
        spare(&scenario, out)?;
        let count = scenario.captures().len();
        let mut number = 0;
        let mut last = String::new();
        let written = watched(self.quiet, |progress| {
            render(&scenario, folder(path), out, &mut |name, share| {
                if name != last {
                    number += 1;
                    name.clone_into(&mut last);
                }
                progress(micronewton::pipeline::Progress {
                    capture: name,
                    number,
                    count,
                    share,
                });
            })
        });
        written.in_file(path)
    }

    fn score_of(&self, path: &Path) -> Result<Vec<ScoreRow>> {
        let out = tempfile::tempdir()
            .map_err(|error| Diagnostic::file("creating a temporary folder", error))?;
        self.render(path, out.path())?;
        let plan = Plan::read(&out.path().join("session.toml"))?;
        let record = watched(self.quiet, |progress| run_plan(&plan, progress))?;
        let truth = Text::read(&out.path().join("truth.json"))?.text;
        let truth = serde_json::from_str(&truth).map_err(|error| {
            let what = format!("the truth cannot be read: {error}");
            Problem::Internal { what }
        })?;
        score(&record, &truth)
    }
}

/// Refuses to write over files that the bench did not make: documents that do
/// not say so, and recordings in a folder without their truth.
fn spare(scenario: &Scenario, out: &Path) -> Result<()> {
    let foreign = |name: &str| {
        let path = out.join(name);
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        (path.exists() && !text.starts_with("# Written by the simulated bench")).then_some(path)
    };
    let mut found: Vec<PathBuf> = ["calibration.toml", "session.toml"]
        .into_iter()
        .filter_map(foreign)
        .collect();
    if !out.join("truth.json").exists() {
        let wavs = scenario
            .captures()
            .iter()
            .map(|c| out.join(format!("{}.wav", c.name())));
        found.extend(wavs.filter(|wav| wav.exists()));
    }
    match found.first() {
        None => Ok(()),
        Some(path) => Err(
            Diagnostic::file("writing", "it exists, and the bench did not make it").in_file(path),
        ),
    }
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

/// The errors as a table that reads in a terminal and in Markdown.
fn table(name: &str, rows: &[ScoreRow]) -> String {
    let mut text = format!("## {name}\n\n");
    text.push_str(
        "| quantity | unit | compared | median | 95 % | max | within ± U | missing | extra |\n",
    );
    text.push_str("| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n");
    for row in rows {
        let covered = row
            .covered_percent
            .map_or("–".to_owned(), |p| format!("{p:.0} %"));
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} | {covered} | {} | {} |",
            row.quantity,
            row.unit,
            row.compared,
            size(row, row.median),
            size(row, row.percentile_95),
            size(row, row.max),
            row.missing,
            row.extra,
        );
    }
    text.push('\n');
    text
}

/// Errors are told to a hundredth of their unit, where there are any.
fn size(row: &ScoreRow, figure: f64) -> String {
    if row.compared > 0 {
        format!("{figure:.2}")
    } else {
        "–".to_owned()
    }
}
