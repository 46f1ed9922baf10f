//! Does the device raise speech out of noise?

use super::super::document::{
    BandCurves, Block, Curves, Doubt, Fact, Figure, Section, Series, SeriesRole, Span, Verdict,
};
use super::super::number;
use super::{FEATURES, above_zero, carried, entries, fact, words};
use crate::measurement::phase_inversion::{BandChange, Match, Outcome};
use crate::measurement::{self, Kind};
use crate::pipeline::Record;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let mut section = Section {
        question: FEATURES.into(),
        part: Some("Speech in noise"),
        doubts: carried(Kind::PhaseInversion, doubts),
        ..Section::default()
    };
    for entry in entries(record, Kind::PhaseInversion) {
        if let measurement::Outcome::PhaseInversion(found) = &entry.outcome {
            answer(&mut section, found);
            section.blocks.push(picture(found));
            section.blocks.push(Block::Facts(left_over(found)));
            let pairs = [("off", &found.off), ("on", &found.on)];
            let matched = pairs.map(|(name, pair)| matched(name, pair));
            section.details.push(Block::Facts(matched.to_vec()));
        }
    }
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
}

/// The limit is zero: speech over noise as without the feature.
fn answer(section: &mut Section, found: &Outcome) {
    let weighted = Figure::from(&found.importance_weighted.mean);
    let told = number::told(&weighted, "dB");
    let verdict = above_zero(&weighted);
    section.verdict = Some(verdict);
    let (headline, lead) = match (verdict, &weighted) {
        (_, Figure::Absent(why)) => {
            section.short = "Speech and noise could not be told apart.".into();
            section.headline = section.short.clone();
            let why = match Figure::from(&found.broadband.signal_to_noise_change) {
                Figure::Absent(cause) => cause,
                _ => why.clone(),
            };
            section.answer = vec![words(format!("Not measurable: {why}."))];
            return;
        }
        (Verdict::Within, _) => (
            format!("With the feature on, speech stands {told} further above noise."),
            "It does: weighted by what each band carries of speech, the signal-to-noise ratio rises by ",
        ),
        (Verdict::Outside, _) => (
            format!(
                "With the feature on, speech sinks into noise: its signal-to-noise ratio changes by {told}."
            ),
            "No: weighted by what each band carries of speech, the signal-to-noise ratio changes by ",
        ),
        _ => (
            format!("Whether speech is raised out of noise cannot be told: {told}."),
            "As far as can be told it stays as it was: weighted by what each band carries of speech, the signal-to-noise ratio changes by ",
        ),
    };
    section.short = headline.clone();
    section.headline = headline;
    let share = found.importance_weighted.share.figure();
    let broadband = |reading| number::told(&Figure::from(reading), "dB");
    section.answer = vec![
        words(lead),
        Span::Figure(told),
        words(format!(
            " (from bands that carry {}\u{a0}%). All bands together speech is turned down by ",
            number::fixed(share.map_or(0.0, |share| share.0), 0)
        )),
        Span::Figure(broadband(&found.broadband.speech_loss)),
        words(", noise by "),
        Span::Figure(broadband(&found.broadband.noise_reduction)),
        words("."),
    ];
}

fn picture(found: &Outcome) -> Block {
    let bands: Vec<f64> = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    let row = |name: &str, drawn, of: fn(&BandChange) -> Figure| {
        Series::of(
            name,
            SeriesRole::Measured,
            drawn,
            found.bands.iter().map(of),
        )
    };
    let series = vec![
        row("Speech over noise, change", true, |b| {
            Figure::from(&b.change.signal_to_noise_change)
        }),
        row("Speech turned down", false, |b| {
            Figure::from(&b.change.speech_loss)
        }),
        row("Noise turned down", false, |b| {
            Figure::from(&b.change.noise_reduction)
        }),
        row("Left of one in the other", false, |b| {
            Figure::from(&b.left_over)
        }),
    ];
    Block::Curves(Curves::Bands(BandCurves {
        title: "Change of the signal-to-noise ratio per third-octave band".into(),
        description: super::extremes(&series, &bands, "change"),
        quantity: "Change".into(),
        unit: "dB".into(),
        bands,
        series,
        zero: Some("0: speech over noise as before".into()),
        caption: "Drawn: signal-to-noise ratio with the feature on minus off. The block is the figure, the thin line its expanded uncertainty; above 0 speech gains.".into(),
    }))
}

/// How well speech and noise came apart, at worst.
fn left_over(found: &Outcome) -> Vec<Fact> {
    let told = found.bands.iter().filter_map(|band| {
        let left = Figure::from(&band.left_over).value()?;
        band.change.signal_to_noise_change.figure()?;
        Some((band.band.nominal_hz(), left))
    });
    let text = match told.max_by(|a, b| a.1.total_cmp(&b.1)) {
        Some((hz, left)) => format!(
            "at most {}\u{a0}dB of speech in the noise or of noise in the speech, at {}",
            number::fixed(left, 0),
            number::band(hz)
        ),
        None => "no bound in any band with a figure".into(),
    };
    vec![fact("What may be left", text)]
}

/// How one pair of recordings was matched.
fn matched(name: &str, pair: &Match) -> Fact {
    let told = |figure: Figure, unit| match figure {
        Figure::Absent(why) => format!("not measured ({why})"),
        figure => number::told(&figure, unit),
    };
    let milliseconds = Figure::from(&pair.delay).scaled(1000.0);
    let overlap = match Figure::from(&pair.overlap) {
        Figure::Measured(s, _) => Figure::Measured(s, None),
        figure => figure,
    };
    fact(
        &format!("The pair with the feature {name}"),
        format!(
            "second recording later by {}, louder by {}; both hold {}",
            told(milliseconds, "ms"),
            told(Figure::from(&pair.gain), "dB"),
            told(overlap, "s"),
        ),
    )
}

const METHOD: [&str; 4] = [
    "Method: two recordings of the same speech and noise, in one of them the noise inverted; after delay and gain between them are taken out, half their sum is the speech, half their difference the noise, in force and sound. Signal-to-noise ratio of the force minus that of the sound, feature on minus off.",
    "Uncertainty: the scatter of the ratios in time, what an imperfect match may leave of one in the other, and the noise without stimulus. A band in which either comes within 10 dB of speech or noise has no figure.",
    "Source: B. Hagerman and Å. Olofsson 2004, from memory; matching of the recordings: own method. Importance of the bands: ANSI S3.5-1997, from two public implementations.",
    "Limits: the ratio is no measure of understanding; a device may raise it and distort the speech.",
];
