//! Oscillations, margin and change on hundreds of simulated true loops: prints
//! the tables of docs/feedback.md. `cargo bench --bench feedback`

#[path = "../feedback/cases.rs"]
mod cases;
#[path = "feedback/published.rs"]
mod published;

use cases::{Case, Played, change, control, found, with_line};
use micronewton::Reading;
use micronewton::measurement::feedback::{Conclusion, Found};

fn main() {
    margins();
    compressing();
    howls();
    lines();
    controls();
    pairs();
    published::comparison();
}

/// Errors of measured margins, and what was not measured.
#[derive(Default)]
struct Errors {
    sizes: Vec<f64>,
    covered: usize,
    absent: usize,
}

impl Errors {
    fn add(&mut self, found: &Found, margin_db: f64) {
        match &found.margin.gain_margin {
            Reading::Measured(db, uncertainty) => {
                let error = (db.db() - margin_db).abs();
                self.sizes.push(error);
                self.covered += usize::from(error <= uncertainty.expanded().unwrap());
            }
            _ => self.absent += 1,
        }
    }

    fn row(mut self, name: &str) {
        self.sizes.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let rank = (share * self.sizes.len().saturating_sub(1) as f64) as usize;
            self.sizes
                .get(rank)
                .map_or("–".into(), |size| format!("{size:.2}"))
        };
        println!(
            "| {name} | {} | {} | {} | {} | {} | {} |",
            self.sizes.len(),
            at(0.5),
            at(0.95),
            at(1.0),
            self.covered,
            self.absent
        );
    }
}

const MARGIN_HEAD: &str = "\n| case | measured | median error | 95 % | max | within ± U | bound or absent |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: |";

fn margins() {
    println!("\nLinear devices, 10 s of pink noise, speech noise or speech{MARGIN_HEAD}");
    for margin_db in [1.0, 2.0, 3.0, 6.0, 12.0, 20.0] {
        let mut errors = Errors::default();
        let mut events = 0;
        for number in 0..24 {
            let played = [Played::Pink, Played::Speech, Played::SpeechNoise][number as usize % 3];
            let found = Case::new(number, played, Some(margin_db)).found();
            events += usize::from(!found.events.is_empty());
            errors.add(&found, margin_db);
        }
        errors.row(&format!("{margin_db} dB, {events} with events"));
    }
}

fn compressing() {
    println!("\nCompressing devices, ratio 1.5 or 2{MARGIN_HEAD}");
    for (name, attack_s, release_s) in [
        ("fast", 0.005, 0.05),
        ("fast attack", 0.005, 0.5),
        ("slow", 0.1, 1.0),
        ("very slow", 0.5, 2.0),
    ] {
        for played in [Played::Pink, Played::Speech] {
            let mut errors = Errors::default();
            for number in 0..12 {
                let ratio = [1.5, 2.0][number as usize % 2];
                let case = Case {
                    compression: Some([ratio, attack_s, release_s]),
                    ..Case::new(100 + number, played, Some(2.0 + (number % 5) as f64))
                };
                errors.add(&case.found(), case.true_margin_db());
            }
            errors.row(&format!("{name}, {played:?}"));
        }
    }
}

fn howls() {
    let (mut hit, mut all, mut extra) = (0, 0, 0);
    for number in 0..60 {
        let played = [
            Played::Silence,
            Played::Pink,
            Played::Speech,
            Played::Tone,
            Played::Sweep,
        ];
        let case = Case {
            seconds: 5.0,
            closed_s: Some([1.5, 4.0]),
            ..Case::new(
                200 + number,
                played[number as usize % 5],
                Some(-2.0 - (number % 4) as f64),
            )
        };
        let events = case.found().events;
        let here = |start_s: f64, end_s: f64| start_s < 4.0 && end_s > 1.5;
        all += 1;
        hit += usize::from(events.iter().any(|e| here(e.start_s, e.end_s)));
        extra += events.iter().filter(|e| !here(e.start_s, e.end_s)).count();
        if !events.iter().any(|e| here(e.start_s, e.end_s)) {
            eprintln!("missed: {case:?}");
        }
    }
    println!("\nHowls of true loops: {hit} of {all} found, {extra} events elsewhere");
}

fn lines() {
    println!(
        "\n| tone-to-noise ratio, dB | found | median onset error, ms | largest frequency error, Hz |\n| ---: | ---: | ---: | ---: |"
    );
    for ratio_db in [-20.0, -10.0, -5.0, 0.0, 3.0, 6.0, 8.0, 10.0, 15.0, 20.0] {
        let (mut onset, mut off_hz, count) = (Vec::new(), 0f64, 24);
        for number in 0..count {
            let case = Case {
                seconds: 4.0,
                ..Case::new(300 + number, Played::Pink, None)
            };
            let hz = 700.0 + 137.3 * number as f64;
            let mut frames = case.frames();
            with_line(&mut frames, hz, ratio_db, 1.5, 3.0);
            let events = found(frames).events;
            if let Some(event) = events.iter().find(|e| (e.frequency_hz - hz).abs() < 10.0) {
                onset.push(1000.0 * (event.start_s - 1.5).abs());
                off_hz = off_hz.max((event.frequency_hz - hz).abs());
            }
        }
        onset.sort_by(f64::total_cmp);
        let median = onset
            .get(onset.len() / 2)
            .map_or("–".into(), |ms| format!("{ms:.0}"));
        println!(
            "| {ratio_db} | {} of {count} | {median} | {off_hz:.2} |",
            onset.len()
        );
    }
}

fn controls() {
    let mut events = 0;
    for number in 0..60 {
        events += found(control(number, 60.0)).events.len();
    }
    let mut loops = 0;
    for number in 0..24 {
        let played = [Played::Pink, Played::Speech, Played::SpeechNoise][number as usize % 3];
        loops += Case::new(400 + number, played, Some(3.0))
            .found()
            .events
            .len();
    }
    println!(
        "\nClean controls, 60 min: {events} events; stable loops 3 dB before oscillation, 4 min: {loops} events"
    );
}

fn pairs() {
    let (mut right, mut calm) = (0, 0);
    let count = 30;
    for number in 0..count {
        let played = [Played::Pink, Played::Speech, Played::SpeechNoise][number as usize % 3];
        let before = Case::new(500 + number, played, Some(2.0 + (number % 7) as f64));
        let other = |margin_db: f64| Case {
            noise: 900 + number,
            margin_db: Some(margin_db),
            ..before.clone()
        };
        let margin_db = before.margin_db.unwrap();
        let changed = change(&before, &other(margin_db + 3.5));
        right += usize::from(changed.conclusion == Conclusion::Bench);
        let same = change(&before, &other(margin_db));
        calm += usize::from(matches!(
            same.conclusion,
            Conclusion::NoChange | Conclusion::CannotBeTold
        ));
    }
    println!(
        "\nPairs: {right} of {count} changes of 3.5 dB told as the bench; {calm} of {count} unchanged pairs without a claim"
    );
}
