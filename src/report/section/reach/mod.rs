//! Does speech reach this person?

mod pictures;
mod tables;

use super::super::document::{Block, Doubt, Figure, Section, Span};
use super::super::number;
use super::{REACH, capital, carried, entries, margin, words};
use crate::assessment::audibility::{BandAudibility, Outcome as Audibility};
use crate::assessment::discomfort::Outcome as Discomfort;
use crate::assessment::prescription::Kind as Prescribed;
use crate::assessment::targets::{BandDeviation, LevelDeviation, Outcome as Targets};
use crate::assessment::{self, Verdict};
use crate::measurement::speech_percentiles::Outcome as Speech;
use crate::measurement::{self, Kind};
use crate::pipeline::Record;
use crate::quantity::Reading;

/// The presented level that stands for average speech, in dB SPL.
const AVERAGE_DB_SPL: f64 = 65.0;
/// Length of the part that IEC 60118-15 analyses, in seconds; from memory.
const STANDARD_S: f64 = 45.0;

/// Speech at one presented level: what was measured, what is heard of it, and
/// how far it is from target.
struct Level<'a> {
    db_spl: Option<f64>,
    capture: &'a str,
    audibility: &'a Audibility,
    speech: Option<&'a Speech>,
    deviation: Option<&'a LevelDeviation>,
}

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let (levels, targets, discomfort) = found(record);
    let average = levels
        .iter()
        .min_by(|a, b| a.off_average().total_cmp(&b.off_average()));
    let mut section = Section {
        question: REACH.into(),
        doubts: carried(Kind::SpeechPercentiles, doubts),
        ..Section::default()
    };
    let Some(average) = average else {
        return section;
    };
    section.verdict = targets.map(|targets| worst(&targets.levels));
    answer(&mut section, average, &levels, targets);
    section
        .blocks
        .push(pictures::rails(&levels, average, discomfort));
    section.blocks.push(Block::Table(tables::summary(&levels)));
    section
        .blocks
        .extend(tables::deviations(&levels).map(Block::Table));
    section.blocks.extend(tables::noise(average));
    if let Some(targets) = targets {
        let near = margin::least_at(record);
        section.blocks.push(tables::changes(targets, near));
    }
    let mut assumptions = average.audibility.assumptions.clone();
    let of_targets = targets.iter().flat_map(|targets| &targets.assumptions);
    for assumption in of_targets {
        if !assumptions.contains(assumption) {
            assumptions.push(assumption.clone());
        }
    }
    let told = assumptions.iter().map(|text| format!("Assumed: {text}."));
    section.details.push(Block::Notes(told.collect()));
    section.details.extend(pictures::gain(average));
    section.details.push(Block::Notes(vec![analysed(average)]));
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
}

/// The levels, softest first, and the assessments of all of them.
fn found(record: &Record) -> (Vec<Level<'_>>, Option<&Targets>, Option<&Discomfort>) {
    let (mut levels, mut targets, mut discomfort) = (Vec::new(), None, None);
    for assessment in &record.assessments {
        match &assessment.outcome {
            assessment::Outcome::Targets(found) => targets = Some(found),
            assessment::Outcome::Discomfort(found) => discomfort = Some(found),
            assessment::Outcome::DataSheet(_) | assessment::Outcome::MethodDifference(_) => {}
            assessment::Outcome::Audibility(audibility) => {
                let Some(capture) = assessment.captures.first() else {
                    continue;
                };
                let read = record.captures.iter().find(|read| read.name == *capture);
                levels.push(Level {
                    db_spl: read
                        .and_then(|read| read.level_db_spl)
                        .or(audibility.presented.figure().map(|level| level.db())),
                    capture,
                    audibility,
                    speech: speech(record, capture),
                    deviation: None,
                });
            }
        }
    }
    for level in &mut levels {
        let deviations = targets
            .iter()
            .flat_map(|targets: &&Targets| &targets.levels);
        level.deviation = deviations.into_iter().find(|d| d.capture == level.capture);
    }
    (levels, targets, discomfort)
}

fn speech<'a>(record: &'a Record, capture: &str) -> Option<&'a Speech> {
    let mut entries = entries(record, Kind::SpeechPercentiles);
    let entry = entries.find(|entry| super::capture_of(entry) == capture)?;
    match &entry.outcome {
        measurement::Outcome::SpeechPercentiles(speech) => Some(speech),
        _ => None,
    }
}

impl Level<'_> {
    fn off_average(&self) -> f64 {
        self.db_spl
            .map_or(f64::INFINITY, |db| (db - AVERAGE_DB_SPL).abs())
    }

    /// `speech at 65 dB SPL`.
    fn told(&self) -> String {
        match self.db_spl {
            Some(db) => format!("speech at {}\u{a0}dB\u{a0}SPL", number::fixed(db, 0)),
            None => format!("speech in “{}”", self.capture),
        }
    }

    /// The presented level in dB SPL, or the capture: short enough for a row.
    fn row(&self) -> String {
        match self.db_spl {
            Some(db) => number::fixed(db, 0),
            None => format!("“{}”", self.capture),
        }
    }

    /// Bands heard whatever the uncertainty.
    fn surely_heard(&self) -> usize {
        let sure = |band: &&BandAudibility| {
            let interval = Figure::from(&band.sensation_level).interval();
            band.heard() && interval.is_some_and(|(low, _)| low > 0.0)
        };
        self.audibility.bands.iter().filter(sure).count()
    }

    /// Bands heard, and bands of which it is known.
    fn heard(&self) -> (usize, usize) {
        let known = |band: &&BandAudibility| {
            let silent = matches!(&band.threshold, Reading::NotMeasured(why) if why.starts_with("no response"));
            silent || !matches!(band.sensation_level, Reading::NotMeasured(_))
        };
        let known: Vec<_> = self.audibility.bands.iter().filter(known).collect();
        let heard = known.iter().filter(|band| band.heard()).count();
        (heard, known.len())
    }
}

