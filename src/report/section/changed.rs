//! What changed since the earlier record?

use super::super::document::{
    BandCurves, Block, Cell, Curves, Fact, Figure, Point, Section, Series, SeriesRole, Slope,
    Slopes, Table, Verdict,
};
use super::super::number;
use super::{CHANGED, counted, fact, names, words};
use crate::comparison::{Comparison, Difference, Name, Verdict as Change, Visit};

/// Panels drawn at most; the table tells all.
const PANELS: usize = 10;
/// Rows of bands at most.
const ROWS: usize = 6;
/// Share of unchanged figures that exceed their uncertainty by chance (k = 2).
const CHANCE: f64 = 0.05;

/// The section.
pub(super) fn section(changes: &Comparison) -> Section {
    let mut section = Section {
        question: CHANGED.into(),
        ..Section::default()
    };
    let families = families(changes);
    answer(&mut section, changes, &families);
    section.blocks.extend(bands(&families));
    let slopes = slopes(changes);
    if !slopes.is_empty() {
        section.blocks.push(picture(changes, &slopes));
        section.blocks.push(Block::Table(table(changes, &slopes)));
    }
    let lines = come_and_gone(changes);
    if !lines.is_empty() {
        section.blocks.push(Block::Facts(lines));
    }
    section.blocks.push(Block::Notes(changes.notes.clone()));
    let uncompared = changes.differences.iter();
    let reasons = super::super::comparison::reasons(uncompared.filter_map(|d| d.reason.as_deref()));
    let told = reasons
        .into_iter()
        .map(|(reason, count)| format!("Not comparable, {count} figures: {reason}."));
    section.details.push(Block::Notes(told.collect()));
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
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

fn answer(section: &mut Section, changes: &Comparison, families: &[Family<'_>]) {
    let (all, changed) = judged(changes);
    // Of many unchanged figures some exceed their uncertainty by chance.
    let by_chance = (CHANCE * all as f64).ceil() as usize;
    let beyond = "changed by more than the uncertainty of their difference";
    let (verdict, told) = match (all, changed) {
        (0, _) => (
            Verdict::NotMeasurable,
            "No figure of the two records can be compared".to_owned(),
        ),
        (_, 0) => (
            Verdict::Within,
            format!("None of {all} figures changed by more than the uncertainty of its difference"),
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
        (Verdict::Outside, Some(family)) => family.told(families),
        (Verdict::Outside, None) => furthest(changes),
        _ => None,
    };
    let since = match &changes.visits[0].date {
        Some(date) => format!("Since {date}"),
        None => "Since the earlier record".to_owned(),
    };
    section.headline = format!("{since}, {}.", lower(most.as_ref().unwrap_or(&told)));
    let most = most.map_or(String::new(), |most| format!(" {most}."));
    section.verdict = Some(verdict);
    section.called = super::called(CHANGED, verdict);
    section.short = format!("{told}.{most}");
    section.answer = vec![words(format!("{told}.{most}"))];
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

/// The unit that reads well, and how many of it one of the record's is.
fn shown(unit: &str) -> (&str, f64) {
    match unit {
        "s" => ("ms", 1000.0),
        unit => (unit, 1.0),
    }
}

/// What the sides are called.
fn visit(visit: &Visit, otherwise: &str) -> String {
    visit.date.clone().unwrap_or(otherwise.to_owned())
}

fn visits(changes: &Comparison) -> [String; 2] {
    let [before, after] = &changes.visits;
    if before.date == after.date {
        return ["then", "now"].map(str::to_owned);
    }
    [visit(before, "then"), visit(after, "now")]
}

fn picture(changes: &Comparison, slopes: &[Slope]) -> Block {
    let drawn = &slopes[..slopes.len().min(PANELS)];
    let told = drawn.iter().map(|s| {
        let [before, after] = s.values.map(|value| number::fixed(value, s.digits));
        let band = number::fixed(s.band, s.digits);
        format!(
            "{}, {}: from {before} to {after} {}, no change within {band}",
            s.name[0], s.name[1], s.unit
        )
    });
    Block::Curves(Curves::Slopes(Slopes {
        title: "Then and now".into(),
        description: format!("{}.", told.collect::<Vec<_>>().join("; ")),
        visits: visits(changes),
        slopes: drawn.to_vec(),
    }))
}

fn table(changes: &Comparison, slopes: &[Slope]) -> Table {
    let [before, after] = visits(changes);
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
            Cell::Verdict(s.verdict(), super::called(CHANGED, s.verdict())),
        ]
    };
    Table {
        caption: format!("Figures of whole recordings, {before} and {after}"),
        head: vec![
            "Figure".into(),
            "Recording".into(),
            "Then".into(),
            "Now".into(),
            "Change".into(),
            "No change within".into(),
            "Verdict".into(),
        ],
        rows: slopes.iter().map(row).collect(),
    }
}

/// The bands of one quantity of one recording.
struct Family<'a> {
    of: Vec<&'a Difference>,
}

impl Family<'_> {
    /// What a reader calls the quantity.
    fn what(&self) -> String {
        let Name {
            entry, quantity, ..
        } = &self.of[0].name;
        names::told(entry, quantity)
    }

    fn moved(&self) -> impl Iterator<Item = &&Difference> {
        self.of.iter().filter(|d| d.verdict == Change::Changed)
    }

    /// `Gain is higher in seven bands from 2 kHz to 8 kHz, most at 4 kHz: +3.1 dB in “front”`;
    /// with how many of `all` families are of this quantity, in other recordings too.
    fn told(&self, all: &[Family<'_>]) -> Option<String> {
        let moved = self.moved();
        let moved = moved.filter_map(|d| Some((d.name.nominal_hz?, d.difference?)));
        let moved: Vec<(f64, f64)> = moved.collect();
        let most = moved
            .iter()
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let (hz, by) = (number::band(most.0), number::signed(most.1, 1));
        let what = self.what();
        let others = all.iter().filter(|other| other.what() == what).count() - 1;
        let others = match others {
            0 => String::new(),
            n => format!(
                "; likewise in {}",
                counted(n, "other recording", "other recordings")
            ),
        };
        let where_it_is = format!("{by}\u{a0}dB in {}{others}", of(&self.of[0].name));
        if moved.len() == 1 {
            return Some(format!("{what} changed at {hz}: {where_it_is}"));
        }
        let side = match (
            moved.iter().all(|m| m.1 > 0.0),
            moved.iter().all(|m| m.1 < 0.0),
        ) {
            (true, _) => "is higher",
            (_, true) => "is lower",
            _ => "changed",
        };
        let ends = [f64::min, f64::max].map(|end| moved.iter().map(|m| m.0).reduce(end));
        let [low, high] = ends.map(|end| end.map_or(String::new(), number::band));
        Some(format!(
            "{what} {side} in {} bands from {low} to {high}, most at {hz}: {where_it_is}",
            number::count(moved.len())
        ))
    }
}

/// The quantities in which bands moved, those with most of them first.
fn families(changes: &Comparison) -> Vec<Family<'_>> {
    let mut families: Vec<Family<'_>> = Vec::new();
    let banded = changes
        .differences
        .iter()
        .filter(|d| d.name.nominal_hz.is_some() && d.name.unit == "dB");
    for difference in banded {
        let family = difference.name.family();
        let known = families
            .iter_mut()
            .find(|known| known.of[0].name.family() == family);
        match known {
            Some(known) => known.of.push(difference),
            None => families.push(Family {
                of: vec![difference],
            }),
        }
    }
    families.retain(|family| family.moved().next().is_some());
    families.sort_by_key(|family| std::cmp::Reverse(family.moved().count()));
    families
}

