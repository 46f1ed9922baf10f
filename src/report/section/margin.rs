//! How near to oscillation, and what a change on the bench changed.

use super::super::document::{
    Block, Cell, Curves, Fact, Figure, Post, Ruler, Span, Table, Verdict,
};
use super::super::number;
use super::{capital, capture_of, entries, fact, words};
use crate::measurement::feedback::{Change, Conclusion, Found, Outcome};
use crate::measurement::{self, Kind};
use crate::pipeline::Record;

/// Margins kept before oscillation: 2 dB to 3 dB in public address (van Waterschoot
/// and Moonen 2011, seen); for devices on a bench common practice, no source.
const NEAR_DB: f64 = 6.0;

type Searched<'a> = [(&'a str, &'a Found)];

/// The recordings that were searched, and what was found in each.
pub(super) fn searched(record: &Record) -> Vec<(&str, &Found)> {
    let each = entries(record, Kind::Feedback).filter_map(|entry| match &entry.outcome {
        measurement::Outcome::Feedback(Outcome::Capture(found)) => {
            Some((capture_of(entry), found.as_ref()))
        }
        _ => None,
    });
    each.collect()
}

/// The change from before to after, if the captures allow it.
pub(super) fn change_of(record: &Record) -> Option<&Change> {
    entries(record, Kind::Feedback).find_map(|entry| match &entry.outcome {
        measurement::Outcome::Feedback(Outcome::Pair { change }) => Some(change.as_ref()),
        _ => None,
    })
}

/// What a change on the bench tells of an oscillation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whose {
    /// It was there before the change, and is not after it.
    Stopped,
    /// It is there after the change, and was not before.
    Began,
    /// It is there before and after, and the path back changed.
    Bench,
    /// It is the device's.
    Device,
}

impl Whose {
    /// In a few words.
    pub(super) fn told(self) -> &'static str {
        match self {
            Self::Stopped => "it stopped once the bench was changed",
            Self::Began => "it began once the bench was changed",
            Self::Bench => "what changed is the bench",
            Self::Device => "it is the device, not the bench",
        }
    }
}

/// What a change on the bench tells of an oscillation in `capture`, if there was one;
/// `rings` says which captures oscillate.
pub(super) fn whose(record: &Record, capture: &str, rings: impl Fn(&str) -> bool) -> Option<Whose> {
    let mut pairs = entries(record, Kind::Feedback).filter_map(|entry| match &entry.outcome {
        measurement::Outcome::Feedback(Outcome::Pair { change }) => {
            let of = |part| entry.captures.get(part).map(String::as_str);
            Some((of("before")?, of("after")?, change.conclusion))
        }
        _ => None,
    });
    let (before, after, conclusion) =
        pairs.find(|(before, after, _)| [*before, *after].contains(&capture))?;
    match conclusion {
        Conclusion::Bench if !rings(after) => Some(Whose::Stopped),
        Conclusion::Bench if !rings(before) => Some(Whose::Began),
        Conclusion::Bench => Some(Whose::Bench),
        Conclusion::Device => Some(Whose::Device),
        Conclusion::NoChange | Conclusion::CannotBeTold => None,
    }
}

/// The least margin among the captures that do not oscillate, and its capture.
fn least<'a>(searched: &Searched<'a>) -> Option<(&'a str, &'a Found, Figure)> {
    searched
        .iter()
        .filter(|(_, found)| found.events.is_empty())
        .map(|(name, found)| (*name, *found, Figure::from(&found.margin.gain_margin)))
        .filter(|(.., figure)| matches!(figure, Figure::Measured(..)))
        .min_by(|(.., a), (.., b)| {
            let value = |figure: &Figure| figure.value().unwrap_or(f64::INFINITY);
            value(a).total_cmp(&value(b))
        })
}

/// Where the margin that was measured is least: frequency in Hz and margin in dB.
pub(super) fn least_at(record: &Record) -> Option<(f64, f64)> {
    let (_, found, margin) = least(&searched(record))?;
    Some((found.margin.frequency_hz?, margin.value()?))
}

/// Decibels left and what changed, in running text.
pub(super) fn sentences(record: &Record, searched: &Searched<'_>) -> Vec<Span> {
    let mut told = Vec::new();
    let bounds = searched.iter().any(|(_, found)| {
        found.events.is_empty()
            && matches!(Figure::from(&found.margin.gain_margin), Figure::AtMost(_))
    });
    match least(searched) {
        Some((name, _, figure)) => {
            told.push(words(
                "The smallest margin measured before it would start is ",
            ));
            told.push(Span::Figure(number::told(&figure, "dB")));
            told.push(words(format!(", in the recording “{name}”.")));
            if bounds {
                told.push(words(
                    " Of some other recordings only an upper bound is known.",
                ));
            }
        }
        None => told.push(words(
            "How many decibels are left could not be measured; record 10 s of steady noise.",
        )),
    }
    if let Some(change) = change_of(record) {
        told.push(words(format!(" {}", concluded(change))));
    }
    told
}

