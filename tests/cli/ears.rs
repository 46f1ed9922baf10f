//! Both ears of one person in one report.

use crate::bench_files::{Folder, noise, stderr, wav};

/// A session of a device of this gain, worn on this side by this person.
pub fn session(folder: &Folder, name: &str, side: &str, person: &str, gain: f64) {
    let sound = noise(3, 12 * 24_000, 0.01);
    let own = noise(4, sound.len(), 0.001);
    let force: Vec<f64> = sound.iter().zip(&own).map(|(x, y)| gain * x + y).collect();
    wav(
        &folder.path(&format!("{name}.wav")),
        24_000,
        24,
        &[&force, &sound],
    );
    folder.text(
        &format!("{name}.toml"),
        &format!(
            "schema = 1\n[session]\ncode = \"S-{name}\"\ncalibration = \"cal.toml\"\n\
             [device]\ncode = \"D-{name}\"\n{side}\n[person]\ncode = \"{person}\"\n\
             age_group = \"adult\"\ndial_zero = \"type_1\"\n[person.thresholds]\n500 = 20\n2000 = 30\n\
             [[capture]]\nname = \"speech\"\nfile = \"{name}.wav\"\nrole = \"speech\"\n\
             level_db_spl = 65\nfrom_s = 0.5\n"
        ),
    );
}

pub const LEFT: &str = "side = \"left\"";
pub const RIGHT: &str = "side = \"right\"";

#[test]
fn every_question_is_answered_for_both_ears_in_every_form() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    session(&folder, "r", RIGHT, "P-1", 1.5);
    // The order of the arguments does not matter.
    let outs = [
        "--out", "b.html", "--out", "b.csv", "--out", "b.json", "--out", "b.txt",
    ];
    let output = folder.run(&[&["analyse", "r.toml", "l.toml", "-q"], &outs[..]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let read = |name: &str| std::fs::read_to_string(folder.path(name)).unwrap();

    let text = read("b.txt");
    let (before, after) = text.split_once("Does speech reach this person?").unwrap();
    let left = after.find("Left ear: ").unwrap();
    assert!(left < after.find("Right ear: ").unwrap(), "{after}");
    assert!(before.contains("Device D-l, left side") && before.contains("D-r, right side"));
    assert_eq!(text.matches("Does speech reach this person?").count(), 1);

    let page = read("b.html");
    let (_, answers) = page.split_once("id=\"q3\"").unwrap();
    let (answers, _) = answers.split_once("</section>").unwrap();
    assert!(answers.contains("<h3>Left ear</h3>") && answers.contains("<h3>Right ear</h3>"));
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "an id stands twice");

    // The ears keep their own figures: the left device makes twice the force, 6.02 dB.
    let mean = |side: &str| {
        let table = read("b.csv");
        let rows = table.lines().filter(|row| row.ends_with(side));
        let figures = rows.filter(|row| row.contains(",levels,force.leq,"));
        let values: Vec<f64> = figures
            .filter_map(|row| row.split(',').nth(5)?.parse().ok())
            .collect();
        assert!(values.len() > 10, "{side}");
        values.iter().sum::<f64>() / values.len() as f64
    };
    assert!((mean(",left") - mean(",right") - 6.02).abs() < 0.1);

    // A record is of one device, and every other command reads it.
    assert!(!folder.path("b.json").exists());
    let change = folder.run(&["compare", "b_left.json", "b_right.json"]);
    assert_eq!(change.status.code(), Some(0), "{}", stderr(&change));
}

