//! The section of a measurement that has none of its own: its observations.

use super::super::document::{
    BandCurves, Block, Curves, Doubt, Fact, Figure, Section, Series, SeriesRole,
};
use super::super::number;
use super::{capital, carried, counted, entries, observed, words};
use crate::diagnostic::Result;
use crate::measurement::Kind;
use crate::pipeline::Record;
use crate::quantity::Observation;

/// The section.
pub(super) fn section(record: &Record, kind: Kind, doubts: &[Doubt]) -> Result<Section> {
    let name = capital(&kind.name().replace('_', " "));
    let mut blocks = Vec::new();
    let mut found = 0;
    for entry in entries(record, kind) {
        let observations = observed(&entry.outcome)?;
        found += observations.len();
        let recordings: Vec<&str> = entry.captures.values().map(String::as_str).collect();
        blocks.extend(blocks_of(&observations, &recordings.join(", ")));
    }
    let told = counted(found, "figure", "figures");
    Ok(Section {
        question: format!("{name}: what was found?"),
        short: format!("{} without a verdict.", capital(&told)),
        answer: vec![words(format!(
            "{} follow as they stand in the record, without a verdict.",
            capital(&told)
        ))],
        doubts: carried(kind, doubts),
        blocks,
        ..Section::default()
    })
}

/// Scalars as facts; banded figures of one unit as one picture.
fn blocks_of(observations: &[Observation], recordings: &str) -> Vec<Block> {
    let scalars = observations.iter().filter(|o| o.nominal_hz.is_none());
    let facts: Vec<Fact> = scalars
        .map(|o| Fact {
            name: readable(&o.quantity),
            text: text_of(o),
        })
        .collect();
    let mut blocks = Vec::new();
    if !facts.is_empty() {
        blocks.push(Block::Facts(facts));
    }
    let mut units: Vec<(&str, Option<&str>)> = Vec::new();
    for o in observations.iter().filter(|o| o.nominal_hz.is_some()) {
        let unit = (o.unit.as_str(), o.reference.as_deref());
        if !units.contains(&unit) {
            units.push(unit);
        }
    }
    for (unit, reference) in units {
        let of = observations
            .iter()
            .filter(|o| o.unit == unit && o.reference.as_deref() == reference);
        blocks.push(picture(&of.collect::<Vec<_>>(), recordings));
    }
    blocks
}

fn picture(observations: &[&Observation], recordings: &str) -> Block {
    let banded = || {
        observations
            .iter()
            .filter_map(|o| Some((o.nominal_hz?, *o)))
    };
    let mut bands: Vec<f64> = banded().map(|(hz, _)| hz).collect();
    bands.sort_by(f64::total_cmp);
    bands.dedup();
    let mut names: Vec<&str> = Vec::new();
    for (_, o) in banded() {
        if !names.contains(&o.quantity.as_str()) {
            names.push(&o.quantity);
        }
    }
    let row = |(position, name): (usize, &&str)| {
        let role = match position {
            0 => SeriesRole::Measured,
            _ => SeriesRole::Beside,
        };
        let figures = bands.iter().map(|hz| {
            let mut found = banded().filter(|(at, o)| at == hz && o.quantity == **name);
            found.next().map_or_else(
                || Figure::Absent("no figure for the band".into()),
                |(_, o)| figure_of(o),
            )
        });
        Series::of(readable(name), role, position == 0, figures)
    };
    let series: Vec<Series> = names.iter().enumerate().map(row).collect();
    let first = series.first().map_or(String::new(), |s| s.name.clone());
    let unit = observations.first().map_or(String::new(), |o| unit_of(o));
    Block::Curves(Curves::Bands(BandCurves {
        title: format!("{first} per third-octave band, {recordings}"),
        description: super::extremes(&series, &bands, &first.to_lowercase()),
        quantity: first,
        unit,
        bands,
        series,
        zero: None,
        caption: "The first row of the table is drawn.".into(),
    }))
}

fn figure_of(o: &Observation) -> Figure {
    let bound: fn(f64) -> Figure = match o.status.as_str() {
        "at_most" => Figure::AtMost,
        "at_least" => Figure::AtLeast,
        _ => {
            let why = || o.reason.clone().unwrap_or_default();
            return match o.value {
                Some(value) => Figure::Measured(value, o.expanded_uncertainty),
                None => Figure::Absent(why()),
            };
        }
    };
    o.value.map_or_else(
        || Figure::Absent(o.reason.clone().unwrap_or_default()),
        bound,
    )
}

fn unit_of(o: &Observation) -> String {
    match &o.reference {
        Some(reference) => format!("{} re {reference}", o.unit),
        None if o.unit == "1" => String::new(),
        None => o.unit.clone(),
    }
}

fn text_of(o: &Observation) -> String {
    let unit = unit_of(o);
    match figure_of(o) {
        Figure::Measured(value, None) if o.unit != "dB" => {
            format!("{} {unit}", number::significant(value))
                .trim_end()
                .to_owned()
        }
        Figure::Absent(why) => format!("not measured: {why}"),
        figure => number::told(&figure, &unit),
    }
}

/// `force.fast_max` as `Force, fast max`.
fn readable(key: &str) -> String {
    capital(&key.replace('.', ", ").replace('_', " "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::observations;
    use serde_json::json;

    #[test]
    fn any_outcome_becomes_facts_and_a_picture_for_each_unit() {
        let leq = |value: f64| {
            json!({"status": "measured", "value": value, "unit": "dB",
            "reference": "1 µN", "expanded_uncertainty": 0.5})
        };
        let outcome = json!({
            "delay_s": 0.00583,
            "channels": [{"role": "force", "bands": [
                {"nominal_hz": 500.0, "leq": leq(80.04)},
                {"nominal_hz": 1250.0, "leq": {"status": "not_measured", "value": null,
                    "unit": "dB", "reference": "1 µN", "reason": "silence"}},
            ]}],
        });
        let blocks = blocks_of(&observations(&outcome), "sweep");
        let [Block::Facts(facts), Block::Curves(Curves::Bands(curves))] = blocks.as_slice() else {
            panic!("{blocks:?}");
        };
        assert_eq!(
            (facts[0].name.as_str(), facts[0].text.as_str()),
            ("Delay s", "0.00583 s")
        );
        assert_eq!(curves.unit, "dB re 1 µN");
        assert_eq!(curves.bands, [500.0, 1250.0]);
        assert_eq!(
            curves.series[0].points[0].figure,
            Figure::Measured(80.04, Some(0.5))
        );
        assert_eq!(
            curves.series[0].points[1].figure,
            Figure::Absent("silence".into())
        );
    }
}
