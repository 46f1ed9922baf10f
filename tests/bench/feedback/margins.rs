//! The margin of linear and of compressing devices.

use micronewton::Reading;
use micronewton::measurement::feedback::Found;

use crate::cases::{Case, Played};

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

pub fn margins() {
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

pub fn compressing() {
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
