//! What force does the device deliver?

mod pictures;

use super::super::document::{Block, Doubt, Figure, Section, Span, Verdict};
use super::super::number;
use super::{FORCE, capture_of, carried, entries, words};
use crate::measurement::Kind;
use crate::measurement::levels::{BandGain, ChannelLevels, Outcome, RoleLevels};
use crate::pipeline::{CaptureRole, Record};
use crate::quantity::level::{OneMicronewton, TwentyMicropascals};

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
    gain: &'a [BandGain],
}

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let captures = captures(record);
    let of = |role| {
        captures
            .iter()
            .filter(move |c: &&Capture<'_>| c.role == role)
    };
    let mut speech: Vec<&Capture<'_>> = of(CaptureRole::Speech).collect();
    speech.sort_by(|a, b| a.level().total_cmp(&b.level()));
    let sensitivity: Vec<&Capture<'_>> = of(CaptureRole::Sensitivity).collect();
    let main: Option<&Capture<'_>> = speech
        .iter()
        .min_by(|a, b| a.off_average().total_cmp(&b.off_average()))
        .or(sensitivity.first())
        .copied()
        .or(captures.first());

    let mut blocks = Vec::new();
    let mut details = Vec::new();
    if !speech.is_empty() {
        blocks.extend(pictures::graded(&speech));
    }
    let differing = sensitivity.first().copied().or(main);
    if let Some(capture) = differing.filter(|c| c.role != CaptureRole::General) {
        blocks.extend(pictures::difference(capture));
    }
    let asked = !speech.is_empty() || !sensitivity.is_empty();
    for (position, capture) in captures.iter().enumerate() {
        if capture.role == CaptureRole::Speech {
            continue;
        }
        let open = !asked && position < OPEN;
        let picture = pictures::single(capture);
        if open { &mut blocks } else { &mut details }.extend(picture);
    }
    details.push(Block::Notes(METHOD.map(str::to_owned).to_vec()));

    let mut section = Section {
        question: FORCE.into(),
        doubts: carried(Kind::Levels, doubts),
        blocks,
        details,
        ..Section::default()
    };
    answer(&mut section, main, differing);
    section
}

fn captures(record: &Record) -> Vec<Capture<'_>> {
    let levels = entries(record, Kind::Levels).filter_map(|entry| match &entry.outcome {
        crate::measurement::Outcome::Levels(levels) => {
            Some(Capture::new(record, capture_of(entry), levels))
        }
        _ => None,
    });
    levels.collect()
}

/// The force that either ear gets from speech at one level, the average one where both
/// have it.
pub(super) fn both_ears(left: &Record, right: &Record) -> Option<Block> {
    let speech = [left, right].map(|record| {
        let mut captures = captures(record);
        captures.retain(|c| c.role == CaptureRole::Speech && c.level_db_spl.is_some());
        captures
    });
    let [left, right] = &speech;
    let pairs = left.iter().filter_map(|one| {
        let other = right.iter().find(|c| c.level_db_spl == one.level_db_spl)?;
        Some([one, other])
    });
    let pair = pairs.min_by(|[a, _], [b, _]| a.off_average().total_cmp(&b.off_average()))?;
    pictures::both_ears(pair)
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
            gain: &levels.gain,
        };
        for channel in &levels.channels {
            match channel {
                ChannelLevels::Force(levels) => capture.force = Some(levels),
                ChannelLevels::Microphone(levels) => capture.sound = Some(levels),
            }
        }
        capture
    }

    /// Presented level in dB SPL; unstated ones come last.
    fn level(&self) -> f64 {
        self.level_db_spl.unwrap_or(f64::INFINITY)
    }

    /// Distance of that from average speech.
    fn off_average(&self) -> f64 {
        (self.level() - 65.0).abs()
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

    /// The presented level in dB SPL, or the name: short enough for a row.
    fn row(&self) -> String {
        match self.level_db_spl {
            Some(level) => number::fixed(level, 0),
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
        let each = self.gain.iter();
        let each = each.map(|band| (band.band.nominal_hz(), Figure::from(&band.gain)));
        (!self.gain.is_empty()).then(|| each.collect())
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

const METHOD: [&str; 4] = [
    "Method: third-octave filters in the time domain; mean square over the interval, once the filters have settled; levels in force re 1 µN and in pressure re 20 µPa. The levels exceeded for parts of the time rank blocks of 125 ms that overlap by half.",
    "Uncertainty: calibration of the channel as its papers state it; what the filters let in from neighbouring bands, computed from their levels; for equivalent levels also chance, from how the level varied. Where most of a reading is a neighbouring band’s it is told as “at most”. The budget stands at the end of this page. Force minus sound varies less than either where the force follows the sound: chance counts by how their ratio varied.",
    "Source: bands and filters after IEC 61260-1:2014, equivalent level and time weightings after IEC 61672-1:2013, from public transcriptions; the standards themselves were not opened. Exceeded levels: common practice, no source.",
    "Limits: a tone on the edge of a band is shared by two bands. Bands beyond the range of a transducer’s response are not reported.",
];
