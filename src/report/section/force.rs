//! What force does the device deliver?

use super::super::document::{
    BandCurves, Block, Curves, Doubt, Figure, Point, Section, Series, SeriesRole, Span, Verdict,
};
use super::super::number;
use super::{capture_of, carried, entries, extremes, words};
use crate::measurement::Kind;
use crate::measurement::levels::{ChannelLevels, Outcome, RoleLevels};
use crate::pipeline::{CaptureRole, Record};
use crate::quantity::level::{OneMicronewton, Reference, TwentyMicropascals};

/// Captures shown open where none is of a role that asks for a picture.
const OPEN: usize = 6;
/// Nominal frequencies of the average that stands for the whole range.
const AVERAGE_HZ: [f64; 3] = [1000.0, 1600.0, 2500.0];

const FORCE_DB: &str = "dB re 1 µN";
const SOUND_DB: &str = "dB re 20 µPa";
const DIFFERENCE_DB: &str = "dB re 1 µN/20 µPa";

/// The levels of one capture and what is stated of it.
struct Capture<'a> {
    name: &'a str,
    role: CaptureRole,
    level_db_spl: Option<f64>,
    force: Option<&'a RoleLevels<OneMicronewton>>,
    sound: Option<&'a RoleLevels<TwentyMicropascals>>,
}

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let captures: Vec<Capture<'_>> = entries(record, Kind::Levels)
        .filter_map(|entry| match &entry.outcome {
            crate::measurement::Outcome::Levels(levels) => {
                Some(Capture::new(record, capture_of(entry), levels))
            }
            _ => None,
        })
        .collect();
    let of = |role| {
        captures
            .iter()
            .filter(move |c: &&Capture<'_>| c.role == role)
    };
    let mut speech: Vec<&Capture<'_>> = of(CaptureRole::Speech).collect();
    let level = |c: &Capture<'_>| c.level_db_spl.unwrap_or(f64::INFINITY);
    speech.sort_by(|a, b| level(a).total_cmp(&level(b)));
    let sensitivity: Vec<&Capture<'_>> = of(CaptureRole::Sensitivity).collect();
    let main: Option<&Capture<'_>> = speech
        .iter()
        .min_by(|a, b| (level(a) - 65.0).abs().total_cmp(&(level(b) - 65.0).abs()))
        .or(sensitivity.first())
        .copied()
        .or(captures.first());

    let mut blocks = Vec::new();
    let mut details = Vec::new();
    if !speech.is_empty() {
        blocks.extend(graded(&speech));
    }
    let differing = sensitivity.first().copied().or(main);
    if let Some(capture) = differing.filter(|c| c.role != CaptureRole::General) {
        blocks.extend(difference(capture));
    }
    let asked = !speech.is_empty() || !sensitivity.is_empty();
    for (position, capture) in captures.iter().enumerate() {
        if capture.role == CaptureRole::Speech {
            continue;
        }
        let open = !asked && position < OPEN;
        let picture = single(capture);
        if open { &mut blocks } else { &mut details }.extend(picture);
    }
    details.push(Block::Notes(METHOD.map(str::to_owned).to_vec()));

    let mut section = Section {
        question: "What force does the device deliver?".into(),
        doubts: carried(record, Kind::Levels, doubts),
        blocks,
        details,
        ..Section::default()
    };
    answer(&mut section, main, differing);
    section
}