/// Whether a measured margin is so small that it wants attention.
pub(super) fn verdict(searched: &Searched<'_>) -> Verdict {
    match least(searched).and_then(|(.., figure)| figure.interval()) {
        Some((low, _)) if low < NEAR_DB => Verdict::Doubtful,
        _ => Verdict::Within,
    }
}

/// The least margin in a few words.
pub(super) fn short(searched: &Searched<'_>) -> String {
    least(searched).map_or("The margin was not measured.".into(), |(.., figure)| {
        format!(
            "The smallest margin measured is {}.",
            number::told(&figure, "dB")
        )
    })
}

fn concluded(change: &Change) -> String {
    let reason = &change.reason;
    match change.conclusion {
        Conclusion::Bench => format!("What changed is the bench: {reason}."),
        Conclusion::Device => format!("It is the device, not the bench: {reason}."),
        Conclusion::NoChange => format!("The change on the bench changed nothing: {reason}."),
        Conclusion::CannotBeTold => format!("Whether the bench changed cannot be told: {reason}."),
    }
}

/// Ruler, table and change.
pub(super) fn blocks(record: &Record, searched: &Searched<'_>) -> Vec<Block> {
    let mut blocks = vec![ruler(searched), Block::Table(table(searched))];
    if let Some(change) = change_of(record) {
        blocks.push(Block::Facts(facts(change)));
    }
    blocks
}

fn ruler(searched: &Searched<'_>) -> Block {
    let posts: Vec<Post> = searched
        .iter()
        .map(|(name, found)| Post {
            name: (*name).to_owned(),
            figure: Figure::from(&found.margin.gain_margin),
        })
        .filter(|post| post.figure.value().is_some())
        .collect();
    let told = posts.iter().map(|post| {
        let figure = number::told(&post.figure, "dB");
        format!("{}: {figure}", post.name)
    });
    Block::Curves(Curves::Ruler(Ruler {
        title: "Margin before oscillation".into(),
        description: format!(
            "A ruler in dB; zero is the edge where it oscillates. {}.",
            capital(&told.collect::<Vec<_>>().join("; "))
        ),
        unit: "dB".into(),
        asked_for: NEAR_DB,
        posts,
    }))
}

fn table(searched: &Searched<'_>) -> Table {
    let row = |(name, found): &(&str, &Found)| {
        let margin = &found.margin;
        let figure = Figure::from(&margin.gain_margin);
        let note = match &margin.gain_margin {
            crate::quantity::Reading::Measured(..) => String::new(),
            crate::quantity::Reading::AtMost(_, why)
            | crate::quantity::Reading::AtLeast(_, why)
            | crate::quantity::Reading::NotMeasured(why) => why.clone(),
        };
        let or_absent = |text: Option<String>| Cell::Figure(text.unwrap_or(number::ABSENT.into()));
        vec![
            Cell::Words((*name).to_owned()),
            Cell::Figure(number::pair(&figure)),
            or_absent(margin.frequency_hz.map(number::frequency)),
            or_absent(margin.loop_delay_s.map(|s| number::fixed(1000.0 * s, 2))),
            Cell::Words(note),
        ]
    };
    Table {
        caption: "Margin before oscillation".into(),
        head: [
            "Recording",
            "Margin, dB",
            "Worst at",
            "Loop delay, ms",
            "Note",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: searched.iter().map(row).collect(),
    }
}

fn facts(change: &Change) -> Vec<Fact> {
    let mut facts = vec![
        fact("Before and after", concluded(change)),
        fact(
            "Margin",
            match Figure::from(&change.margin_change) {
                Figure::Absent(why) => format!("change not measured: {why}"),
                figure => format!("after minus before {}", number::told(&figure, "dB")),
            },
        ),
    ];
    let frequencies = |list: &[crate::measurement::feedback::change::Rings]| {
        let each = list
            .iter()
            .map(|rings| number::frequency(rings.frequency_hz));
        each.collect::<Vec<_>>().join(", ")
    };
    for (name, list) in [
        ("Oscillations gone", &change.events_gone),
        ("Oscillations new", &change.events_new),
    ] {
        if !list.is_empty() {
            facts.push(fact(name, frequencies(list)));
        }
    }
    facts
}

/// What to try on the bench.
pub(super) const ADVICE: &str = "If it feeds back or is near it: drape the cable loosely and keep it off the floor, check the coupling and the position of the reference microphone, reseat the device, and repeat the recording.";

/// How the margin is computed.
pub(super) const METHOD: [&str; 3] = [
    "Margin: the closed loop H = A/(1 − A F) of device A and feedback path F has an inverse of exactly two terms, 1/H = 1/A − F. In the inverse of the transfer from microphone to force the device stands early, what comes back one delay later; they are cut apart, and A F follows at every frequency. The margin is −20 lg of the greatest A F that comes back in phase.",
    "Source: loop and margin after van Waterschoot and Moonen 2011, Proc. IEEE 99(2), 288–327, read; random errors after Bendat and Piersol, from a public transcription; the use of the inverse is our own and held against simulated loops (docs/feedback.md).",
    "Limits: the margin holds for this bench and the gains of the recording. As far as the reference microphone hears what comes back, it is overstated. Where the gain follows the level of speech, only a bound is told.",
];
