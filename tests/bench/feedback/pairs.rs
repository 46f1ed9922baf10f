//! Before and after a change on the bench.

use micronewton::measurement::feedback::Conclusion;

use crate::cases::{Case, Played, change};

pub fn pairs() {
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

/// Howls that come or go: with the path, with the device, or over and over again.
pub fn howling_pairs() {
    println!(
        "\n| changed | pairs | bench | device | no change | cannot be told |\n| --- | ---: | ---: | ---: | ---: | ---: |"
    );
    type Pair = (&'static str, f64, [f64; 2]);
    // The margin after a change, and by how much each is turned up.
    let kinds: [Pair; 4] = [
        ("path, a howl goes", 5.0, [0.0, 0.0]),
        ("device turned down, a howl goes", 5.0, [8.0, 0.0]),
        ("device turned down by 4 dB, no howl", 8.0, [4.0, 0.0]),
        ("nothing, it howls in both", -3.0, [0.0, 0.0]),
    ];
    for (name, after_db, louder_db) in kinds {
        let mut told = [0; 4];
        let count = 20;
        for number in 0..count {
            let played = [Played::Pink, Played::SpeechNoise, Played::Speech][number as usize % 3];
            let before_db = if louder_db[0] == 4.0 { 4.0 } else { -3.0 };
            let before = Case {
                louder_db: louder_db[0],
                ..Case::new(1200 + number, played, Some(before_db))
            };
            let after = Case {
                louder_db: louder_db[1],
                noise: 1300 + number,
                margin_db: Some(after_db),
                ..before.clone()
            };
            let change = change(&before, &after);
            let at = match change.conclusion {
                Conclusion::Bench => 0,
                Conclusion::Device => 1,
                Conclusion::NoChange => 2,
                Conclusion::CannotBeTold => 3,
            };
            told[at] += 1;
        }
        let [bench, device, none, open] = told;
        println!("| {name} | {count} | {bench} | {device} | {none} | {open} |");
    }
}
