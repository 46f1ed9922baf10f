//! Figures of whole recordings in two records.

use super::super::super::document::{Block, Cell, Curves, Slope, Slopes, Table};
use super::super::super::number;
use super::super::called;
use super::{Words, excess, name};
use crate::comparison::{Comparison, Difference, Verdict as Change};

/// Panels drawn at most; the table tells all.
const PANELS: usize = 10;

/// Picture and table, where there are such figures.
pub(super) fn blocks(changes: &Comparison, words: &Words) -> Vec<Block> {
    let slopes = slopes(changes);
    if slopes.is_empty() {
        return Vec::new();
    }
    let table = Block::Table(table(&slopes, words));
    vec![picture(&slopes, words), table]
}

fn picture(slopes: &[Slope], words: &Words) -> Block {
    let drawn = &slopes[..slopes.len().min(PANELS)];
    let told = drawn.iter().map(|s| {
        let [before, after] = s.values.map(|value| number::fixed(value, s.digits));
        let band = number::fixed(s.band, s.digits);
        format!(
            "{}, {}: from {before} to {after} {}, no {} within {band}",
            s.name[0], s.name[1], s.unit, words.difference
        )
    });
    Block::Curves(Curves::Slopes(Slopes {
        title: words.title.into(),
        description: format!("{}.", told.collect::<Vec<_>>().join("; ")),
        sides: words.sides.clone(),
        difference: words.difference,
        slopes: drawn.to_vec(),
    }))
}

/// Figures of whole recordings, those that moved most first.
fn slopes(changes: &Comparison) -> Vec<Slope> {
    let mut found: Vec<&Difference> = changes
        .differences
        .iter()
        .filter(|d| d.name.nominal_hz.is_none() && d.verdict != Change::NotComparable)
        .collect();
    found.sort_by(|a, b| excess(b).total_cmp(&excess(a)));
    let slope = |d: &Difference| {
        let (unit, scale) = shown(&d.name.unit);
        let band = d.expanded_uncertainty? * scale;
        Some(Slope {
            name: [name(&d.name), d.name.capture.clone()],
            unit: unit.to_owned(),
            values: [d.before? * scale, d.after? * scale],
            band,
            digits: number::decimals(Some(band)),
        })
    };
    found.into_iter().filter_map(slope).collect()
}

/// The unit that reads well, and how many of it one of the record's is.
fn shown(unit: &str) -> (&str, f64) {
    match unit {
        "s" => ("ms", 1000.0),
        unit => (unit, 1.0),
    }
}

fn table(slopes: &[Slope], words: &Words) -> Table {
    let row = |s: &Slope| {
        let [a, b] = s.values.map(|value| number::fixed(value, s.digits));
        vec![
            Cell::Words(s.name[0].clone()),
            Cell::Words(s.name[1].clone()),
            Cell::Figure(a),
            Cell::Figure(b),
            Cell::Figure(format!(
                "{}\u{a0}{}",
                number::signed(s.change(), s.digits),
                s.unit
            )),
            Cell::Figure(format!("± {}", number::fixed(s.band, s.digits))),
            Cell::Verdict(s.verdict(), called(words.question, s.verdict())),
        ]
    };
    let [before, after] = &words.sides;
    let heads = words.heads.map(str::to_owned);
    Table {
        caption: format!("Figures of whole recordings, {before} and {after}"),
        head: ["Figure".to_owned(), "Recording".to_owned()]
            .into_iter()
            .chain(heads)
            .chain(["Verdict".to_owned()])
            .collect(),
        rows: slopes.iter().map(row).collect(),
    }
}
