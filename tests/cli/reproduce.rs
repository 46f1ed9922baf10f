//! Records computed again from their files.

use serde_json::Value;

use crate::bench_files::{Folder, noise, stderr, wav};

/// A folder with `record.json`, the levels and the feedback of one WAV.
fn recorded() -> Folder {
    let folder = Folder::new();
    let sound = noise(7, 4 * 48_000, 0.05);
    let own = noise(9, 4 * 48_000, 0.01);
    let force: Vec<f64> = sound.iter().zip(&own).map(|(s, n)| 2.0 * s + n).collect();
    wav(&folder.path("a.wav"), 48_000, 24, &[&force, &sound]);
    folder.text(
        "session.toml",
        "schema = 1\n[session]\ncode = \"S1\"\ncalibration = \"cal.toml\"\n\
         [options.levels]\nexceeded_percent = [5]\n\
         [[capture]]\nname = \"noise\"\nfile = \"a.wav\"\nrole = \"general\"\nfrom_s = 0.5\n",
    );
    let output = folder.run(&["analyse", "session.toml", "-q", "--out", "record.json"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    folder
}

fn states(folder: &Folder, arguments: &[&str], code: i32) -> Vec<Value> {
    let output = folder.run(&[&["reproduce"], arguments, &["--format", "json"]].concat());
    assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
    let made: Value = serde_json::from_slice(&output.stdout).unwrap();
    made["figures"].as_array().unwrap().clone()
}

fn edit(folder: &Folder, how: impl Fn(&mut Value)) {
    let text = std::fs::read_to_string(folder.path("record.json")).unwrap();
    let mut record = serde_json::from_str(&text).unwrap();
    how(&mut record);
    folder.text("edited.json", &record.to_string());
}

#[test]
fn the_files_give_the_figures_of_the_record_again() {
    let folder = recorded();
    let figures = states(&folder, &["record.json"], 0);
    assert!(figures.len() > 100, "{}", figures.len());
    assert!(figures.iter().all(|figure| figure["state"] == "same"));
    let printed = folder.run(&["reproduce", "record.json", "--quiet"]);
    let printed = String::from_utf8(printed.stdout).unwrap();
    assert!(
        printed.contains("figures of the record are the same"),
        "{printed}"
    );
    // Options of the record count, not those of the file or of today.
    let exceeded = |figure: &&Value| figure["quantity"] == "force.exceeded.5";
    assert_eq!(figures.iter().filter(exceeded).count(), 21);
}

#[test]
fn without_a_session_the_record_holds_what_it_takes() {
    let folder = recorded();
    let levels = [
        "levels",
        "a.wav",
        "--calibration",
        "cal.toml",
        "--from",
        "1",
        "--lowest-band",
        "500",
        "-q",
        "--out",
        "levels.json",
    ];
    assert_eq!(folder.run(&levels).status.code(), Some(0));
    let figures = states(&folder, &["levels.json"], 0);
    assert!(figures.iter().all(|figure| figure["state"] == "same"));
    assert!(figures.iter().all(|figure| figure["entry"] == "levels"));
}

#[test]
fn a_figure_that_was_altered_is_told_by_how_much() {
    let folder = recorded();
    edit(&folder, |record| {
        let leq = &mut record["entries"][0]["channels"][0]["bands"][3]["leq"]["value"];
        *leq = (leq.as_f64().unwrap() + 0.25).into();
    });
    let figures = states(&folder, &["edited.json"], 1);
    let changed: Vec<_> = figures.iter().filter(|f| f["state"] != "same").collect();
    assert_eq!(changed.len(), 1, "{changed:?}");
    assert_eq!(changed[0]["quantity"], "force.leq");
    assert_eq!(changed[0]["nominal_hz"], 200.0);
    // The record says a quarter of a decibel more than the file.
    let difference = changed[0]["difference"].as_f64().unwrap();
    assert!((difference + 0.25).abs() < 1e-9, "{difference}");
    let printed = folder.run(&["reproduce", "edited.json"]);
    let printed = String::from_utf8(printed.stdout).unwrap();
    assert!(printed.contains("0.2500"), "{printed}");
}

#[test]
fn a_figure_that_does_not_come_out_again_is_exit_code_2() {
    let folder = recorded();
    edit(&folder, |record| {
        let more = record["entries"][0].clone();
        let mut more = more.as_object().unwrap().clone();
        more.insert("capture".into(), "elsewhere".into());
        record["entries"].as_array_mut().unwrap().push(more.into());
    });
    let figures = states(&folder, &["edited.json"], 2);
    let gone = figures.iter().filter(|f| f["state"] == "not_recomputable");
    assert!(gone.clone().count() > 20);
    assert!(
        gone.clone()
            .all(|f| f["capture"] == "elsewhere" && f["reason"].is_string())
    );
}

#[test]
fn other_files_are_no_check() {
    let folder = recorded();
    let record = std::fs::read_to_string(folder.path("record.json")).unwrap();
    let refused = |named: &str| {
        let output = folder.run(&["reproduce", "record.json"]);
        assert_eq!(output.status.code(), Some(2));
        assert!(output.stdout.is_empty());
        let told = stderr(&output);
        assert!(
            told.contains("document.other_files") && told.contains(named),
            "{told}"
        );
    };
    let sound = noise(8, 4 * 48_000, 0.05);
    wav(&folder.path("a.wav"), 48_000, 24, &[&sound, &sound]);
    refused("a.wav is not the file that was read");
    std::fs::remove_file(folder.path("a.wav")).unwrap();
    refused("a.wav is missing");
    // Elsewhere, all is there.
    let archive = recorded();
    archive.text("record.json", &record);
    let place = archive.path("");
    let figures = states(
        &folder,
        &["record.json", "--folder", place.to_str().unwrap()],
        0,
    );
    assert!(figures.iter().all(|figure| figure["state"] == "same"));
}

#[test]
fn a_record_without_its_recipe_is_refused() {
    let folder = recorded();
    edit(&folder, |record| {
        record.as_object_mut().unwrap().remove("recipe");
    });
    let output = folder.run(&["reproduce", "edited.json"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("document.no_recipe"),
        "{}",
        stderr(&output)
    );
}

/// Options that a command would refuse are not offered by its help.
#[test]
fn the_help_offers_what_is_accepted() {
    let folder = Folder::new();
    for command in ["compare", "inspect", "reproduce"] {
        let help = String::from_utf8(folder.run(&[command, "--help"]).stdout).unwrap();
        assert!(
            help.contains("--format") && !help.contains("html"),
            "{help}"
        );
        assert!(!help.contains("--budget"), "{help}");
        let refused = folder.run(&[command, "x.json", "y.json", "--format", "html"]);
        assert_eq!(refused.status.code(), Some(2));
    }
    let help = String::from_utf8(folder.run(&["levels", "--help"]).stdout).unwrap();
    assert!(help.contains("html") && help.contains("--budget"), "{help}");
}