/// Puts verdict and words into `section`.
fn answer(section: &mut Section, main: Option<&Capture<'_>>, differing: Option<&Capture<'_>>) {
    let told = main.and_then(|capture| {
        let force = capture.force?;
        let sum = Figure::from(&force.band_sum);
        sum.value()?;
        Some((capture, number::told(&sum, FORCE_DB), strongest(force)))
    });
    let Some((capture, sum, strongest)) = told else {
        section.verdict = Some(Verdict::NotMeasurable);
        section.short = "No force level was measured.".into();
        section.headline = "The force of the device was not measured.".into();
        section.answer = vec![words(
            "Not measurable: there is no figure of the force channel. Record it and describe it in the calibration file.",
        )];
        return;
    };
    let with = capture.stimulus();
    section.short = format!("{sum} {with}, all bands together.");
    section.headline = format!("The force level is {sum} {with}.");
    let mut answer = vec![
        words(format!(
            "{} the force level of all bands together is ",
            super::capital(&with)
        )),
        Span::Figure(sum),
    ];
    if let Some((band, figure)) = strongest {
        answer.push(words(format!(
            ". The strongest band is the one at {} with ",
            number::band(band)
        )));
        answer.push(Span::Figure(number::told(&figure, "dB")));
        section.short = format!("{} Strongest at {}.", section.short, number::band(band));
    }
    answer.push(words("."));
    let average = differing.and_then(|capture| Some((capture, capture.average()?)));
    if let Some((capture, average)) = average {
        let with = super::capital(&capture.stimulus());
        answer.push(words(format!(
            " {with} force level minus sound pressure level is "
        )));
        answer.push(Span::Figure(number::told(&average, DIFFERENCE_DB)));
        answer.push(words(" (mean of the bands at 1, 1.6 and 2.5\u{a0}kHz)."));
    }
    answer.push(words(" No limit is given to judge it against."));
    section.answer = answer;
}

impl<'a> Capture<'a> {
    fn new(record: &Record, name: &'a str, levels: &'a Outcome) -> Self {
        let read = record.captures.iter().find(|capture| capture.name == name);
        let mut capture = Self {
            name,
            role: read.map_or(CaptureRole::General, |read| read.role),
            level_db_spl: read.and_then(|read| read.level_db_spl),
            force: None,
            sound: None,
        };
        for channel in &levels.channels {
            match channel {
                ChannelLevels::Force(levels) => capture.force = Some(levels),
                ChannelLevels::Microphone(levels) => capture.sound = Some(levels),
            }
        }
        capture
    }

    /// `with speech at 65 dB SPL`, `in the recording X`.
    fn stimulus(&self) -> String {
        match (self.role, self.level_db_spl) {
            (CaptureRole::Speech, Some(level)) => {
                format!(
                    "with speech at {}\u{a0}dB\u{a0}SPL",
                    number::fixed(level, 0)
                )
            }
            _ => format!("in the recording “{}”", self.name),
        }
    }

    /// A short name for a row.
    fn row(&self) -> String {
        match self.level_db_spl {
            Some(level) => format!("{} dB SPL", number::fixed(level, 0)),
            None => format!("“{}”", self.name),
        }
    }

    /// Bands of either channel.
    fn bands(&self) -> Vec<f64> {
        let of = |bands: &mut dyn Iterator<Item = f64>| bands.collect::<Vec<f64>>();
        match (self.force, self.sound) {
            (Some(force), _) => of(&mut force.bands.iter().map(|b| b.band.nominal_hz())),
            (_, Some(sound)) => of(&mut sound.bands.iter().map(|b| b.band.nominal_hz())),
            _ => Vec::new(),
        }
    }

    /// Force level minus pressure level, band by band.
    fn differences(&self) -> Option<Vec<(f64, Figure)>> {
        let (force, sound) = (self.force?, self.sound?);
        let difference = |(f, s): (Figure, Figure)| match (f, s) {
            (Figure::Measured(f, uf), Figure::Measured(s, us)) => {
                let u = uf.zip(us).map(|(uf, us)| f64::hypot(uf, us));
                Figure::Measured(f - s, u)
            }
            (Figure::Absent(why), _) | (_, Figure::Absent(why)) => Figure::Absent(why),
            _ => Figure::Absent("one of the two levels is only a bound".into()),
        };
        let pairs = force.bands.iter().zip(&sound.bands);
        let each = pairs.map(|(f, s)| {
            let figures = (Figure::from(&f.leq), Figure::from(&s.leq));
            (f.band.nominal_hz(), difference(figures))
        });
        Some(each.collect())
    }

