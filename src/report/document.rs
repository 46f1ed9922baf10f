//! The report before it has a form: questions, answers and what stands behind
//! them. It knows roles and figures, but no ink, no markup and no width.

use super::number;
pub use crate::assessment::Verdict;
use crate::measurement::Kind;
use crate::pipeline::Side;
use crate::quantity::{Quantity, Reading};

/// A whole report.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// What was examined.
    pub title: String,
    /// Program and session.
    pub identity: String,
    /// A few sentences, worst news first; a paragraph for each ear.
    pub lead: Vec<Vec<Span>>,
    /// What a reader must know of the circumstances.
    pub facts: Vec<Fact>,
    /// The questions answered, in the order of the report.
    pub sections: Vec<Section>,
    /// What cannot be answered, and what to record.
    pub gaps: Vec<Fact>,
    /// What the report was made from: inputs, calibration, options.
    pub particulars: Vec<(String, Vec<Block>)>,
    /// What to heed before acting on the report.
    pub cautions: Vec<String>,
}

impl Document {
    /// The questions, each with its one answer or those of both ears.
    pub fn questions(&self) -> impl Iterator<Item = &[Section]> {
        self.sections.chunk_by(|a, b| a.question == b.question)
    }
}

/// One question and its answer.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Section {
    /// The question.
    pub question: String,
    /// What of it this answers, where others answer the rest.
    pub part: Option<&'static str>,
    /// The ear that the answer is about, where a report has both.
    pub ear: Option<Side>,
    /// The verdict; absent where no limit is known.
    pub verdict: Option<Verdict>,
    /// What the verdict is called on this question; its own word where that says enough.
    pub called: Option<Called>,
    /// Whether the verdict holds for a part of the question only.
    pub in_part: bool,
    /// The answer in one short sentence, read below the question.
    pub short: String,
    /// The answer as news, read without the question.
    pub headline: String,
    /// The answer in full.
    pub answer: Vec<Span>,
    /// Doubts that this answer carries.
    pub doubts: Vec<Doubt>,
    /// What to heed before acting on this answer.
    pub cautions: Vec<String>,
    /// What shows it.
    pub blocks: Vec<Block>,
    /// How it was computed, and what few readers need.
    pub details: Vec<Block>,
}

impl Section {
    /// The word beside the mark of its verdict.
    pub fn word(&self) -> Option<&'static str> {
        Some(word(self.verdict?, self.called))
    }
}

/// A verdict in the words of its question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Called {
    /// The answer in a word.
    Answer(&'static str),
    /// Neither good nor bad.
    News(&'static str),
}

/// The word beside the mark of a verdict.
pub(super) fn word(verdict: Verdict, called: Option<Called>) -> &'static str {
    match called {
        Some(Called::Answer(word) | Called::News(word)) => word,
        None => verdict.word(),
    }
}

/// A piece of running text.
#[derive(Debug, Clone, PartialEq)]
pub enum Span {
    /// Plain words.
    Words(String),
    /// A figure with its unit, kept on one line.
    Figure(String),
    /// News that must not be missed.
    Alarm(String),
    /// News that is in doubt.
    Doubt(String),
}

impl Span {
    /// The text without its emphasis.
    pub fn text(&self) -> &str {
        match self {
            Self::Words(text) | Self::Figure(text) | Self::Alarm(text) | Self::Doubt(text) => text,
        }
    }
}

/// A warning that touches figures of the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doubt {
    /// Its letter.
    pub letter: char,
    /// The stable code of the problem behind it.
    pub code: &'static str,
    /// What is in doubt, in a few words.
    pub brief: String,
    /// What is in doubt, in full.
    pub text: String,
    /// What to do about it.
    pub advice: String,
    /// The measurements that it touches.
    pub touches: Vec<Kind>,
}

/// A name and what is to be said of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fact {
    /// Name.
    pub name: String,
    /// Text.
    pub text: String,
}

/// One part of a section. These four are all there is.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Names and texts.
    Facts(Vec<Fact>),
    /// Rows and columns of text.
    Table(Table),
    /// A picture with the figures it is drawn from.
    Curves(Curves),
    /// Paragraphs.
    Notes(Vec<String>),
}

/// Rows and columns of text.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// Heads of the columns.
    pub head: Vec<String>,
    /// Rows, as wide as the head.
    pub rows: Vec<Vec<Cell>>,
}

/// One cell of a [`Table`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cell {
    /// Words.
    Words(String),
    /// A figure: set flush right.
    Figure(String),
    /// A verdict, and what it is called: mark and word.
    Verdict(Verdict, Option<Called>),
}

/// A picture with the figures it is drawn from.
#[derive(Debug, Clone, PartialEq)]
pub enum Curves {
    /// Figures over third-octave bands.
    Bands(BandCurves),
    /// Narrow lines over time and frequency.
    Lines(Lines),
    /// Two channels over time and frequency, and the lines of the first.
    Maps(Maps),
    /// Verdicts in a row, each with what it is on.
    Marks(Vec<(Verdict, Called, String)>),
    /// Figures by the angle that they come from.
    Polar(Polar),
    /// Distances to an edge.
    Ruler(Ruler),
    /// Figures before and after.
    Slopes(Slopes),
    /// A curve over a continuous axis.
    Trace(Trace),
}

