//! What a session may say of a person, and what becomes of it.

use crate::bench_files::{Folder, noise, stderr, wav};

/// A session with one recording of speech and this `[person]`.
fn session(folder: &Folder, person: &str) {
    let sound = noise(3, 12 * 24_000, 0.01);
    let own = noise(4, sound.len(), 0.001);
    let force: Vec<f64> = sound.iter().zip(&own).map(|(x, y)| 3.0 * x + y).collect();
    wav(&folder.path("speech.wav"), 24_000, 24, &[&force, &sound]);
    folder.text(
        "session.toml",
        &format!(
            "schema = 1\n[session]\ncode = \"S-1\"\ncalibration = \"cal.toml\"\n[person]\n{person}\n\
             [[capture]]\nname = \"speech\"\nfile = \"speech.wav\"\nrole = \"speech\"\nlevel_db_spl = 65\nfrom_s = 0.5\n"
        ),
    );
}

fn refused(person: &str) -> String {
    let folder = Folder::new();
    session(&folder, person);
    let output = folder.run(&["analyse", "session.toml"]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(message.contains("session.toml"), "{message}");
    assert!(message.contains("\n  next: "), "{message}");
    message
}

#[test]
fn what_could_identify_somebody_is_refused_and_not_repeated() {
    for (code, what) in [
        ("Erika Muster", "a name"),
        ("1957-03-12", "a birth date"),
        ("00471108", "a record number"),
    ] {
        let message = refused(&format!("code = \"{code}\""));
        assert!(message.starts_with("error[document.personal]"), "{message}");
        assert!(message.contains(what), "{message}");
        assert!(!message.contains(code), "{message}");
    }
    let message = refused("code = \"P-1\"\ndate_of_birth = 1957-03-12");
    assert!(message.contains("personal data"), "{message}");
    assert!(message.contains("session.toml:7"), "{message}");
}

#[test]
fn hearing_that_makes_no_sense_is_refused_with_the_key() {
    let heard = "code = \"P-1\"\nage_group = \"child\"\ndial_zero = \"type_1\"\n";
    for (more, told) in [
        (
            "dial_zero = \"mastoid\"\n[person.thresholds]\n500 = 20",
            "pressed on skin",
        ),
        ("[person.thresholds]\n500 = 20", "person.dial_zero"),
    ] {
        let message = refused(&format!("code = \"P-1\"\n{more}"));
        assert!(message.contains(told), "{message}");
    }
    for (more, told) in [
        ("[person.thresholds]\n500 = \"nothing\"", "no_response"),
        (
            "[person.thresholds]\n500 = 60\n[person.uncomfortable]\n500 = 50",
            "person.uncomfortable.500",
        ),
        (
            "binaural_correction_db = 3\n[person.thresholds]\n500 = 60",
            "a child",
        ),
        (
            "targets = \"house rule\"\n[person.thresholds]\n500 = 60",
            "starting_point",
        ),
    ] {
        let message = refused(&format!("{heard}{more}"));
        assert!(message.contains(told), "{message}");
    }
}

#[test]
fn targets_of_the_other_age_group_are_refused_with_their_file() {
    let folder = Folder::new();
    session(
        &folder,
        "code = \"P-1\"\nage_group = \"child\"\ndial_zero = \"type_1\"\ntargets = \"targets.csv\"\n\
         [person.thresholds]\n500 = 20\n1000 = 20\n",
    );
    folder.text(
        "targets.csv",
        "nominal_hz,speech_level_db_spl,age_group,target_db\n1000,65,adult,90\n",
    );
    let output = folder.run(&["analyse", "session.toml"]);
    let message = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(
        message.contains("targets.csv") && message.contains("(child)"),
        "{message}"
    );
}

#[test]
fn of_the_person_the_record_carries_code_and_age_group_alone() {
    let folder = Folder::new();
    session(
        &folder,
        "code = \"P-041\"\nage_group = \"adult\"\ndial_zero = \"type_2\"\ntargets = \"starting_point\"\n\
         [person.thresholds]\n250 = 21.5\n500 = 20\n1000 = 20\n2000 = 25\n4000 = { above = 60 }\n\
         [person.uncomfortable]\n500 = 90\n1000 = 90\n2000 = 95\n",
    );
    let record = folder.json(&["analyse", "session.toml", "--format", "json"]);
    let person = record["session"]["person"].as_object().unwrap();
    let keys: Vec<&str> = person.keys().map(String::as_str).collect();
    assert_eq!(keys, ["code", "age_group"]);
    let entries: Vec<&str> = record["assessments"]
        .as_array()
        .unwrap()
        .iter()
        .map(|assessment| assessment["entry"].as_str().unwrap())
        .collect();
    assert_eq!(entries, ["audibility", "targets", "discomfort"]);
    let index = &record["assessments"][0]["audibility_index"];
    assert_eq!(index["status"], "not_measured");
    let csv = folder.run(&["analyse", "session.toml", "--format", "csv"]);
    let csv = String::from_utf8(csv.stdout).unwrap();
    for key in [
        "sensation_level",
        "target_deviation",
        "excess",
        "force.percentile_99",
        "gain.leq",
    ] {
        assert!(csv.contains(key), "{key}");
    }
}

/// The device's noise in the pauses is 20 dB below speech, and once as strong as it.
#[test]
fn bands_that_the_devices_own_noise_sets_are_marked_and_do_not_count_as_heard() {
    let told = |own: f64| {
        let folder = Folder::new();
        session(
            &folder,
            "code = \"P-1\"\nage_group = \"adult\"\ndial_zero = \"type_1\"\n[person.thresholds]\n500 = 0\n1000 = 0\n4000 = 0",
        );
        let sound = noise(3, 12 * 24_000, 0.01);
        let own: Vec<f64> = noise(5, sound.len(), own);
        let force: Vec<f64> = sound.iter().zip(&own).map(|(x, y)| 3.0 * x + y).collect();
        wav(&folder.path("speech.wav"), 24_000, 24, &[&force, &sound]);
        let still = noise(6, own.len(), 1e-5);
        wav(&folder.path("still.wav"), 24_000, 24, &[&own, &still]);
        let text = std::fs::read_to_string(folder.path("session.toml")).unwrap()
            + "[[capture]]\nname = \"still\"\nfile = \"still.wav\"\nrole = \"equivalent_input_noise\"\n";
        folder.text("session.toml", &text);
        let output = folder.run(&["analyse", "session.toml"]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let words = String::from_utf8(output.stdout).unwrap();
        words.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(!told(0.003).contains("Set by noise"));
    let noisy = told(0.03);
    assert!(
        noisy.contains("Set by noise") && noisy.contains("do not count as heard"),
        "{noisy}"
    );
}