    /// Mean difference of three bands. The calibration is common to them, so
    /// the largest of their uncertainties is the mean's.
    fn average(&self) -> Option<Figure> {
        let differences = self.differences()?;
        let mut sum = 0.0;
        let mut largest = Some(0.0);
        for hz in AVERAGE_HZ {
            match differences.iter().find(|(nominal, _)| *nominal == hz) {
                Some((_, Figure::Measured(value, u))) => {
                    sum += value;
                    largest = largest.zip(*u).map(|(a, b)| f64::max(a, b));
                }
                _ => return None,
            }
        }
        Some(Figure::Measured(sum / 3.0, largest))
    }
}

fn strongest(force: &RoleLevels<OneMicronewton>) -> Option<(f64, Figure)> {
    force
        .bands
        .iter()
        .map(|band| (band.band.nominal_hz(), Figure::from(&band.leq)))
        .filter(|(_, figure)| figure.value().is_some())
        .max_by(|(_, a), (_, b)| {
            a.value()
                .partial_cmp(&b.value())
                .unwrap_or(std::cmp::Ordering::Equal)
        })
}

/// Level over the interval, within the block of the levels exceeded for 90 %
/// and 10 % of the time.
fn leq<R: Reference>(levels: &RoleLevels<R>, bands: &[f64]) -> Vec<Point> {
    points(levels, bands, |band| {
        let exceeded = |percent: u8| Figure::from(band.exceeded.get(&percent)?).value();
        Point {
            figure: Figure::from(&band.leq),
            block: exceeded(90).zip(exceeded(10)),
        }
    })
}

fn points<R: Reference>(
    levels: &RoleLevels<R>,
    bands: &[f64],
    point: impl Fn(&crate::measurement::levels::BandLevels<R>) -> Point,
) -> Vec<Point> {
    let absent = || Point {
        figure: Figure::Absent("the band was not analysed".into()),
        block: None,
    };
    let of = |hz: &f64| levels.bands.iter().find(|b| b.band.nominal_hz() == *hz);
    bands
        .iter()
        .map(|hz| of(hz).map_or_else(absent, &point))
        .collect()
}

fn series(name: String, role: SeriesRole, drawn: bool, points: Vec<Point>) -> Series {
    Series {
        name,
        role,
        drawn,
        points,
    }
}

/// Speech at rising levels, side by side.
fn graded(speech: &[&Capture<'_>]) -> Option<Block> {
    let mut bands: Vec<f64> = speech.iter().flat_map(|c| c.bands()).collect();
    bands.sort_by(f64::total_cmp);
    bands.dedup();
    let last = speech.len().saturating_sub(1);
    let role = |position: usize| match position {
        _ if last == 0 => SeriesRole::Measured,
        0 => SeriesRole::Graded(0),
        _ if position == last => SeriesRole::Graded(2),
        _ => SeriesRole::Graded(1),
    };
    let mut rows = Vec::new();
    for (position, capture) in speech.iter().enumerate() {
        let force = capture.force?;
        let name = format!("Force, {}", capture.row());
        rows.push(series(name, role(position), true, leq(force, &bands)));
    }
    for capture in speech {
        if let Some(sound) = capture.sound {
            let name = format!("Sound, {}", capture.row());
            rows.push(series(name, SeriesRole::Beside, false, leq(sound, &bands)));
        }
    }
    let names: Vec<String> = speech.iter().map(|c| c.row()).collect();
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: "Force level of speech per third-octave band".into(),
        description: extremes(&rows, &bands, "force level"),
        quantity: "Force level".into(),
        unit: FORCE_DB.into(),
        bands,
        series: rows,
        zero: None,
        caption: format!(
            "In each band from left to right: speech presented at {}. A block reaches from the level exceeded for 90 % of the time to the one exceeded for 10 %; its waist is the equivalent level, which the table gives. Blocks of 125 ms. Sound: pressure level at the reference microphone, {SOUND_DB}.",
            listed(&names)
        ),
    })))
}

