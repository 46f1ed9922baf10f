//! The differences of two records per third-octave band.

use super::super::super::document::{BandCurves, Block, Curves, Figure, Point, Series, SeriesRole};
use super::super::super::number;
use super::super::{counted, extremes, names};
use super::{Words, lower, of};
use crate::comparison::{Comparison, Difference, Name, Verdict as Change};

/// Rows of bands at most.
const ROWS: usize = 6;

/// The bands of one quantity of one recording.
pub(super) struct Family<'a> {
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
    pub(super) fn told(&self, all: &[Family<'_>], words: &Words) -> Option<String> {
        let moved = self.moved();
        let moved = moved.filter_map(|d| Some((d.name.nominal_hz?, d.difference?)));
        let moved: Vec<(f64, f64)> = moved.collect();
        let most = moved
            .iter()
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
        let (hz, by) = (number::band(most.0), number::signed(most.1, 1));
        let others = all
            .iter()
            .filter(|other| other.what() == self.what())
            .count()
            - 1;
        let what = format!("{}{}", self.what(), words.of);
        let others = match others {
            0 => String::new(),
            n => format!(
                "; likewise in {}",
                counted(n, "other recording", "other recordings")
            ),
        };
        let where_it_is = format!("{by}\u{a0}dB in {}{others}", of(&self.of[0].name));
        if moved.len() == 1 {
            return Some(format!("{what} {} at {hz}: {where_it_is}", words.moves));
        }
        let side = match (
            moved.iter().all(|m| m.1 > 0.0),
            moved.iter().all(|m| m.1 < 0.0),
        ) {
            (true, _) => "is higher",
            (_, true) => "is lower",
            _ => words.moves,
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
pub(super) fn families(changes: &Comparison) -> Vec<Family<'_>> {
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
pub(super) fn bands(families: &[Family<'_>], words: &Words) -> Option<Block> {
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
        title: format!("{} per third-octave band: {}", words.bands, lower(&first)),
        description: extremes(&series, &nominal, words.difference),
        quantity: words.bands.into(),
        unit: "dB".into(),
        bands: nominal,
        series,
        zero: Some(format!("0: no {}", words.difference)),
        caption: format!(
            "The block is the {0}, the thin line its expanded uncertainty; pale where that reaches 0: no {0} is shown. Rows without a picture are quantities in which other bands {1}.",
            words.difference, words.moved
        ),
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