/// How much speech stands behind the figures.
fn analysed(average: &Level<'_>) -> String {
    let seconds = average
        .speech
        .map_or(0.0, |speech| speech.to_s - speech.from_s);
    let told = number::seconds(seconds);
    let short = if seconds < STANDARD_S {
        " Percentiles of another or a longer part may differ."
    } else {
        ""
    };
    format!(
        "Analysed: {told} of {}. IEC 60118-15 analyses 45\u{a0}s after 15\u{a0}s of settling (from memory).{short}",
        average.told()
    )
}

fn worst(levels: &[LevelDeviation]) -> Verdict {
    let each = levels
        .iter()
        .flat_map(|level| [level.verdict, level.rms_verdict]);
    each.max().unwrap_or(Verdict::NotMeasurable)
}

/// In which band a level lies furthest from its target, and on which side.
fn lies(level: &LevelDeviation) -> Option<String> {
    let deviation = |band: &BandDeviation| Some(band.target_deviation.figure()?.db());
    let each = level.bands.iter();
    let each = each.filter_map(|band| Some((band.band.nominal_hz(), deviation(band)?)));
    let (hz, db) = each.max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))?;
    let side = if db < 0.0 { "below" } else { "above" };
    Some(format!(
        ", furthest at {}: {}\u{a0}dB {side} it",
        number::band(hz),
        number::fixed(db.abs(), 1)
    ))
}

fn answer(
    section: &mut Section,
    average: &Level<'_>,
    levels: &[Level<'_>],
    targets: Option<&Targets>,
) {
    let (heard, known) = average.heard();
    let begins = match () {
        () if known == 0 => "It cannot be told",
        () if heard == known => "Yes",
        () if 2 * heard >= known => "In part",
        () if heard > 0 => "Hardly",
        () => "No",
    };
    let with = average.told();
    let bands = format!("{heard} of {known} bands");
    section.short = format!("{}: heard in {bands}.", capital(&with));
    section.headline = format!("{} is heard in {bands}.", capital(&with));
    let mut spans = vec![
        words(format!(
            "{begins}: the long-term average of {with} is above the threshold in "
        )),
        Span::Figure(bands.replace(' ', "\u{a0}")),
        words(format!(
            " (in {} whatever the uncertainty)",
            number::count(average.surely_heard())
        )),
    ];
    let rms = average.deviation.map(|d| Figure::from(&d.rms_500_to_4000));
    if let Some(rms) = rms.filter(|rms| rms.value().is_some()) {
        let told = number::told(&rms, "dB");
        let lies = average.deviation.and_then(lies).unwrap_or_default();
        section
            .short
            .push_str(&format!(" {told} from target{lies}."));
        section.headline = format!(
            "{} is heard in {heard} of {known} bands and is {told} (rms) from the target{lies}.",
            capital(&with)
        );
        spans.extend([
            words(", "),
            Span::Figure(told),
            words(format!(" rms from the target{lies}")),
        ]);
    }
    let of_index = &average.audibility.audibility_index;
    if !matches!(of_index, Reading::NotMeasured(_)) {
        let told = tables::index(of_index).replace(' ', "\u{a0}");
        spans.extend([words(", audibility index "), Span::Figure(told)]);
    }
    spans.push(words("."));
    let others = levels
        .iter()
        .filter(|level| level.capture != average.capture);
    for level in others {
        let (heard, known) = level.heard();
        spans.push(words(format!(
            " {}: {heard} of {known} bands.",
            capital(&level.told())
        )));
    }
    spans.push(words(match targets.map(|targets| targets.targets) {
        None | Some(Prescribed::None) => " No targets are given to judge it against.",
        Some(Prescribed::StartingPoint) => {
            " The target is a starting point, not a validated prescription."
        }
        Some(Prescribed::Table) => "",
    }));
    section.answer = spans;
}

const METHOD: [&str; 5] = [
    "Method: levels of sections of 125 ms, half overlapping, per third octave; the 99th percentile is the peak, the 30th the valley. Heard: the long-term average lies above the threshold and the device’s own noise stands 3 dB or more below it. Range heard: part of the range from the 30th to the 99th percentile above the threshold, mean of the bands.",
    "Audibility index: speech intelligibility index, one-third-octave procedure of ANSI S3.5-1997, read in two public implementations that agree; force levels carried to the free field by equal hearing level, our own derivation. It tells what is audible, not what this person understands.",
    "Deviation: long-term average minus target. Tolerances of ±5 dB to 2.5 kHz and ±8 dB at 3.15 and 4 kHz, and 5 dB root mean square: guidance of two professional societies, from memory; 3 dB root mean square for children: doi 10.1080/14992027.2023.2293645, abstract read. The session can set others. Within or outside only if the whole interval lies there.",
    "Changes of gain: own method; per channel the smallest whole step that brings every band at every presented level within tolerance and lifts no 99th percentile of the loudest speech above the uncomfortable level. A device that compresses moves by less than its gain.",
    "Source: sections and percentiles after IEC 60118-15:2012, from memory. Conversion of dial levels: published analysis code of two clinical studies, read.",
];
