//! The set-up checks: every fault that the simulated bench plants is found from
//! the strength on that the check's documentation states, and clean captures
//! raise none.

mod clean;
mod planted;

use std::fs;
use std::path::Path;

use micronewton::bench::{Scenario, render};
use micronewton::pipeline::{Plan, Record, run};
use micronewton::trust::{Check, State};
use tempfile::TempDir;

/// A rendered scenario, with its calibration and session.
struct Bench(TempDir);

impl Bench {
    fn new(scenario: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-audio");
        let scenario = Scenario::parse(scenario).unwrap_or_else(|e| panic!("{e}: {scenario}"));
        render(&scenario, &demo, folder.path(), &mut |_, _| {}).unwrap();
        Self(folder)
    }

    /// Replaces words of one of its documents.
    fn with(self, file: &str, from: &str, to: &str) -> Self {
        let path = self.0.path().join(file);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{from} in {text}");
        fs::write(path, text.replace(from, to)).unwrap();
        self
    }

    fn record(&self) -> Record {
        let plan = Plan::read(&self.0.path().join("session.toml")).unwrap();
        run(&plan, &mut |_| {}).unwrap()
    }

    /// How `check` ended on `capture`.
    fn state(&self, check: Check, capture: &str) -> State {
        let record = self.record();
        let mut checks = record.checks.iter();
        let found = checks.find(|c| c.check == check && c.capture == capture);
        found.unwrap().found.state
    }
}