/// One capture: force with its largest F-weighted level, and sound.
fn single(capture: &Capture<'_>) -> Option<Block> {
    let bands = capture.bands();
    let mut rows = Vec::new();
    let maximum = |figure| Point {
        figure,
        block: None,
    };
    if let Some(force) = capture.force {
        let fast = points(force, &bands, |b| maximum(Figure::from(&b.fast_max)));
        rows.push(series(
            "Force".into(),
            SeriesRole::Measured,
            true,
            leq(force, &bands),
        ));
        rows.push(series(
            "Force, F max".into(),
            SeriesRole::Beside,
            false,
            fast,
        ));
    }
    if let Some(sound) = capture.sound {
        let alone = capture.force.is_none();
        let role = if alone {
            SeriesRole::Measured
        } else {
            SeriesRole::Beside
        };
        rows.push(series("Sound".into(), role, alone, leq(sound, &bands)));
    }
    let (quantity, unit) = match capture.force {
        Some(_) => ("Force level", FORCE_DB),
        None => ("Sound pressure level", SOUND_DB),
    };
    let also = match (capture.force, capture.sound) {
        (Some(_), Some(_)) => {
            format!(" Sound: pressure level at the reference microphone, {SOUND_DB}.")
        }
        _ => String::new(),
    };
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!(
            "{quantity} per third-octave band, recording “{}”",
            capture.name
        ),
        description: extremes(&rows, &bands, &quantity.to_lowercase()),
        quantity: quantity.into(),
        unit: unit.into(),
        bands,
        series: rows,
        zero: None,
        caption: format!(
            "A block reaches from the level exceeded for 90 % of the time to the one exceeded for 10 %; its waist is the equivalent level, which the table gives. F max: largest level with the time weighting F.{also}"
        ),
    })))
}

/// Force level minus pressure level of one capture.
fn difference(capture: &Capture<'_>) -> Option<Block> {
    let differences = capture.differences()?;
    let bands: Vec<f64> = differences.iter().map(|(hz, _)| *hz).collect();
    let figures = differences.into_iter().map(|(_, figure)| figure);
    let points = figures
        .map(|figure| Point {
            figure,
            block: None,
        })
        .collect();
    let rows = vec![series(
        "Force − sound".into(),
        SeriesRole::Measured,
        true,
        points,
    )];
    let (quantity, note) = match capture.role {
        CaptureRole::Sensitivity => (
            "Sensitivity level",
            "Acousto-mechanical sensitivity level: force level minus sound pressure level.",
        ),
        _ => (
            "Force − sound",
            "Force level minus sound pressure level, with this stimulus; a device that adapts gives another figure with another stimulus.",
        ),
    };
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!(
            "Force level minus sound pressure level, recording “{}”",
            capture.name
        ),
        description: extremes(&rows, &bands, "difference"),
        quantity: quantity.into(),
        unit: DIFFERENCE_DB.into(),
        bands,
        series: rows,
        zero: None,
        caption: format!(
            "{note} The block is the figure, the thin line its expanded uncertainty. Noise in either channel is not subtracted."
        ),
    })))
}

fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

const METHOD: [&str; 4] = [
    "Method: third-octave filters in the time domain; mean square over the interval, once the filters have settled; levels in force re 1 µN and in pressure re 20 µPa. The levels exceeded for parts of the time rank blocks of 125 ms that overlap by half.",
    "Uncertainty: calibration of the channel as its certificate states it, and 0.05 dB for the analysis. A difference of both channels adds both in squares.",
    "Source: bands and filters after IEC 61260-1:2014, equivalent level and time weightings after IEC 61672-1:2013, from public transcriptions; the standards themselves were not opened. Exceeded levels: common practice, no source.",
    "Limits: a tone on the edge of a band is shared by two bands. Bands beyond the range of a transducer’s response are not reported.",
];
