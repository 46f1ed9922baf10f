//! Two records against each other.

use crate::bench_files::{Folder, noise, stderr, wav};

/// Records of noise at the microphone and `gain` times it at the simulator.
fn record(folder: &Folder, name: &str, seed: u32, gain: f64) {
    let sound = noise(seed, 4 * 48_000, 0.05);
    let force: Vec<f64> = sound.iter().map(|s| gain * s).collect();
    let (file, out) = (format!("{name}.wav"), format!("{name}.json"));
    wav(&folder.path(&file), 48_000, 24, &[&force, &sound]);
    let arguments = [
        "levels",
        &file,
        "--calibration",
        "cal.toml",
        "--quiet",
        "--out",
        &out,
    ];
    let output = folder.run(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
}

/// The only capture of either record plays the same part, whatever its name.
#[test]
fn six_decibels_more_gain_are_found_in_every_band_and_only_there() {
    let folder = Folder::new();
    record(&folder, "first", 7, 2.0);
    record(&folder, "second", 11, 4.0);
    let compare = ["compare", "first.json", "second.json"];
    let made = folder.json(&[&compare[..], &["--format", "json"]].concat());
    let rows = made["differences"].as_array().unwrap();
    let of = |quantity: &str| -> Vec<_> {
        rows.iter()
            .filter(|row| row["quantity"] == quantity)
            .collect()
    };
    let bands = of("gain");
    assert_eq!(bands.len(), 21, "{rows:#?}");
    for band in bands {
        // 20 lg 2; both channels hold the same noise.
        assert!(
            (band["difference"].as_f64().unwrap() - 6.02).abs() < 0.05,
            "{band}"
        );
        assert_eq!(band["verdict"], "changed", "{band}");
    }
    let sound = of("microphone.leq");
    assert_eq!(sound.len(), 21);
    let unchanged = |row: &&&serde_json::Value| row["verdict"] == "not_beyond_uncertainty";
    // The sound is the same but for chance: 95 % of 21 bands, 3 standard deviations allowed.
    assert!(sound.iter().filter(unchanged).count() >= 17, "{sound:#?}");
    let strict = folder.run(&[&compare[..], &["--strict"]].concat());
    assert_eq!(strict.status.code(), Some(1));
    let printed = String::from_utf8(strict.stdout).unwrap();
    assert!(
        printed.contains("+6.0 dB") && printed.contains("by chance"),
        "{printed}"
    );
    let blunt = [
        &compare[..],
        &["--repeatability", "20", "--strict", "--format", "csv"],
    ]
    .concat();
    let blunt = folder.run(&blunt);
    let table = String::from_utf8(blunt.stdout).unwrap();
    assert!(
        table.starts_with("entry,capture,quantity,nominal_hz,unit,"),
        "{table}"
    );
    let gains = table
        .lines()
        .filter(|line| line.starts_with("levels,first,gain,"));
    assert!(gains.clone().count() == 21 && !gains.clone().any(|line| line.contains(",changed,")));
}

#[test]
fn a_record_is_the_same_as_itself() {
    let folder = Folder::new();
    record(&folder, "first", 7, 2.0);
    let output = folder.run(&["compare", "first.json", "first.json", "--strict"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
}

#[test]
fn what_is_no_record_is_refused_by_name() {
    let folder = Folder::new();
    folder.text("x.json", "{\"schema\": 1}");
    folder.text("y.json", "{");
    folder.text("z.json", "{\"schema\": 2}");
    for (name, said) in [
        ("x.json", "missing"),
        ("y.json", "not JSON"),
        ("z.json", "expected 1"),
        ("w.json", "no such file"),
    ] {
        let output = folder.run(&["compare", name, name]);
        assert_eq!(output.status.code(), Some(2));
        let told = stderr(&output);
        assert!(told.contains(name) && told.contains(said), "{told}");
    }
}
