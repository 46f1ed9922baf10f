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

/// Three devices, two captures each without and two with 6 dB more gain.
#[test]
fn a_gain_given_to_every_device_of_a_group_is_found_with_its_interval() {
    let folder = Folder::new();
    let mut list = "record,group,device,repeat\n".to_owned();
    let mut seed = 0;
    for (group, factor) in [("plain", 1.0), ("more", 2.0)] {
        for (device, own) in [("d1", 2.0), ("d2", 2.2), ("d3", 1.7)] {
            for repeat in 1..3 {
                seed += 1;
                let name = format!("{group}-{device}-{repeat}");
                // Repeats of one device differ by 1 %, about 0.09 dB.
                let gain = own * factor * (1.0 + 0.01 * f64::from(repeat * seed % 3));
                record(&folder, &name, seed as u32, gain);
                list += &format!("{name}.json,{group},{device},{repeat}\n");
            }
        }
    }
    folder.text("groups.csv", &list);
    let arguments = ["compare", "--groups", "groups.csv", "--quantity", "gain"];
    let made = folder.json(&[&arguments[..], &["--format", "json"]].concat());
    let differences = made["differences"].as_array().unwrap();
    assert_eq!(differences.len(), 21, "{differences:#?}");
    for band in differences {
        let [low, high] = ["low", "high"].map(|end| band[end].as_f64().unwrap());
        assert!(low < 6.02 + 0.05 && high > 6.02 - 0.05, "{band}");
        assert!(high - low < 1.0, "{band}");
        assert_eq!(
            (&band["method"], &band["differs"]),
            (&"paired".into(), &true.into())
        );
    }
    for group in made["groups"].as_array().unwrap() {
        assert_eq!(
            (group["devices"].as_u64(), group["records"].as_u64()),
            (Some(3), Some(6))
        );
        // 20 lg of 1.7, 2 and 2.2 scatter by 1.15 dB.
        let between = group["between_devices_sd"].as_f64().unwrap();
        assert!((between - 1.15).abs() < 0.15, "{group}");
        assert!(
            group["repeatability_sd"].as_f64().unwrap() < 0.15,
            "{group}"
        );
        assert!(group["reproducibility_sd"].is_null());
    }
    let tidy = [&arguments[..], &["--figures", "tidy.csv", "--strict"]].concat();
    let output = folder.run(&tidy);
    assert_eq!(output.status.code(), Some(1), "{}", stderr(&output));
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.contains("21 of 21 differences"), "{printed}");
    let read = |name: &str| std::fs::read_to_string(folder.path(name)).unwrap();
    let (table, dictionary) = (read("tidy.csv"), read("tidy.dictionary.csv"));
    let head: Vec<&str> = table.lines().next().unwrap().split(',').collect();
    let told: Vec<&str> = dictionary
        .lines()
        .skip(1)
        .map(|l| l.split(',').next().unwrap())
        .collect();
    assert_eq!(head, told);
    // One row for each of twelve records and 21 bands.
    assert_eq!(table.lines().count(), 1 + 12 * 21);
    let wrong = folder.run(&["compare", "--groups", "groups.csv", "--quantity", "gian"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(
        stderr(&wrong).contains("no record holds"),
        "{}",
        stderr(&wrong)
    );
}

#[test]
fn what_is_no_record_is_refused_as_the_earlier_one_before_anything_is_measured() {
    let folder = Folder::new();
    std::fs::write(folder.path("list.json"), "[1, 2]").unwrap();
    let session = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-audio/session.toml");
    let output = folder.run(&[
        "analyse",
        session,
        "--since",
        "list.json",
        "--out",
        "page.html",
    ]);
    assert_eq!(output.status.code(), Some(2));
    let said = stderr(&output);
    assert!(
        said.contains("list.json") && said.contains("schema"),
        "{said}"
    );
    assert!(!folder.path("page.html").exists());
}

#[test]
fn records_of_different_devices_are_compared_but_not_in_silence() {
    let record = |device: &str| {
        let session = serde_json::json!({"date": "2026-01-05", "device": {"code": device}});
        let record = serde_json::json!({"schema": 1, "session": session, "calibration": {},
            "captures": [], "entries": []});
        micronewton::comparison::Recorded::parse(&record.to_string()).unwrap()
    };
    let notes = |a, b| {
        let made = micronewton::comparison::compare(&record(a), &record(b), Default::default());
        made.unwrap().notes.join(" ")
    };
    assert!(notes("D-1", "D-2").contains("different devices: D-1 and D-2"));
    assert!(!notes("D-1", "D-1").contains("different devices"));
}
