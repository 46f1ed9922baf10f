//! Two records side by side, figure by figure: what two visits and two ears share.

mod bands;
mod slopes;

use super::super::document::{Block, Fact, Section, Verdict};
use super::super::number;
use super::{called, counted, fact, names, words};
use crate::comparison::{Comparison, Difference, Name, Verdict as Change};
use bands::{Family, bands, families};

/// Share of like figures that differ by more than their uncertainty by chance (k = 2).
const CHANCE: f64 = 0.05;

/// What the records and their differences are called.
pub(super) struct Words {
    /// The question.
    pub(super) question: &'static str,
    /// What the news begins with.
    pub(super) opening: String,
    /// What follows the name of a figure that differs.
    pub(super) of: &'static str,
    /// The records.
    pub(super) sides: [String; 2],
    /// Title of the picture of both.
    pub(super) title: &'static str,
    /// Heads of columns: either record, the difference, how far there is none.
    pub(super) heads: [&'static str; 4],
    /// A difference in running text, and on the axis over bands.
    pub(super) difference: &'static str,
    pub(super) bands: &'static str,
    /// What one figure and several do that differ.
    pub(super) moves: &'static str,
    pub(super) moved: &'static str,
    /// Oscillations of the first record alone, and of the second.
    pub(super) oscillations: [&'static str; 2],
}

/// The section without its details.
pub(super) fn section(changes: &Comparison, words: &Words) -> Section {
    let mut section = Section {
        question: words.question.into(),
        ..Section::default()
    };
    let families = families(changes);
    answer(&mut section, changes, &families, words);
    section.blocks.extend(bands(&families, words));
    section.blocks.extend(slopes::blocks(changes, words));
    let lines = come_and_gone(changes, words);
    if !lines.is_empty() {
        section.blocks.push(Block::Facts(lines));
    }
    section.blocks.push(Block::Notes(changes.notes.clone()));
    section
}

/// Figures that were judged, and those of them that changed.
fn judged(changes: &Comparison) -> (usize, usize) {
    let changed = changes.count(Change::Changed);
    (
        changed + changes.count(Change::NotBeyondUncertainty),
        changed,
    )
}

fn answer(section: &mut Section, changes: &Comparison, families: &[Family<'_>], told: &Words) {
    let (all, changed) = judged(changes);
    // Of many like figures some exceed their uncertainty by chance.
    let by_chance = (CHANCE * all as f64).ceil() as usize;
    let Words { moves, moved, .. } = told;
    let beyond = format!("{moved} by more than the uncertainty of their difference");
    let (verdict, found) = match (all, changed) {
        (0, _) => (
            Verdict::NotMeasurable,
            "No figure of the two records can be compared".to_owned(),
        ),
        (_, 0) => (
            Verdict::Within,
            format!("None of {all} figures {moves} by more than the uncertainty of its difference"),
        ),
        (_, n) if n <= by_chance => (
            Verdict::Doubtful,
            format!("{n} of {all} figures {beyond}, no more than chance alone would"),
        ),
        (_, n) => (
            Verdict::Outside,
            format!(
                "{n} of {all} figures {beyond} (about {} would by chance)",
                number::fixed(CHANCE * all as f64, 0)
            ),
        ),
    };
    // What chance alone would move is no news.
    let most = match (verdict, families.first()) {
        (Verdict::Outside, Some(family)) => family.told(families, told),
        (Verdict::Outside, None) => furthest(changes),
        _ => None,
    };
    let news = lower(most.as_ref().unwrap_or(&found));
    section.headline = format!("{}, {news}.", told.opening);
    let most = most.map_or(String::new(), |most| format!(" {most}."));
    section.verdict = Some(verdict);
    section.called = called(told.question, verdict);
    section.short = format!("{found}.{most}");
    section.answer = vec![words(format!("{found}.{most}"))];
}

/// The figure that moved by most of its uncertainties, where none has bands.
fn furthest(changes: &Comparison) -> Option<String> {
    let changed = changes.differences.iter();
    let changed = changed.filter(|d| d.verdict == Change::Changed);
    let most = changed.max_by(|a, b| excess(a).total_cmp(&excess(b)))?;
    let by = number::signed(
        most.difference?,
        super::super::comparison::digits(&most.name),
    );
    Some(format!(
        "Most of all {}, {}, by {by}\u{a0}{}",
        lower(&name(&most.name)),
        of(&most.name),
        most.name.unit
    ))
}

/// How many times its uncertainty a figure moved.
fn excess(difference: &Difference) -> f64 {
    let parts = difference.difference.zip(difference.expanded_uncertainty);
    parts.map_or(0.0, |(d, u)| d.abs() / u.max(f64::MIN_POSITIVE))
}

/// What a reader calls a figure.
fn name(name: &Name) -> String {
    let told = names::told(&name.entry, &name.quantity);
    match name.nominal_hz {
        Some(hz) => format!("{told} at {}", number::band(hz)),
        None => told,
    }
}

/// The recordings behind a figure.
fn of(name: &Name) -> String {
    format!("“{}”", name.capture.replace(' ', "”, “"))
}

/// Oscillations that only one of the records holds.
fn come_and_gone(changes: &Comparison, words: &Words) -> Vec<Fact> {
    let mut facts = Vec::new();
    for (heading, side) in [
        (
            words.oscillations[0],
            (|d| d.before.filter(|_| d.after.is_none())) as fn(&Difference) -> _,
        ),
        (words.oscillations[1], |d| {
            d.after.filter(|_| d.before.is_none())
        }),
    ] {
        let told: Vec<String> = changes
            .differences
            .iter()
            .filter(|d| {
                let path = &d.name.quantity;
                path.starts_with("events.") && path.ends_with(".frequency_hz")
            })
            .filter(|d| both_have(changes, &d.name))
            .filter_map(|d| Some((d, side(d)?)))
            .map(|(d, hz): (_, f64)| format!("{} in {}", number::frequency(hz), of(&d.name)))
            .collect();
        if !told.is_empty() {
            let many = counted(told.len(), "line", "lines");
            facts.push(fact(heading, format!("{many}: {}", told.join("; "))));
        }
    }
    facts
}

/// Whether both records measured the recordings behind a figure in the same way.
fn both_have(changes: &Comparison, name: &Name) -> bool {
    changes.differences.iter().any(|d| {
        (&d.name.entry, &d.name.capture) == (&name.entry, &name.capture)
            && d.before.is_some()
            && d.after.is_some()
    })
}

/// The text with its first letter lowered.
fn lower(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => String::new(),
    }
}
