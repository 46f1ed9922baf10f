//! What must not be in any output of a de-identified run. The kinds of identifiers are
//! those of 45 CFR 164.514(b)(2), from memory: names, dates but the year, record numbers,
//! device identifiers and serial numbers, any other unique code.

use crate::bench_files::{Folder, noise, stderr, wav};

/// Planted wherever a user can write something; none may come out again.
const MARKERS: [&str; 11] = [
    "zq-afternoon",
    "zq-dev",
    "ZQ7",
    "zqcapture",
    "zqfile",
    "zqnote",
    "zqcert",
    "zqfolder",
    "zqtable",
    "zqcal",
    "05-17",
];

fn planted() -> Folder {
    let folder = Folder::new();
    let sound = noise(3, 12 * 24_000, 0.01);
    let own = noise(4, sound.len(), 0.001);
    let force: Vec<f64> = sound.iter().zip(&own).map(|(x, y)| 3.0 * x + y).collect();
    let place = folder.path("zqfolder");
    std::fs::create_dir(&place).unwrap();
    wav(&place.join("zqfile.wav"), 24_000, 24, &[&force, &sound]);
    let text = |name: &str, text: &str| std::fs::write(place.join(name), text).unwrap();
    text(
        "zqcal.toml",
        "schema = 1\n[recorder]\nfull_scale_v = 1.0\n[force]\nchannel = 1\n\
         sensitivity_v_per_n = 0.132\nexpanded_uncertainty_db = 0.5\n\
         certificate = \"zqcert\"\ndate = 2024-05-17\ninterval_months = 12\n\
         [microphone]\nchannel = 2\nsensitivity_v_per_pa = 0.0125\nexpanded_uncertainty_db = 0.3\n",
    );
    text(
        "zqtable.csv",
        "frequency_hz,zero_db\n250,60\n500,58\n1000,42\n2000,38\n4000,36\n",
    );
    text(
        "session.toml",
        "schema = 1\n[session]\ncode = \"zq-afternoon\"\ndate = 2026-05-17\nbox = \"closed\"\n\
         calibration = \"zqcal.toml\"\n[device]\ncode = \"zq-dev\"\nside = \"left\"\n\
         [person]\ncode = \"ZQ7\"\nage_group = \"adult\"\ndial_zero = \"zqtable.csv\"\n\
         [person.thresholds]\n500 = 20\n1000 = 25\n2000 = 30\n4000 = 35\n\
         [[capture]]\nname = \"zqcapture\"\nfile = \"zqfile.wav\"\nrole = \"speech\"\n\
         level_db_spl = 65\nfrom_s = 0.5\nnote = \"zqnote\"\n",
    );
    folder
}

/// Every output of `analyse` with `more`: file name and text; standard output and error
/// beside them.
fn outputs(folder: &Folder, more: &[&str]) -> Vec<(String, String)> {
    let names = ["out.html", "out.json", "out.csv", "out.txt"];
    let mut arguments = vec!["analyse", "zqfolder/session.toml"];
    arguments.extend(names.iter().flat_map(|name| ["--out", name]));
    let output = folder.run(&[&arguments, more].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let file = |name: &&str| {
        let text = std::fs::read_to_string(folder.path(name)).unwrap();
        ((*name).to_owned(), text)
    };
    let mut all: Vec<_> = names.iter().map(file).collect();
    #[cfg(all(feature = "pdf", feature = "xlsx"))]
    {
        let arguments = [
            "analyse",
            "zqfolder/session.toml",
            "-q",
            "--out",
            "out.xlsx",
        ];
        let output = folder.run(&[&arguments, more].concat());
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let sheets = crate::exports::sheets(folder, "out.xlsx");
        all.push(("out.xlsx".into(), format!("{sheets:?}")));
    }
    all.push(("stderr".into(), stderr(&output)));
    all.push(("stdout".into(), String::from_utf8(output.stdout).unwrap()));
    all
}

#[test]
fn nothing_planted_comes_out_of_a_de_identified_run() {
    let folder = planted();
    for (name, text) in outputs(&folder, &["--deidentify"]) {
        for marker in MARKERS {
            assert!(!text.contains(marker), "{marker} in {name}");
        }
    }
    let text = std::fs::read_to_string(folder.path("out.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(record["session"]["date"], "2026");
    assert_eq!(record["session"]["device"]["side"], "left");
    assert!(record["inputs"][0]["sha256"].is_null());
    assert_eq!(record["calibration"]["force"]["date"], "2024");
    // It says so, in the record and on the page.
    assert!(record["withheld"].as_array().unwrap().len() > 4);
    let page = std::fs::read_to_string(folder.path("out.html")).unwrap();
    assert!(page.contains("De-identified"));
    // The overdue calibration is still found.
    assert!(text.contains("due again on 2025"), "{}", record["findings"]);
    let output = folder.run(&["reproduce", "out.json"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).contains("de-identified"));
}

/// The markers are where they would be found, and the levels are the same.
#[test]
fn without_the_option_each_is_told_somewhere_and_the_figures_are_the_same() {
    let folder = planted();
    let plain = outputs(&folder, &[]);
    for marker in MARKERS {
        let told = plain.iter().any(|(_, text)| text.contains(marker));
        assert!(told, "{marker} is planted where nothing is told");
    }
    let values = |text: &str| -> Vec<String> {
        let mut rows = csv_rows(text);
        rows.remove(0);
        rows.into_iter().map(|row| row[5].clone()).collect()
    };
    let of = |all: &[(String, String)]| {
        let (_, text) = all.iter().find(|(name, _)| name == "out.csv").unwrap();
        values(text)
    };
    let kept = outputs(&folder, &["--deidentify", "--keep-hash"]);
    assert_eq!(of(&plain), of(&kept));
    let text = std::fs::read_to_string(folder.path("out.json")).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(record["inputs"][0]["sha256"].as_str().unwrap().len(), 64);
}

fn csv_rows(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes());
    reader
        .records()
        .map(|row| row.unwrap().iter().map(str::to_owned).collect())
        .collect()
}
