//! What the README promises, and the demo captures against their scenario.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use micronewton::comparison::{Options, Recorded, compare};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn run(arguments: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_micronewton"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn text(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap()
}

/// Commands of the README's `sh` blocks.
fn readme_commands() -> Vec<String> {
    let readme = text("README.md");
    let blocks = readme
        .split("```sh\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap());
    blocks
        .flat_map(|block| block.lines().map(str::to_owned).collect::<Vec<_>>())
        .collect()
}

#[test]
fn ci_runs_the_readmes_two_commands() {
    let ci = text(".ci/run");
    let commands = readme_commands();
    assert_eq!(commands.len(), 2, "{commands:?}");
    for command in commands {
        assert!(ci.lines().any(|line| line == command), "{command}");
    }
}

#[test]
fn the_demo_answers_and_writes_a_page() {
    let folder = tempfile::tempdir().unwrap();
    let captures = root().join("demo-audio");
    let output = run(
        &["demo", "--folder", captures.to_str().unwrap()],
        folder.path(),
    );
    let printed = String::from_utf8(output.stdout).unwrap();
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(String::from_utf8_lossy(&output.stderr).contains("written: demo-report.html"));
    for word in [
        "feeding back",
        "outside",
        "front",
        "1 µn",
        "since 2025-09-11",
    ] {
        // Lines end anywhere.
        let told: Vec<&str> = printed.split_whitespace().collect();
        assert!(told.join(" ").to_lowercase().contains(word), "{word}");
    }
    // What the README shows is what the demo says.
    let readme = text("README.md");
    let shown = readme
        .split("It leads with\n\n```text\n")
        .nth(1)
        .unwrap()
        .split("```")
        .next()
        .unwrap();
    assert!(printed.contains(shown), "{shown}");
    let page = fs::read_to_string(folder.path().join("demo-report.html")).unwrap();
    for piece in ["<svg", "default-src 'none'", "sha-256", "micronewton"] {
        assert!(
            page.to_lowercase().contains(&piece.to_lowercase()),
            "{piece}"
        );
    }
    assert!(!page.contains("NaN") && !page.contains(root().to_str().unwrap()));
    let strict = run(
        &["demo", "--folder", captures.to_str().unwrap(), "--strict"],
        folder.path(),
    );
    assert_eq!(
        strict.status.code(),
        Some(1),
        "the demo's device feeds back before the cable is freed"
    );
}

#[test]
fn the_demo_captures_are_what_their_scenario_makes_bit_for_bit() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = root().join("demo-audio/scenario.toml");
    let out = folder.path().to_str().unwrap();
    let output = run(
        &["bench", scenario.to_str().unwrap(), "--out", out],
        folder.path(),
    );
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let mut compared = 0;
    for entry in fs::read_dir(folder.path()).unwrap() {
        let made = entry.unwrap();
        let kept = root().join("demo-audio").join(made.file_name());
        // Not assert_eq: the files are megabytes.
        assert!(
            fs::read(made.path()).unwrap() == fs::read(&kept).unwrap(),
            "{}",
            kept.display()
        );
        compared += 1;
    }
    assert!(compared >= 10, "{compared} files");
}

/// The bench rounds alike on all machines, the analysis up to the last bits.
#[test]
fn the_record_of_the_earlier_visit_is_what_its_scenario_gives() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = root().join("demo-audio/earlier/scenario.toml");
    let out = folder.path().to_str().unwrap();
    let rendered = run(
        &["bench", scenario.to_str().unwrap(), "--out", out],
        folder.path(),
    );
    assert_eq!(rendered.status.code(), Some(0));
    let made = run(
        &["analyse", "session.toml", "--format", "json", "--quiet"],
        folder.path(),
    );
    let made = Recorded::parse(&String::from_utf8(made.stdout).unwrap()).unwrap();
    let kept = Recorded::read(&root().join("demo-audio/earlier/record.json")).unwrap();
    let compared = compare(&kept, &made, Options::default()).unwrap();
    assert!(compared.differences.len() > 500);
    // Figures that a later version adds are no fault of the kept record.
    let kept = compared
        .differences
        .into_iter()
        .filter(|row| row.before.is_some());
    for row in kept {
        let apart = row
            .before
            .zip(row.after)
            .map(|(before, after)| before - after);
        assert!(apart.is_some_and(|apart| apart.abs() < 1e-6), "{row:?}");
    }
}

#[test]
fn the_demo_stays_under_12_mib() {
    let files = fs::read_dir(root().join("demo-audio")).unwrap();
    let bytes: u64 = files
        .map(|file| file.unwrap().metadata().unwrap().len())
        .sum();
    assert!(bytes < 12 << 20, "{bytes} bytes");
}

/// The numbers of a table cell row.
fn figures(line: &str) -> Vec<f64> {
    line.split('|')
        .filter_map(|cell| cell.trim().trim_end_matches(" %").parse().ok())
        .collect()
}

#[test]
fn the_accuracy_page_is_what_the_bench_finds() {
    let page = text("docs/accuracy.md");
    let command = page
        .lines()
        .find_map(|line| line.strip_prefix("micronewton bench "))
        .unwrap();
    let arguments: Vec<&str> = std::iter::once("bench").chain(command.split(' ')).collect();
    let output = run(&arguments, &root());
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let found = String::from_utf8(output.stdout).unwrap();
    let rows = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|l| l.starts_with("| ") && figures(l).len() > 3)
            .map(str::to_owned)
            .collect()
    };
    let (kept, found) = (rows(&page), rows(&found));
    assert_eq!(kept.len(), found.len(), "{found:#?}");
    for (kept, found) in kept.iter().zip(&found) {
        assert_eq!(kept.split('|').nth(1), found.split('|').nth(1));
        for (a, b) in figures(kept).iter().zip(figures(found)) {
            // Two steps of the last digit: transforms differ between processors.
            assert!((a - b).abs() < 0.021, "{kept}\n{found}");
        }
    }
}
