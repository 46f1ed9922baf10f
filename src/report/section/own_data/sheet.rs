//! The data sheet, line by line.

use super::super::super::document::{Block, Cell, Figure, Section, Table, Verdict};
use super::super::super::number;
use super::super::{capital, counted, names, words};
use super::readable;
use crate::assessment::data_sheet::{self, Line};

/// The verdict of the section, its sentence and its table.
pub(super) fn judge(section: &mut Section, sheet: &data_sheet::Outcome) {
    let of = |verdict: Verdict| sheet.lines.iter().filter(move |l| l.verdict == verdict);
    let count = |verdict| of(verdict).count();
    let within = count(Verdict::Within);
    let all = counted(sheet.lines.len(), "line", "lines");
    section.verdict = Some(sheet.verdict);
    let are = if within == 1 { "is" } else { "are" };
    section.short = format!(
        "{} of {all} of the data sheet {are} kept.",
        capital(&number::count(within))
    );
    section.headline = match of(Verdict::Outside).next() {
        Some(first) => format!(
            "Outside the data sheet: {} in all, among them {}.",
            counted(count(Verdict::Outside), "line", "lines"),
            name(first)
        ),
        None => section.short.clone(),
    };
    let others = [
        ("not kept", count(Verdict::Outside)),
        ("undecided within the uncertainty", count(Verdict::Doubtful)),
        ("not measurable", count(Verdict::NotMeasurable)),
    ];
    let others = others.into_iter().filter(|(_, count)| *count > 0);
    let others: Vec<String> = others
        .map(|(what, n)| format!("{} {what}", number::count(n)))
        .collect();
    let told = match others.as_slice() {
        [] => format!("{} ", section.short),
        others => format!("{} Of the others: {}. ", section.short, others.join(", ")),
    };
    section.answer.push(words(told));
    section.blocks.push(Block::Table(Table {
        caption: "The data sheet, line by line".into(),
        head: [
            "Line",
            "Stated",
            "Limits",
            "Measured",
            "Deviation",
            "Verdict",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: sheet.lines.iter().map(row).collect(),
    }));
    let reasons = sheet.lines.iter().filter_map(|line| {
        let why = line.measured.reason.as_ref()?;
        Some(format!("{}: {why}.", name(line)))
    });
    let assumed = sheet.assumptions.iter();
    let notes = reasons.chain(assumed.map(|text| format!("Assumed: {text}.")));
    section.details.push(Block::Notes(notes.collect()));
}

/// `Sensitivity at 1 kHz`.
fn name(line: &Line) -> String {
    let (entry, key) = line
        .quantity
        .split_once(' ')
        .unwrap_or(("", &line.quantity));
    let told = names::told(entry, key);
    match line.frequency_hz {
        Some(hz) => format!("{told} at {}", number::frequency(hz)),
        None => told,
    }
}

fn row(line: &Line) -> Vec<Cell> {
    let (scale, unit) = readable(&line.nominal.unit);
    let stated = |value: f64| number::significant(scale * value);
    let end = |figure: &Option<data_sheet::Figure>, sign: &str| {
        let value = figure.as_ref().and_then(|figure| figure.value);
        value.map_or("open".to_owned(), |value| {
            format!("{sign}{}", stated(value.abs()))
        })
    };
    let nominal = stated(line.nominal.value.unwrap_or_default());
    let ends = [end(&line.lowest, "−"), end(&line.highest, "+")].join(", ");
    let told = |figure: &data_sheet::Figure| match figure_of(figure) {
        Figure::Absent(_) => Cell::Words("–".into()),
        figure => Cell::Figure(number::told(&figure.scaled(scale), unit)),
    };
    vec![
        Cell::Words(name(line)),
        Cell::Figure(format!("{nominal} {unit}").trim_end().to_owned()),
        Cell::Figure(ends),
        told(&line.measured),
        told(&line.deviation),
        Cell::Verdict(line.verdict, None),
    ]
}

fn figure_of(figure: &data_sheet::Figure) -> Figure {
    match (figure.status.as_str(), figure.value) {
        ("at_most", Some(value)) => Figure::AtMost(value),
        ("at_least", Some(value)) => Figure::AtLeast(value),
        (_, Some(value)) => Figure::Measured(value, figure.expanded_uncertainty),
        (_, None) => Figure::Absent(figure.reason.clone().unwrap_or_default()),
    }
}
