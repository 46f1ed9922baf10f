//! Does the noise reduction work?

use super::super::document::{
    BandCurves, Block, Cell, Curves, Doubt, Figure, Section, Series, SeriesRole, Span, Table,
    Trace, Verdict,
};
use super::super::number;
use super::{FEATURES, above_zero, carried, entries, words};
use crate::measurement::noise_reduction_onset::{self as onset, BandOnset};
use crate::measurement::{Kind, Outcome, noise_reduction as pair};
use crate::pipeline::Record;
use crate::quantity::{Reading, Seconds};

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let kinds = [Kind::NoiseReduction, Kind::NoiseReductionOnset];
    let mut carried: Vec<Doubt> = kinds.iter().flat_map(|k| carried(*k, doubts)).collect();
    carried.dedup();
    let mut section = Section {
        question: FEATURES.into(),
        part: Some("Noise reduction"),
        doubts: carried,
        ..Section::default()
    };
    for entry in kinds.iter().flat_map(|kind| entries(record, *kind)) {
        match &entry.outcome {
            Outcome::NoiseReduction(found) => tell_pair(&mut section, found),
            Outcome::NoiseReductionOnset(found) => tell_onset(&mut section, found),
            _ => {}
        }
    }
    let method = METHOD.map(str::to_owned).to_vec();
    section.details.push(Block::Notes(method));
    section
}

fn tell_pair(section: &mut Section, found: &pair::Outcome) {
    lead(section, &Figure::from(&found.broadband));
    let weighted = number::told(&Figure::from(&found.importance_weighted.mean), "dB");
    let share = found
        .importance_weighted
        .share
        .figure()
        .map_or(0.0, |share| share.0);
    section.answer.extend([
        words("Weighted by what each band carries of speech the reduction is "),
        Span::Figure(weighted),
        words(" (from bands that carry "),
        Span::Figure(format!("{}\u{a0}%", number::fixed(share, 0))),
        words("). It is that of steady noise alone. "),
    ]);
    let bands = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    let figures = found.bands.iter().map(|b| Figure::from(&b.noise_reduction));
    let series = vec![row("Gain off − gain on", true, figures)];
    section.blocks.push(picture(
        "Noise reduction per third-octave band",
        bands,
        series,
    ));
}

fn tell_onset(section: &mut Section, found: &onset::Outcome) {
    if section.verdict.is_none() {
        lead(section, &Figure::from(&found.broadband.noise_reduction));
    }
    let told = |figure: &Figure, unit: &str| match figure {
        Figure::Absent(why) => words(format!("not measured: {why}")),
        figure => Span::Figure(number::told(figure, unit)),
    };
    section.answer.extend([
        words("After the noise sets in the gain falls with a time constant of "),
        told(&Figure::from(&found.broadband.time_constant), "s"),
        words("; 90\u{a0}% of the fall is reached after "),
        told(&Figure::from(&found.broadband.time_to_90_percent), "s"),
        words(". "),
    ]);
    let bands = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    let of = |figure: fn(&BandOnset) -> Figure| found.bands.iter().map(figure);
    let series = vec![
        row(
            "Fall of the gain in dB",
            true,
            of(|b| Figure::from(&b.onset.noise_reduction)),
        ),
        row(
            "Time constant in s",
            false,
            of(|b| Figure::from(&b.onset.time_constant)),
        ),
        row(
            "Time to 90\u{a0}% in s",
            false,
            of(|b| Figure::from(&b.onset.time_to_90_percent)),
        ),
    ];
    let title = "Onset of the noise reduction per third-octave band";
    section.blocks.push(picture(title, bands, series));
    section.blocks.extend(over_time(found));
    section.details.push(Block::Table(course(&found.course)));
}

