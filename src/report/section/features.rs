//! Do the directional microphones favour the front?

use super::super::document::{
    BandCurves, Block, Curves, Doubt, Figure, Section, Series, SeriesRole, Span, Verdict,
};
use super::super::number;
use super::{FEATURES, above_zero, carried, entries, words};
use crate::measurement::importance::Weighted;
use crate::measurement::{Kind, Outcome};
use crate::pipeline::Record;

/// Of one recording for each direction.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    told(record, doubts, Kind::Directional, "Front and back", METHOD)
}

/// Of one recording, in which both directions sound.
pub(super) fn at_once(record: &Record, doubts: &[Doubt]) -> Section {
    let part = "Front and back at once";
    let kind = Kind::DirectionalAtOnce;
    told(record, doubts, kind, part, METHOD_AT_ONCE)
}

fn told(
    record: &Record,
    doubts: &[Doubt],
    kind: Kind,
    part: &'static str,
    method: [&str; 3],
) -> Section {
    let mut section = Section {
        question: FEATURES.into(),
        part: Some(part),
        doubts: carried(kind, doubts),
        ..Section::default()
    };
    for entry in entries(record, kind) {
        let (broadband, weighted, bands): (_, _, Vec<_>) = match &entry.outcome {
            Outcome::Directional(found) => {
                let bands = found.bands.iter().map(|b| (b.band, &b.front_to_back));
                (
                    &found.broadband,
                    &found.importance_weighted,
                    bands.collect(),
                )
            }
            Outcome::DirectionalAtOnce(found) => {
                let bands = found.bands.iter().map(|b| (b.band, &b.front_to_back));
                (
                    &found.broadband,
                    &found.importance_weighted,
                    bands.collect(),
                )
            }
            _ => continue,
        };
        answer(&mut section, &Figure::from(broadband));
        section.answer.extend(for_speech(weighted));
        let figures = bands.into_iter();
        let figures = figures.map(|(band, figure)| (band.nominal_hz(), Figure::from(figure)));
        section.blocks.push(picture(figures));
    }
    let method = method.map(str::to_owned).to_vec();
    section.details.push(Block::Notes(method));
    section
}

fn answer(section: &mut Section, broadband: &Figure) {
    // The limit is zero: front and back alike.
    let verdict = above_zero(broadband);
    let told = number::told(broadband, "dB");
    let difference = match verdict {
        Verdict::Within => {
            "The directional microphones do: sound from the front comes through stronger than the same sound from behind, by "
        }
        Verdict::Doubtful => "It cannot be told: front and back may be alike. Front minus back is ",
        Verdict::Outside => {
            "No: sound from behind comes through stronger than from the front. Front minus back is "
        }
        Verdict::NotMeasurable => {
            section.short = "Front and back could not be compared.".into();
            section.headline = section.short.clone();
            section.verdict = Some(verdict);
            let why = match broadband {
                Figure::Absent(why) => why.as_str(),
                _ => "there is no figure",
            };
            section.answer = vec![words(format!("Not measurable: {why}."))];
            return;
        }
    };
    section.short = match verdict {
        Verdict::Within => {
            format!("Front stands {told} above back.")
        }
        _ => format!("Front minus back is {told}."),
    };
    section.headline = match verdict {
        Verdict::Within => format!("Sound from the front stands {told} above sound from behind."),
        Verdict::Outside => format!(
            "Sound from behind is stronger than from the front: front minus back is {told}."
        ),
        _ => format!("Whether the front is favoured cannot be told: front minus back is {told}."),
    };
    section.answer = vec![
        words(difference),
        Span::Figure(told),
        words(
            " (all bands together; judged against 0\u{a0}dB). This is one pair of directions, not a directivity index.",
        ),
    ];
    section.verdict = Some(verdict);
}

/// The weighted mean, if there is one.
fn for_speech(weighted: &Weighted) -> Vec<Span> {
    let Some(share) = weighted.share.figure().filter(|share| share.0 > 0.0) else {
        return Vec::new();
    };
    vec![
        words(" Weighted by what each band carries of speech, front minus back is "),
        Span::Figure(number::told(&Figure::from(&weighted.mean), "dB")),
        words(" (from bands that carry "),
        Span::Figure(format!("{}\u{a0}%", number::fixed(share.0, 0))),
        words(")."),
    ]
}

fn picture(of: impl Iterator<Item = (f64, Figure)>) -> Block {
    let (bands, figures): (Vec<f64>, Vec<Figure>) = of.unzip();
    let series = vec![Series::of(
        "Front − back",
        SeriesRole::Measured,
        true,
        figures,
    )];
    Block::Curves(Curves::Bands(BandCurves {
        title: "Front-to-back difference per third-octave band".into(),
        description: super::extremes(&series, &bands, "front-to-back difference"),
        quantity: "Front to back".into(),
        unit: "dB".into(),
        bands,
        series,
        zero: Some("0: front and back alike".into()),
        caption: "The block is the figure, the thin line its expanded uncertainty. A block with an open wedge is a bound: “at least”.".into(),
    }))
}

const METHOD: [&str; 3] = [
    "Method: gain of each recording in each band, force level minus pressure level at the reference microphone; front gain minus back gain. The calibration of both channels cancels; the uncertainty comes from the scatter of the gain in time and from what the filters let in differently. Where a recording without stimulus is given, a front force or a sound less than 3 dB above it is not measurable, a back force less than 3 dB above it makes the difference a lower bound, and what the noise adds is a part of the uncertainty.",
    "Source: own wording of the common definition. The correction by the reference microphone is common practice, no source. Importance of the bands: ANSI S3.5-1997, from two public implementations. Scatter of a ratio of means: delta method, textbook, remembered.",
    "Limits: a box that is not closed, or a device that still adapts, changes the figure.",
];

const METHOD_AT_ONCE: [&str; 3] = [
    "Method: both loudspeakers play at once, each its own tones. Gain at every tone, force over sound at the reference microphone; in each band a straight line over the logarithm of frequency and a step between the sides are fitted, and the step is the difference. The calibration of both channels cancels; the uncertainty comes from what the fit leaves. A side whose tones stand less than 10 dB above the silent lines between them is not measurable; of the back force that makes the difference a lower bound.",
    "Source: own wording and own choice of the tones. Least squares and Student's factor: textbook. Importance of the bands: ANSI S3.5-1997, from two public implementations.",
    "Limits: a device that adapts hears both sides at once; its figure is not that of one sound after the other.",
];
