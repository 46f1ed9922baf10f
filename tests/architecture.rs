//! The plan of the house, held against the sources: who may import whom, and
//! who may touch files, the environment, the terminal, clocks and chance.
//!
//! In a workspace the compiler would do this; in one crate a test does.

use std::fs;
use std::path::{Path, PathBuf};

/// Layers from the ground up; a layer may import itself and those before it.
/// `bench` stands beside the chain: it imports the ground only.
const LAYERS: [&[&str]; 11] = [
    &["quantity", "diagnostic", "table"],
    &["capture"],
    &["calibration"],
    &["levels"],
    &["trust"],
    &["measurement"],
    &["assessment"],
    &["pipeline"],
    &["comparison"],
    &["report"],
    &["cli"],
];
/// `capture` and `calibration` keep the ground below and nothing of each other's
/// above; `bench` sees only the ground.
const BESIDE: [&str; 1] = ["bench"];

fn rank(module: &str) -> Option<usize> {
    LAYERS.iter().position(|layer| layer.contains(&module))
}

fn sources() -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, found: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") && !path.ends_with("tests.rs") {
                let text = fs::read_to_string(&path).unwrap();
                // Tests, inside a file or in one named so, may do what they like.
                let code = text.split("#[cfg(test)]").next().unwrap().to_owned();
                found.push((path, code));
            }
        }
    }
    let mut found = Vec::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    walk(&root, &mut found);
    found
        .into_iter()
        .map(|(path, code)| (path.strip_prefix(&root).unwrap().to_owned(), code))
        .collect()
}

fn layer_of(path: &Path) -> String {
    path.components()
        .next()
        .unwrap()
        .as_os_str()
        .to_string_lossy()
        .into_owned()
}

/// Lines of code, without comments and documentation.
fn code_lines(code: &str) -> impl Iterator<Item = &str> {
    code.lines()
        .map(str::trim_start)
        .filter(|line| !line.starts_with("//"))
}

/// The first module of every `crate::…` path in `line`.
fn imports(line: &str) -> impl Iterator<Item = &str> {
    line.split("crate::").skip(1).map(|rest| {
        let end = rest.find(|c: char| !(c.is_alphanumeric() || c == '_'));
        &rest[..end.unwrap_or(rest.len())]
    })
}

/// Every import against the plan, as `file: module`.
fn upward_imports(sources: &[(PathBuf, String)]) -> Vec<String> {
    let mut wrong = Vec::new();
    for (path, code) in sources {
        let layer = layer_of(path);
        for module in code_lines(code).flat_map(imports) {
            let allowed = match (rank(&layer), rank(module)) {
                (Some(own), Some(other)) => other <= own,
                // Beside the chain: the ground only.
                (None, Some(other)) if BESIDE.contains(&layer.as_str()) => other == 0,
                _ => module == layer || rank(module).is_none() && !BESIDE.contains(&module),
            };
            if !allowed {
                wrong.push(format!("{}: {module}", path.display()));
            }
        }
    }
    wrong
}

#[test]
fn no_layer_imports_one_above_it() {
    let wrong = upward_imports(&sources());
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn an_upward_import_would_be_seen() {
    let planted = |file: &str, line: &str| {
        upward_imports(&[(PathBuf::from(file), format!("{line}\n"))]).len()
    };
    assert_eq!(planted("levels/bank.rs", "use crate::report::json;"), 1);
    assert_eq!(planted("bench/device.rs", "use crate::levels::Bands;"), 1);
    assert_eq!(
        planted("quantity/band.rs", "use crate::capture::Source;"),
        1
    );
    assert_eq!(planted("report/json.rs", "use crate::pipeline::Record;"), 0);
    assert_eq!(planted("levels/bank.rs", "// see crate::report"), 0);
}

#[test]
fn measurements_do_not_import_each_other() {
    for (path, code) in sources()
        .iter()
        .filter(|(p, _)| layer_of(p) == "measurement")
    {
        let own = path.file_stem().unwrap().to_string_lossy();
        for line in code_lines(code).filter(|l| l.starts_with("use ") && own != "mod") {
            for other in [
                "levels::",
                "speech_percentiles::",
                "feedback::",
                "directional::",
            ] {
                let sideways = line.contains(&format!("super::{other}"))
                    || line.contains(&format!("measurement::{other}"));
                assert!(!sideways, "{}: {line}", path.display());
            }
        }
    }
}

#[test]
fn only_the_ends_touch_the_world() {
    // What, and the files or layers that may.
    let rules: [(&str, &[&str]); 7] = [
        (
            "std::fs",
            &[
                "capture/wav.rs",
                "pipeline/document.rs",
                "report/pdf.rs",
                "report/write.rs",
                "bench/",
                "cli/",
            ],
        ),
        ("std::env", &["cli/"]),
        // The browser that prints has so long; nothing else waits or asks the time.
        ("std::time", &["cli/", "report/pdf.rs"]),
        ("println!", &["cli/", "main.rs"]),
        ("rand_", &["bench/"]),
        ("process::Command", &["report/pdf.rs"]),
        (
            "tempfile",
            &["report/pdf.rs", "report/write.rs", "bench/", "cli/bench.rs"],
        ),
    ];
    for (path, code) in sources() {
        let name = path.to_string_lossy().into_owned();
        for line in code_lines(&code) {
            for (what, where_allowed) in &rules {
                let allowed = where_allowed.iter().any(|place| name.starts_with(place));
                assert!(allowed || !line.contains(what), "{name}: {line}");
            }
        }
    }
}

#[test]
fn no_module_is_a_dumping_ground() {
    for (path, _) in sources() {
        let name = path.to_string_lossy().into_owned();
        for refused in ["utils", "util.", "common", "helpers", "misc", "types"] {
            assert!(!name.contains(refused), "{name}");
        }
    }
}