/// The broadband gain over time, its fitted curve and what is read from it.
fn over_time(found: &onset::Outcome) -> Option<Block> {
    let (first, last) = (found.course.first()?, found.course.last()?);
    let begins = found.noise_begins.figure().map(|s| s.0);
    let after = |time: &Reading<Seconds>| Some(begins? + time.figure()?.0);
    let told = |time, name: &str| Some((after(time)?, name.to_owned()));
    let marks = [
        begins.map(|s| (s, "noise sets in".to_owned())),
        told(&found.broadband.time_to_90_percent, "90\u{a0}% of the fall"),
    ];
    let points = found.course.iter();
    let axis = |quantity: &str, unit: &str| [quantity, unit].map(str::to_owned);
    Some(Block::Curves(Curves::Trace(Trace {
        title: "Gain over time after the noise sets in, all bands together".into(),
        description: format!(
            "Gain relative to where it settles: {}\u{a0}dB at {}, {}\u{a0}dB at {}.",
            number::fixed(first.fitted_db, 1),
            number::seconds(first.time_s),
            number::fixed(last.fitted_db, 1),
            number::seconds(last.time_s)
        ),
        axes: [axis("Time in the recording", "s"), axis("Gain", "dB")],
        points: points.clone().map(|p| (p.time_s, p.gain_db)).collect(),
        fitted: points.map(|p| (p.time_s, p.fitted_db)).collect(),
        marks: marks.into_iter().flatten().collect(),
        caption: format!(
            "Dots: force over sound, 0 dB where it settles; line: the fitted curve. Time constant: {}.",
            number::told(&Figure::from(&found.broadband.time_constant), "s")
        ),
        ..Trace::default()
    })))
}

/// The broadband gain over time beside the fitted curve.
fn course(points: &[onset::Point]) -> Table {
    let thin = points.len().div_ceil(COURSE_ROWS).max(1);
    let cell = |figure: f64, digits| Cell::Figure(number::fixed(figure, digits));
    let row = |p: &onset::Point| vec![cell(p.time_s, 2), cell(p.gain_db, 1), cell(p.fitted_db, 1)];
    Table {
        caption: "Gain over time relative to where it settles, and the fitted curve".into(),
        head: ["Time in s", "Gain in dB", "Fitted in dB"]
            .map(str::to_owned)
            .to_vec(),
        rows: points.iter().step_by(thin).map(row).collect(),
    }
}

/// The limit is zero: the gain as before.
fn lead(section: &mut Section, broadband: &Figure) {
    let told = number::told(broadband, "dB");
    let verdict = above_zero(broadband);
    let answer = match (verdict, broadband) {
        (_, Figure::Absent(why)) => {
            section.short = "The noise reduction could not be measured.".into();
            section.headline = section.short.clone();
            section.answer = vec![words(format!("Not measurable: {why}. "))];
            section.verdict = Some(verdict);
            return;
        }
        (Verdict::Within, _) => "It does: steady noise is turned down by ",
        (Verdict::Outside, _) => "No: steady noise comes through louder, by the negative of ",
        _ => "It cannot be told: the gain may be as before. The reduction is ",
    };
    section.short = format!("Steady noise is turned down by {told}.");
    section.headline = match verdict {
        Verdict::Within => section.short.clone(),
        _ => format!("Noise reduction: {told}."),
    };
    if verdict != Verdict::Within {
        section.short = section.headline.clone();
    }
    section.answer = vec![
        words(answer),
        Span::Figure(told),
        words(", all bands together. "),
    ];
    section.verdict = Some(verdict);
}

fn row(name: &str, drawn: bool, figures: impl Iterator<Item = Figure>) -> Series {
    Series::of(name, SeriesRole::Measured, drawn, figures)
}

fn picture(title: &str, bands: Vec<f64>, series: Vec<Series>) -> Block {
    Block::Curves(Curves::Bands(BandCurves {
        title: title.into(),
        description: super::extremes(&series, &bands, "noise reduction"),
        quantity: "Noise reduction".into(),
        unit: "dB".into(),
        bands,
        series,
        zero: Some("0: the gain as before".into()),
        caption: "The block is the figure, the thin line its expanded uncertainty. A block with an open wedge is a bound: “at least”.".into(),
    }))
}

/// Rows of the course at most.
const COURSE_ROWS: usize = 40;

const METHOD: [&str; 4] = [
    "Method: gain is force level minus pressure level at the reference microphone; an unequal presentation and the calibration cancel. Reduction: gain with the noise reduction off minus gain with it on and settled. Onset: the gain over time, from 30 ms after the noise sets in at the microphone, fitted by L_end + D exp(−(t − t0 − hold)/τ) in dB.",
    "Uncertainty: the scatter of the gain in time, correlated residuals counted in, what the filters let in differently, and when the noise sets in.",
    "Source: own wording; IEC 60118-16:2022 has the same aim (title and scope seen, standard not opened). Importance of the bands: ANSI S3.5-1997. The exponential in dB and 90 % of the final reduction are common practice, no source.",
    "Limits: what the device does to steady noise alone says nothing of speech in noise; a single-microphone noise reduction is not expected to make speech easier to understand.",
];
