//! Curves, with the limits of the data sheet where it has any.

use super::super::super::document::{BandCurves, Block, Curves, Figure, Series, SeriesRole, Trace};
use super::super::super::number;
use super::super::extremes;
use crate::assessment::data_sheet::Line;
use crate::measurement::{input_output, sensitivity};
use crate::quantity::{Band, Reading};

/// The lines of the sheet on one quantity.
pub(super) fn limits<'a>(lines: &'a [Line], quantity: &str) -> Vec<&'a Line> {
    lines
        .iter()
        .filter(|line| line.quantity == quantity)
        .collect()
}

/// Figures over frequency, and the limits of the sheet where it has any.
pub(super) struct OverFrequency<'a> {
    pub title: String,
    pub quantity: &'a str,
    pub unit: &'a str,
    /// Nominal frequencies, rising, each with its figure.
    pub points: Vec<(f64, Figure)>,
    /// Another figure for each of them.
    pub beside: Option<(&'a str, Vec<Figure>)>,
    pub limits: Vec<&'a Line>,
}

impl OverFrequency<'_> {
    /// Blocks on rails over third octaves; a line where there are points between.
    pub(super) fn block(self) -> Block {
        let named = |hz: f64| Band::named(hz).is_ok();
        Block::Curves(match self.points.iter().all(|(hz, _)| named(*hz)) {
            true => Curves::Bands(self.bands()),
            false => Curves::Trace(self.trace()),
        })
    }

    fn bands(self) -> BandCurves {
        let (bands, figures): (Vec<f64>, Vec<Figure>) = self.points.into_iter().unzip();
        let ends = [
            ("Data sheet, lowest", SeriesRole::Foot, 0),
            ("Data sheet, highest", SeriesRole::Lid, 1),
        ];
        let ends = ends.into_iter().filter(|_| !self.limits.is_empty());
        let bounds = ends.map(|(name, role, end)| {
            let at = |hz: &f64| {
                let stated = self
                    .limits
                    .iter()
                    .find(|line| line.frequency_hz == Some(*hz));
                stated.and_then(|line| ends_of(line)[end]).map_or_else(
                    || Figure::Absent(String::new()),
                    |bound| Figure::Measured(bound, Some(0.0)),
                )
            };
            series(name, role, bands.iter().map(at).collect())
        });
        let beside = self.beside.into_iter();
        // Dark beside pale.
        let role = match beside.len() {
            0 => SeriesRole::Measured,
            _ => SeriesRole::Graded(2),
        };
        let beside = beside.map(|(name, figures)| series(name, SeriesRole::Graded(0), figures));
        let all: Vec<Series> = [series(self.quantity, role, figures)]
            .into_iter()
            .chain(beside)
            .chain(bounds)
            .collect();
        BandCurves {
            description: extremes(&all, &bands, &self.quantity.to_lowercase()),
            title: self.title,
            quantity: self.quantity.into(),
            unit: self.unit.into(),
            bands,
            series: all,
            zero: None,
            caption: "The block is the figure, the thin line its expanded uncertainty. Rails are the limits of the data sheet. A block with an open wedge is a bound: “at most”.".into(),
        }
    }

    fn trace(self) -> Trace {
        let measured = self.points.iter();
        let points: Vec<(f64, f64)> = measured
            .filter_map(|(hz, figure)| Some((*hz, figure.value()?)))
            .collect();
        let stated = self.limits.iter();
        let limits = stated.filter_map(|line| Some((line.frequency_hz?, ends_of(line))));
        Trace {
            description: described(&points, self.unit),
            title: self.title,
            axes: [axis("Frequency", "Hz"), axis(self.quantity, self.unit)],
            points,
            octaves: true,
            limits: limits.collect(),
            caption: "Rails are the limits of the data sheet. Where nothing was measured the line runs straight across.".into(),
            ..Trace::default()
        }
    }
}

fn series(name: &str, role: SeriesRole, figures: Vec<Figure>) -> Series {
    Series::of(name, role, true, figures)
}

/// Lower and upper end of what a line of the sheet allows.
fn ends_of(line: &Line) -> [Option<f64>; 2] {
    [&line.lowest, &line.highest].map(|end| Some(line.nominal.value? + end.as_ref()?.value?))
}

fn axis(quantity: &str, unit: &str) -> [String; 2] {
    [quantity, unit].map(str::to_owned)
}

fn described(points: &[(f64, f64)], unit: &str) -> String {
    let most = points.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let told = most.map(|(hz, value)| {
        format!(
            "Highest at {} with {} {unit}.",
            number::frequency(*hz),
            number::fixed(*value, 1)
        )
    });
    told.unwrap_or_else(|| "No figure could be drawn.".into())
}

/// Sensitivity in twenty-fourths of an octave.
pub(super) fn narrow_band(
    found: &sensitivity::Outcome,
    capture: &str,
    limits: Vec<&Line>,
) -> Block {
    let points = found.narrow_band.iter();
    let points = points.map(|point| (point.frequency_hz, Figure::from(&point.sensitivity)));
    let picture = OverFrequency {
        title: format!("Sensitivity in twenty-fourths of an octave, {capture}"),
        quantity: "Sensitivity",
        unit: "dB re 1 µN/20 µPa",
        points: points.collect(),
        beside: None,
        limits,
    };
    Block::Curves(Curves::Trace(picture.trace()))
}

/// Force over sound at one frequency.
pub(super) fn input_output(curve: &input_output::Curve, capture: &str) -> Block {
    let points = curve
        .points
        .iter()
        .filter_map(|point| Some((point.sound.figure()?.db(), point.force.figure()?.db())));
    let points: Vec<(f64, f64)> = points.collect();
    let bends = [(&curve.knee, "knee"), (&curve.limiting, "limit")];
    let marks = bends
        .into_iter()
        .filter_map(|(reading, name)| match reading {
            Reading::Measured(level, _) => Some((level.db(), name.to_owned())),
            _ => None,
        });
    let tone = number::frequency(curve.nominal_hz);
    Block::Curves(Curves::Trace(Trace {
        title: format!("Input/output curve at {tone}, {capture}"),
        description: format!(
            "Force level over sound pressure level at {tone}, {} points from {} dB SPL to {} dB SPL.",
            points.len(),
            points.first().map_or(0.0, |p| p.0).round(),
            points.last().map_or(0.0, |p| p.0).round(),
        ),
        axes: [axis("Sound", "dB SPL"), axis("Force", "dB re 1 µN")],
        points,
        dotted: true,
        marks: marks.collect(),
        caption: "Each dot is a step that was measured. Below the knee the device is linear; above, a decibel of sound adds less than a decibel of force.".into(),
        ..Trace::default()
    }))
}
