//! Do the directional microphones work?

use super::super::document::{
    BandCurves, Block, Curves, Doubt, Figure, Section, Series, SeriesRole, Span, Verdict,
};
use super::super::number;
use super::{above_zero, carried, entries, words};
use crate::measurement::Kind;
use crate::measurement::directional::Outcome;
use crate::pipeline::Record;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let mut section = Section {
        question: "Do the directional microphones work?".into(),
        in_part: true,
        doubts: carried(Kind::Directional, doubts),
        ..Section::default()
    };
    for entry in entries(record, Kind::Directional) {
        if let crate::measurement::Outcome::Directional(outcome) = &entry.outcome {
            answer(&mut section, &Figure::from(&outcome.broadband));
            section.answer.extend(for_speech(outcome));
            section.blocks.push(picture(outcome));
        }
    }
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
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
fn for_speech(outcome: &Outcome) -> Vec<Span> {
    let weighted = &outcome.importance_weighted;
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

fn picture(outcome: &Outcome) -> Block {
    let figures = outcome.bands.iter().map(|b| Figure::from(&b.front_to_back));
    let bands: Vec<f64> = outcome.bands.iter().map(|b| b.band.nominal_hz()).collect();
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
