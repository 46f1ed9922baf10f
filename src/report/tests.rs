//! A small session, measured and told both ways.

use std::fs;
use std::path::Path;

use super::{Document, Verdict, budget, html, terminal};
use crate::calibration::Calibrated;
use crate::levels::{Levels, Scope, reduce};
use crate::measurement::{Captures, Kind, Options};
use crate::pipeline::{Entry, Plan, Recipe, Record, Tool, read_calibration, run};

const RATE: u32 = 24_000;

/// Force and sound of a device that amplifies noise, and rings from 1 s to 3 s
/// if `ringing`; in newtons and pascals.
fn signal(gain: f64, ringing: bool) -> Vec<[f64; 2]> {
    let mut state = 1_u64;
    let mut noise = move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
    };
    let frame = |n: u32| {
        let pressure = 0.05 * noise();
        let seconds = f64::from(n) / f64::from(RATE);
        let tone = (std::f64::consts::TAU * 2943.0 * seconds).sin();
        let rings = ringing && (1.0..3.0).contains(&seconds);
        let force = gain * pressure + if rings { 0.05 * tone } else { 0.0 };
        [force, pressure]
    };
    (0..4 * RATE).map(frame).collect()
}

fn wav(path: &Path, frames: &[[f64; 2]]) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for [force, pressure] in frames {
        writer.write_sample((force * 0.132) as f32).unwrap();
        writer.write_sample((pressure * 0.0125) as f32).unwrap();
    }
    writer.finalize().unwrap();
}

const CALIBRATION: &str = "schema = 1\n[recorder]\nfull_scale_v = 1.0\n\
    [force]\nchannel = 1\nsensitivity_v_per_n = 0.132\nexpanded_uncertainty_db = 0.5\n\
    [microphone]\nchannel = 2\nsensitivity_v_per_pa = 0.0125\n";

fn session(folder: &Path) -> Record {
    wav(&folder.join("speech.wav"), &signal(0.3, true));
    wav(&folder.join("front.wav"), &signal(0.3, false));
    wav(&folder.join("back.wav"), &signal(0.1, false));
    fs::write(folder.join("bench.toml"), CALIBRATION).unwrap();
    let capture = |name: &str, role: &str, more: &str| {
        format!("[[capture]]\nname = '{name}'\nfile = '{role}.wav'\nrole = '{role}'\n{more}\n")
    };
    let text = format!(
        "schema = 1\n[session]\ncode = 'S-1'\nbox = 'closed'\ncalibration = 'bench.toml'\n\
         [device]\ncode = 'K7'\n{}{}{}",
        capture("<i>ringing</i> & more", "speech", "level_db_spl = 65"),
        capture("front", "front", ""),
        capture("back", "back", "")
    );
    fs::write(folder.join("session.toml"), text).unwrap();
    run(
        &Plan::read(&folder.join("session.toml")).unwrap(),
        &mut |_| {},
    )
    .unwrap()
}

fn without_styles(text: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in text.chars() {
        match c {
            '\u{1b}' => inside = true,
            'm' if inside => inside = false,
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out
}

fn words(text: &str) -> impl Iterator<Item = String> {
    text.split(|c: char| !c.is_alphanumeric())
        .map(str::to_lowercase)
}

#[test]
fn a_session_is_told_whole_and_safely_in_both_forms() {
    let folder = tempfile::tempdir().unwrap();
    let record = session(folder.path());
    let document = Document::of(&record).unwrap();
    let verdicts: Vec<_> = document.sections.iter().map(|s| s.verdict).collect();
    assert_eq!(
        verdicts,
        [
            Some(Verdict::Doubtful), // the microphone's uncertainty is not stated
            None,
            Some(Verdict::Outside),
            Some(Verdict::Within)
        ]
    );

    let page = html(&record).unwrap();
    let text = without_styles(&terminal(&record, 80));
    for told in [&page, &text] {
        for word in ["yes, with a doubt", "feeds back", "2.94"] {
            assert!(told.contains(word), "{word} is missing");
        }
        let number = |word: &String| word == "nan" || word == "inf" || word == "infinity";
        assert!(!words(told).any(|word| number(&word)));
        assert!(!told.contains(&folder.path().display().to_string()));
    }
    assert!(!page.contains("<i>ringing") && page.contains("&lt;i&gt;ringing"));
    assert!(!page.contains("://") && !page.contains("src="));
    // The only script is the page's own, and the policy knows no other.
    assert_eq!(page.matches("<script").count(), 1);
    assert!(page.contains("script-src 'sha256-"));
    assert!(page.contains("default-src 'none'"));
    assert_eq!(page.matches("<svg").count(), page.matches("</svg>").count());
    assert_eq!(
        page.matches("role=\"img\"").count(),
        page.matches("<desc").count()
    );
    let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
    assert!(widest <= 80, "{widest} columns");
    assert_eq!(page, html(&record).unwrap());
    let parts = without_styles(&budget(&record, 80));
    assert!(
        parts.lines().all(|line| line.chars().count() <= 80),
        "{parts}"
    );
    for told in [&page, &parts] {
        assert!(told.contains("Not stated, and so not contained: remounting, microphone."));
        assert!(told.contains("not stated for the microphone"));
    }
}

#[test]
fn levels_alone_are_told_as_one_compact_table() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("bench.toml"), CALIBRATION).unwrap();
    let (calibration, _) = read_calibration(&folder.path().join("bench.toml")).unwrap();
    let scope = Scope::default();
    let signal = Calibrated::from_signal(RATE, signal(0.3, false));
    let levels: Levels = reduce(signal, Kind::Levels.needs(), scope, &mut |_| {}).unwrap();
    let captures = Captures::new(Kind::Levels, [("capture", &levels)]);
    let outcome = Kind::Levels
        .measure(&captures, &Options::default())
        .unwrap();
    let record = Record {
        schema: 1,
        tool: Tool {
            name: "micronewton",
            version: "0",
        },
        session: None,
        withheld: Vec::new(),
        recipe: Recipe::default(),
        inputs: Vec::new(),
        calibration,
        options: Options::default(),
        criteria: crate::assessment::Options::default(),
        captures: Vec::new(),
        checks: Vec::new(),
        entries: vec![Entry {
            doubts: Vec::new(),
            captures: [("capture".to_owned(), "noise".to_owned())].into(),
            outcome,
        }],
        assessments: Vec::new(),
        findings: Vec::new(),
        gaps: Vec::new(),
    };
    let text = without_styles(&terminal(&record, 80));
    assert!(text.starts_with("Force level per third-octave band, recording “noise”"));
    assert!(text.contains("F max") && text.contains("Sound") && text.contains('█'));
    assert!(!text.contains("Before you act"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80));
}