/// Figures over third-octave bands, all in one unit where drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct BandCurves {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// Quantity on the axis.
    pub quantity: String,
    /// Unit and reference on the axis.
    pub unit: String,
    /// Nominal midband frequencies, rising: the columns.
    pub bands: Vec<f64>,
    /// One row of the table each; those `drawn` stand in the picture.
    pub series: Vec<Series>,
    /// What zero means, where the picture must show it.
    pub zero: Option<String>,
    /// How to read the picture.
    pub caption: String,
}

impl BandCurves {
    /// Why figures are absent: each reason once, in words, with its rows and
    /// bands.
    pub fn gaps(&self) -> Vec<String> {
        let mut found: Vec<(&str, Vec<&str>, Vec<String>)> = Vec::new();
        for series in &self.series {
            for (hz, point) in self.bands.iter().zip(&series.points) {
                let Figure::Absent(why) = &point.figure else {
                    continue;
                };
                if why.is_empty() {
                    continue;
                }
                let known = found.iter().position(|(reason, ..)| *reason == why);
                let index = known.unwrap_or_else(|| {
                    found.push((why, Vec::new(), Vec::new()));
                    found.len() - 1
                });
                let (_, names, bands) = &mut found[index];
                if !names.contains(&series.name.as_str()) {
                    names.push(&series.name);
                }
                let label = number::band_label(*hz);
                if !bands.contains(&label) {
                    bands.push(label);
                }
            }
        }
        let told = found.iter().map(|(why, names, bands)| {
            let (names, bands) = (names.join("; "), bands.join(", "));
            format!("No figure at {bands} Hz ({names}): {why}.")
        });
        told.collect()
    }
}

/// One row of figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Name of the row.
    pub name: String,
    /// Part it plays.
    pub role: SeriesRole,
    /// Whether it stands in the picture.
    pub drawn: bool,
    /// One point per band.
    pub points: Vec<Point>,
}

impl Series {
    /// One figure per band, none with a block around it.
    pub fn of(
        name: impl Into<String>,
        role: SeriesRole,
        drawn: bool,
        figures: impl IntoIterator<Item = Figure>,
    ) -> Self {
        Self {
            name: name.into(),
            role,
            drawn,
            points: figures.into_iter().map(Point::from).collect(),
        }
    }

    /// Whether its figures are stated, not measured: they have no uncertainty.
    pub fn exact(&self) -> bool {
        self.points.iter().all(|point| match point.figure {
            Figure::Measured(_, u) => u == Some(0.0),
            _ => true,
        })
    }
}

/// The part a series plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeriesRole {
    /// The one result of the picture.
    Measured,
    /// A change since an earlier record: pale where its interval holds zero.
    Change,
    /// One of several results at rising levels; from 0 (soft) to 2 (loud).
    Graded(u8),
    /// Sound at the reference microphone, or another figure beside the result.
    Beside,
    /// Threshold of the person: the foot of a rail.
    Foot,
    /// Uncomfortable level of the person: its lid.
    Lid,
    /// What is aimed at beside the graded result of the same number.
    Target(u8),
    /// Distance from a ceiling at zero, hanging below it.
    Hanging,
}

/// One figure of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// The figure.
    pub figure: Figure,
    /// Lower and upper end of the block around it.
    pub block: Option<(f64, f64)>,
}

impl From<Figure> for Point {
    fn from(figure: Figure) -> Self {
        Self {
            figure,
            block: None,
        }
    }
}

/// A figure as it may be told.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    /// The figure and its expanded uncertainty, if it is stated.
    Measured(f64, Option<f64>),
    /// An upper bound.
    AtMost(f64),
    /// A lower bound.
    AtLeast(f64),
    /// No figure, and why; no words where none was to be expected.
    Absent(String),
}

impl Figure {
    /// The figure or bound, if there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Self::Measured(value, _) | Self::AtMost(value) | Self::AtLeast(value) => Some(*value),
            Self::Absent(_) => None,
        }
    }

    /// The same in a unit of which `by` make one of the old.
    pub fn scaled(self, by: f64) -> Self {
        match self {
            Self::Measured(value, u) => Self::Measured(by * value, u.map(|u| by * u)),
            Self::AtMost(value) => Self::AtMost(by * value),
            Self::AtLeast(value) => Self::AtLeast(by * value),
            Self::Absent(why) => Self::Absent(why),
        }
    }

    /// Lower and upper end of the interval that the uncertainty spans.
    pub fn interval(&self) -> Option<(f64, f64)> {
        match self {
            Self::Measured(value, Some(u)) => Some((value - u, value + u)),
            _ => None,
        }
    }
}

impl<Q: Quantity> From<&Reading<Q>> for Figure {
    fn from(reading: &Reading<Q>) -> Self {
        match reading {
            Reading::Measured(quantity, budget) => {
                Self::Measured(quantity.value(), budget.expanded())
            }
            Reading::AtMost(quantity, _) => Self::AtMost(quantity.value()),
            Reading::AtLeast(quantity, _) => Self::AtLeast(quantity.value()),
            Reading::NotMeasured(why) => Self::Absent(why.clone()),
        }
    }
}

