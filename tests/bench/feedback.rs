//! Oscillations, margin and change on hundreds of simulated true loops: prints
//! the tables of docs/feedback.md. `cargo bench --bench feedback`, or a part of it:
//! `cargo bench --bench feedback -- lines pairs`.

#[path = "../feedback/added.rs"]
mod added;
#[path = "../feedback/cases.rs"]
mod cases;
#[path = "feedback/howls.rs"]
mod howls;
#[path = "feedback/lines.rs"]
mod lines;
#[path = "../feedback/loops.rs"]
mod loops;
#[path = "feedback/margins.rs"]
mod margins;
#[path = "feedback/pairs.rs"]
mod pairs;
#[path = "feedback/published.rs"]
mod published;
#[path = "../feedback/sounds.rs"]
mod sounds;

const PARTS: [(&str, fn()); 8] = [
    ("margins", margins::margins),
    ("compressing", margins::compressing),
    ("howls", howls::howls),
    ("lines", lines::lines),
    ("controls", lines::controls),
    ("pairs", pairs::pairs),
    ("howling_pairs", pairs::howling_pairs),
    ("published", published::comparison),
];

fn main() {
    // Cargo adds options of its own.
    let asked: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| !word.starts_with('-'))
        .collect();
    for (name, part) in PARTS {
        if asked.is_empty() || asked.iter().any(|word| word == name) {
            part();
        }
    }
}