/// Changes band by band.
fn bands(families: &[Family<'_>]) -> Option<Block> {
    let families = &families[..families.len().min(ROWS)];
    let mut nominal: Vec<f64> = families
        .iter()
        .flat_map(|family| family.of.iter().filter_map(|d| d.name.nominal_hz))
        .collect();
    nominal.sort_by(f64::total_cmp);
    nominal.dedup();
    let series: Vec<Series> = families
        .iter()
        .enumerate()
        .map(|(position, family)| Series {
            name: format!("{}, {}", family.what(), family.of[0].name.capture),
            role: SeriesRole::Change,
            drawn: position == 0,
            points: nominal.iter().map(|hz| point(&family.of, *hz)).collect(),
        })
        .collect();
    let first = series.first()?.name.clone();
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!("Change per third-octave band: {}", lower(&first)),
        description: super::extremes(&series, &nominal, "change"),
        quantity: "Change".into(),
        unit: "dB".into(),
        bands: nominal,
        series,
        zero: Some("0: no change".into()),
        caption: "The block is the change, the thin line its expanded uncertainty; pale where that reaches 0: no change is shown. Rows without a picture are quantities in which other bands moved.".into(),
    })))
}

fn point(of: &[&Difference], hz: f64) -> Point {
    let found = of.iter().find(|d| d.name.nominal_hz == Some(hz));
    let figure = match found {
        Some(d) => match d.difference {
            Some(change) => Figure::Measured(change, d.expanded_uncertainty),
            None => Figure::Absent(d.reason.clone().unwrap_or_default()),
        },
        None => Figure::Absent("neither record has it".into()),
    };
    figure.into()
}

/// Oscillations that only one of the records holds.
fn come_and_gone(changes: &Comparison) -> Vec<Fact> {
    let mut facts = Vec::new();
    for (heading, side) in [
        (
            "Oscillations gone",
            (|d| d.before.filter(|_| d.after.is_none())) as fn(&Difference) -> _,
        ),
        ("Oscillations new", |d| {
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

const METHOD: [&str; 3] = [
    "Method: figures of the two records belong together by measurement, recording, quantity and band; recordings of other names go by their role where each record has one such. A figure changed where the difference exceeds its expanded uncertainty (k = 2). What both records share of the calibration cancels.",
    "Source: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2, from memory.",
    "Limits: figures whose uncertainty leaves chance out, extremes and percentiles among them, are not judged here; state the repeatability of your bench to `compare` for those. Each figure is judged by itself.",
];