#[test]
fn left_and_right_are_laid_beside_each_other() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    let told = |gain: f64| {
        session(&folder, "r", RIGHT, "P-1", gain);
        let output = folder.run(&["analyse", "l.toml", "r.toml", "-q"]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let text = String::from_utf8(output.stdout).unwrap();
        let (_, told) = text.split_once("Do left and right differ?").unwrap();
        told.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    // Half the force: 6.02 dB, in every band of one recording that both have.
    let differ = told(1.5);
    let lower = "on the right is lower in 20 bands from 100 Hz to 8 kHz";
    assert!(differ.contains(lower), "{differ}");
    assert!(differ.contains("−6.0 dB in “speech”"), "{differ}");
    assert!(!differ.contains("earlier record"), "{differ}");
    assert!(told(3.0).contains("alike None of"), "{}", told(3.0));

    let output = folder.run(&["plot", "l.toml", "r.toml", "-q"]);
    let pictures = String::from_utf8(output.stdout).unwrap();
    assert!(
        pictures.contains("force-level-of-the-same-speech-left-beside-right "),
        "{pictures}"
    );
}

#[test]
fn two_sessions_that_are_not_left_and_right_of_one_person_are_refused() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    for (side, person, told) in [
        (LEFT, "P-1", "`left` in both sessions"),
        ("", "P-1", "device.side"),
        (RIGHT, "P-2", "person.code"),
    ] {
        session(&folder, "r", side, person, 3.0);
        let output = folder.run(&["analyse", "l.toml", "r.toml"]);
        let message = stderr(&output);
        assert_eq!(output.status.code(), Some(2), "{message}");
        assert!(
            message.contains(told) && message.contains("r.toml"),
            "{message}"
        );
    }
    session(&folder, "r", RIGHT, "P-1", 3.0);
    let output = folder.run(&["analyse", "l.toml", "r.toml", "--format", "json"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("FILE_left.json"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn what_changed_is_told_of_each_ear_from_its_own_earlier_record() {
    let folder = Folder::new();
    session(&folder, "l", LEFT, "P-1", 3.0);
    session(&folder, "r", RIGHT, "P-1", 1.5);
    let both = ["analyse", "l.toml", "r.toml", "-q", "--out"];
    let before = folder.run(&[&both[..], &["earlier.json"]].concat());
    assert_eq!(before.status.code(), Some(0), "{}", stderr(&before));
    // The right device is turned up by 6.02 dB.
    session(&folder, "r", RIGHT, "P-1", 3.0);
    let since = [
        "--since",
        "earlier_right.json",
        "--since",
        "earlier_left.json",
    ];
    let after = folder.run(&[&both[..], &["now.txt"], &since].concat());
    assert_eq!(after.status.code(), Some(0), "{}", stderr(&after));
    let text = std::fs::read_to_string(folder.path("now.txt")).unwrap();
    let (_, changed) = text
        .split_once("What changed since the earlier record?")
        .unwrap();
    let (left, right) = changed.split_once("Right ear: ").unwrap();
    assert!(left.contains("Left ear: | # |  unchanged"), "{left}");
    assert!(right.starts_with("|   |# changed"), "{right}");
    assert!(right.contains("+6.0"), "{right}");

    // A record of one ear alone is enough, and of no other side than it says.
    let one = folder.run(&[&both[..], &["one.html"], &since[..2]].concat());
    assert_eq!(one.status.code(), Some(0), "{}", stderr(&one));
    let page = std::fs::read_to_string(folder.path("one.html")).unwrap();
    let (_, changed) = page
        .split_once("What changed since the earlier record?</h2>")
        .unwrap();
    assert!(changed.starts_with("</div><div class=\"sub\"><h3>Right ear</h3>"));
    let twice = [&since[..2], &since[..2]].concat();
    let output = folder.run(&[&both[..], &["twice.txt"], &twice].concat());
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("two records of the right side"),
        "{}",
        stderr(&output)
    );

    // The pictures of either ear, each named after it, and those of both.
    let listed = folder.run(&[&["plot", "r.toml", "l.toml", "-q"], &since[..]].concat());
    assert_eq!(listed.status.code(), Some(0), "{}", stderr(&listed));
    let listed = String::from_utf8(listed.stdout).unwrap();
    let of = |ear: &str| listed.lines().filter(|line| line.starts_with(ear)).count();
    let both = listed.lines().filter(|line| !line.contains("-ear-"));
    let both: Vec<&str> = both.filter_map(|line| line.split(' ').next()).collect();
    let expected = [
        "force-level-of-the-same-speech-left-beside-right",
        "left-and-right",
    ];
    assert_eq!(both, expected);
    assert!(
        of("left-ear-") >= 3 && of("right-ear-then-and-now") == 1,
        "{listed}"
    );
}