/// Gains relative to the front by angle, one circle for each band.
#[derive(Debug, Clone, PartialEq)]
pub struct Polar {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// The bands.
    pub circles: Vec<Circle>,
    /// How to read the picture.
    pub caption: String,
}

impl Polar {
    /// The same as a table: one row for each angle, one column for each band.
    pub fn table(&self) -> Table {
        let mut angles: Vec<f64> = self
            .circles
            .iter()
            .flat_map(|circle| circle.points.iter().map(|(angle_deg, _)| *angle_deg))
            .collect();
        angles.sort_by(f64::total_cmp);
        angles.dedup();
        let row = |angle_deg: f64| {
            let of = |circle: &Circle| {
                let mut points = circle.points.iter();
                let found = points.find(|(at, _)| *at == angle_deg);
                Cell::Figure(found.map_or(number::ABSENT.into(), |(_, f)| number::pair(f)))
            };
            let name = Cell::Words(number::angle(angle_deg));
            [name]
                .into_iter()
                .chain(self.circles.iter().map(of))
                .collect()
        };
        let heads = self.circles.iter();
        let heads = heads.map(|circle| format!("{}, dB", number::band(circle.nominal_hz)));
        Table {
            caption: self.title.clone(),
            head: ["Angle".to_owned()].into_iter().chain(heads).collect(),
            rows: angles.into_iter().map(row).collect(),
        }
    }
}

/// The gains of one band.
#[derive(Debug, Clone, PartialEq)]
pub struct Circle {
    /// Nominal midband frequency in Hz.
    pub nominal_hz: f64,
    /// Angle in degrees, 0 the front, and gain relative to the front in dB.
    pub points: Vec<(f64, Figure)>,
    /// a of the pattern |a + (1 − a) cos θ| that fits, where one does.
    pub first_order: Option<f64>,
}

/// Distances to an edge at zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Ruler {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// Unit on the axis.
    pub unit: String,
    /// Distance that is far enough.
    pub asked_for: f64,
    /// The figures.
    pub posts: Vec<Post>,
}

/// One figure on a ruler.
#[derive(Debug, Clone, PartialEq)]
pub struct Post {
    /// Its name.
    pub name: String,
    /// The figure.
    pub figure: Figure,
}

/// A curve over a continuous axis.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trace {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// Quantity and unit, across and up.
    pub axes: [[String; 2]; 2],
    /// Points, rising across.
    pub points: Vec<(f64, f64)>,
    /// A line fitted to the points; they are dotted, and joined by no other.
    pub fitted: Vec<(f64, f64)>,
    /// Whether equal distances across are equal ratios, as of frequencies.
    pub octaves: bool,
    /// Whether every point is a figure of its own, and is dotted.
    pub dotted: bool,
    /// Where the curve should lie: place across, lower and upper end.
    pub limits: Vec<(f64, [Option<f64>; 2])>,
    /// Places across that mean something.
    pub marks: Vec<(f64, String)>,
    /// How to read the picture.
    pub caption: String,
}

/// Figures before and after, each against how far it may move by chance.
#[derive(Debug, Clone, PartialEq)]
pub struct Slopes {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// What stands left and right.
    pub sides: [String; 2],
    /// What lies between them: a change, a difference.
    pub difference: &'static str,
    /// The figures.
    pub slopes: Vec<Slope>,
}

/// One figure before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Slope {
    /// What it is, and of which recording.
    pub name: [String; 2],
    /// Its unit.
    pub unit: String,
    /// Left and right.
    pub values: [f64; 2],
    /// How far the right one may lie from the left one without a change.
    pub band: f64,
    /// Decimals.
    pub digits: usize,
}

impl Slope {
    /// Right minus left.
    pub fn change(&self) -> f64 {
        self.values[1] - self.values[0]
    }

    /// The change against the band.
    pub fn verdict(&self) -> Verdict {
        match self.change().abs() > self.band {
            true => Verdict::Outside,
            false => Verdict::Within,
        }
    }
}

/// Narrow lines over time and frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Lines {
    /// What the picture shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// Length of the recording in seconds.
    pub duration_s: f64,
    /// The lines.
    pub lines: Vec<Line>,
}

/// Two maps of one recording, drawn side by side on the same axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Maps {
    /// What rings in the first.
    pub lines: Lines,
    /// Nominal midband frequencies of the rows in Hz, rising.
    pub bands: Vec<f64>,
    /// Length of a point in seconds.
    pub step_s: f64,
    /// The channels.
    pub maps: [LevelMap; 2],
}

/// One channel of a map.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelMap {
    /// What was heard.
    pub name: String,
    /// Levels in dB by band and point; `None` where there was nothing.
    pub levels: Vec<Vec<Option<f64>>>,
}

/// One narrow line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Start in seconds.
    pub from_s: f64,
    /// End in seconds.
    pub to_s: f64,
    /// Whether nothing explains it.
    pub event: bool,
}
