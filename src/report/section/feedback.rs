//! Is it feeding back?

use std::collections::BTreeMap;

use super::super::document::{
    Block, Called, Cell, Curves, Doubt, Fact, Figure, LevelMap, Line, Lines, Maps, Section, Span,
    Table, Verdict,
};
use super::super::number;
use super::{FEEDBACK, carried, counted, fact, margin, ripple, words};
use crate::measurement::Kind;
use crate::measurement::feedback::{Event, Explanation, Found};
use crate::pipeline::Record;

/// Explained lines told one by one; the record holds all.
const TOLD: usize = 40;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let searched = margin::searched(record);
    let ringing: Vec<&(&str, &Found)> = searched
        .iter()
        .filter(|(_, o)| !o.events.is_empty())
        .collect();
    let events: Vec<(&str, &Event)> = ringing
        .iter()
        .flat_map(|(name, outcome)| outcome.events.iter().map(move |event| (*name, event)))
        .collect();
    let explained: usize = searched.iter().map(|(_, o)| o.explained.len()).sum();
    let recordings = counted(searched.len(), "recording", "recordings");

    let among = match searched.len() {
        1 => "one recording".to_owned(),
        _ => format!("{} of {recordings}", number::count(ringing.len())),
    };
    let mut section = Section {
        question: FEEDBACK.into(),
        doubts: carried(Kind::Feedback, doubts),
        ..Section::default()
    };
    let longest = events
        .iter()
        .max_by(|(_, a), (_, b)| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)));
    if let Some((name, event)) = longest {
        let at = number::frequency(event.frequency_hz);
        let lasting = number::seconds(event.end_s - event.start_s);
        let found = counted(events.len(), "oscillation", "oscillations");
        section.verdict = Some(Verdict::Outside);
        let rings = |name: &str| events.iter().any(|(of, _)| *of == name);
        let whose = margin::whose(record, name, rings);
        // What a change on the bench ended is told as past.
        let over = events.iter().all(|(of, _)| {
            matches!(
                margin::whose(record, of, rings),
                Some(margin::Whose::Stopped)
            )
        });
        if over {
            section.verdict = Some(Verdict::Doubtful);
            section.called = Some(Called::Answer("fed back"));
            let left = margin::short(&searched);
            section.short = format!(
                "Not since the bench was changed. {left} Before, it rang at {at} for {lasting}."
            );
            section.headline = format!(
                "Feedback rang at {at} for {lasting} in the recording “{name}”, and no more once the bench was changed."
            );
        } else {
            let whose = whose.map_or(String::new(), |whose| format!("; {}", whose.told()));
            section.short =
                format!("Yes: {found} in {among}, the longest at {at} for {lasting}{whose}.");
            section.headline = format!(
                "It feeds back: the force rings at {at} for {lasting} in the recording “{name}”{whose}."
            );
        }
        let (answer, holds) = match over {
            true => ("Not since the bench was changed", "held"),
            false => ("Yes", "holds"),
        };
        section.answer = vec![
            words(format!("{answer}. In the recording ")),
            words(format!("“{name}” the force {holds} a line at ")),
            Span::Figure(at),
            words(" for "),
            Span::Figure(lasting),
            words(", at "),
            Span::Figure(number::told(&Figure::from(&event.level), "dB re 1 µN")),
            words(format!(
                ", that the sound at the microphone does not explain. Found in all: {found} in {among}. "
            )),
        ];
        section.answer.extend(margin::sentences(record, &searched));
    } else {
        section.verdict = Some(margin::verdict(&searched));
        section.short = format!(
            "No oscillation in {recordings}. {}",
            margin::short(&searched)
        );
        section.headline = format!("No oscillation was found in {recordings}.");
        let others = match explained {
            0 => String::new(),
            n => format!(
                " {} had another explanation.",
                super::capital(&counted(n, "lasting line", "lasting lines"))
            ),
        };
        section.answer = vec![words(format!(
            "No oscillation was found in {recordings}.{others} "
        ))];
        section.answer.extend(margin::sentences(record, &searched));
    }
    for (name, outcome) in &ringing {
        section.blocks.push(picture(record, name, outcome));
    }
    if !events.is_empty() {
        section.blocks.push(Block::Table(events_table(&events)));
        section.blocks.push(Block::Table(courses_table(&events)));
    }
    section.blocks.extend(margin::blocks(record, &searched));
    section
        .blocks
        .push(Block::Notes(vec![margin::ADVICE.to_owned()]));
    let reasons = reasons(&searched);
    if !reasons.is_empty() {
        section.blocks.push(Block::Facts(reasons));
    }
    for (name, outcome) in &searched {
        if outcome.events.is_empty() && !outcome.explained.is_empty() {
            section.details.push(picture(record, name, outcome));
        }
    }
    if explained > 0 {
        section
            .details
            .push(Block::Table(explained_table(&searched)));
    }
    section.details.extend(ripple::blocks(&searched));
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
        .details
        .push(Block::Notes(vec![ripple::METHOD.to_owned()]));
    section
        .details
        .push(Block::Notes(margin::METHOD.map(str::to_owned).to_vec()));
    section
}

/// The maps of a recording that rings, else its lines.
fn picture(record: &Record, name: &str, outcome: &Found) -> Block {
    let lines = strip(record, name, outcome);
    let Some(map) = &outcome.map else {
        return Block::Curves(Curves::Lines(lines));
    };
    let side = |name: &str, levels: &[Vec<Option<f64>>]| LevelMap {
        name: name.into(),
        levels: levels.to_vec(),
    };
    Block::Curves(Curves::Maps(Maps {
        lines: Lines {
            title: format!("What the force and the sound held, recording “{name}”"),
            ..lines
        },
        bands: map.nominal_hz.clone(),
        step_s: map.step_s,
        maps: [
            side("Force", &map.force_db),
            side("Sound at the microphone", &map.microphone_db),
        ],
    }))
}

fn strip(record: &Record, name: &str, outcome: &Found) -> Lines {
    let read = record.captures.iter().find(|capture| capture.name == name);
    let lines: Vec<Line> = outcome
        .events
        .iter()
        .map(|e| (e.frequency_hz, e.start_s, e.end_s, true))
        .chain(
            outcome
                .explained
                .iter()
                .map(|e| (e.frequency_hz, e.start_s, e.end_s, false)),
        )
        .map(|(frequency_hz, from_s, to_s, event)| Line {
            frequency_hz,
            from_s,
            to_s,
            event,
        })
        .collect();
    let end = lines.iter().map(|line| line.to_s).fold(0.0, f64::max);
    let told: Vec<String> = outcome
        .events
        .iter()
        .map(|e| {
            format!(
                "an oscillation at {} from {} to {}",
                number::frequency(e.frequency_hz),
                number::fixed(e.start_s, 1),
                number::seconds(e.end_s)
            )
        })
        .chain((!outcome.explained.is_empty()).then(|| {
            let n = outcome.explained.len();
            counted(
                n,
                "line with another explanation",
                "lines with another explanation",
            )
        }))
        .collect();
    Lines {
        title: format!("Lasting lines of the force, recording “{name}”"),
        description: format!("{}.", super::capital(&told.join(", "))),
        duration_s: read.map_or(end, |read| read.duration_s).max(end),
        lines,
    }
}

fn events_table(events: &[(&str, &Event)]) -> Table {
    let row = |(name, event): &(&str, &Event)| {
        vec![
            Cell::Words((*name).to_owned()),
            Cell::Figure(number::frequency(event.frequency_hz)),
            Cell::Figure(span(event.start_s, event.end_s)),
            Cell::Figure(number::pair(&Figure::from(&event.level))),
            Cell::Figure(number::fixed(event.tone_to_noise_db, 1)),
            Cell::Figure(
                event
                    .excess_db
                    .map_or(number::ABSENT.into(), |db| number::fixed(db, 1)),
            ),
            Cell::Figure(number::fixed(event.confidence, 2)),
        ]
    };
    Table {
        caption: "Oscillations".into(),
        head: [
            "Recording",
            "Frequency",
            "From, to, s",
            "Level, dB re 1 µN",
            "Above noise, dB",
            "Excess, dB",
            "Sureness",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: events.iter().map(row).collect(),
    }
}

/// What else is known of each: apart, for one table of it all is wider than a terminal.
fn courses_table(events: &[(&str, &Event)]) -> Table {
    let row = |(name, event): &(&str, &Event)| {
        vec![
            Cell::Words((*name).to_owned()),
            Cell::Figure(number::frequency(event.frequency_hz)),
            Cell::Figure(format!(
                "{} to {}",
                number::fixed(event.lowest_hz, 0),
                number::fixed(event.highest_hz, 0)
            )),
            Cell::Figure(number::fixed(event.prominence_db, 1)),
            Cell::Figure(number::fixed(event.growth_db_per_s, 0)),
        ]
    };
    Table {
        caption: "How the oscillations ran".into(),
        head: [
            "Recording",
            "Frequency",
            "Ran through, Hz",
            "Prominence, dB",
            "Growth, dB/s",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: events.iter().map(row).collect(),
    }
}

fn span(from_s: f64, to_s: f64) -> String {
    format!("{} to {}", number::fixed(from_s, 1), number::fixed(to_s, 1))
}

fn told(explanation: Explanation) -> &'static str {
    match explanation {
        Explanation::InTheRoom => "the same line stands in the sound at the microphone",
        Explanation::Harmonic => "a multiple of a stronger line",
        Explanation::Product => "a product of much stronger lines",
        Explanation::Ringing => "the loop rings there while sound feeds it, near oscillation",
        Explanation::Mains => {
            "hum: a steady line at a multiple of the mains frequency, no feedback"
        }
        Explanation::IdleTone => {
            "an idle tone: the device or the recorder makes it by itself, steadily and weakly, no feedback"
        }
    }
}

/// How many lines have which explanation, in words.
fn reasons(searched: &[(&str, &Found)]) -> Vec<Fact> {
    let mut by_reason: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for line in searched.iter().flat_map(|(_, o)| &o.explained) {
        by_reason
            .entry(told(line.explanation))
            .or_default()
            .push(line.frequency_hz);
    }
    let each = by_reason.iter().map(|(reason, hz)| {
        let lowest = hz.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = hz.iter().copied().fold(0.0, f64::max);
        let range = match hz.len() {
            1 => format!("at {}", number::frequency(lowest)),
            _ => format!(
                "from {} to {}",
                number::frequency(lowest),
                number::frequency(highest)
            ),
        };
        let name = format!(
            "{} explained",
            super::capital(&counted(hz.len(), "line", "lines"))
        );
        fact(&name, format!("{range}: {reason}"))
    });
    each.collect()
}

fn explained_table(searched: &[(&str, &Found)]) -> Table {
    let lines = searched
        .iter()
        .flat_map(|(name, outcome)| outcome.explained.iter().map(move |line| (*name, line)));
    let row = |(name, line): (&str, &crate::measurement::feedback::Explained)| {
        vec![
            Cell::Words(name.to_owned()),
            Cell::Figure(number::frequency(line.frequency_hz)),
            Cell::Figure(span(line.start_s, line.end_s)),
            Cell::Words(told(line.explanation).to_owned()),
        ]
    };
    let all = lines.clone().count();
    let caption = if all > TOLD {
        format!("Explained lines, the first {TOLD} of {all}; the record holds all")
    } else {
        "Explained lines".to_owned()
    };
    Table {
        caption,
        head: ["Recording", "Frequency", "From, to, s", "Explanation"]
            .map(str::to_owned)
            .to_vec(),
        rows: lines.take(TOLD).map(row).collect(),
    }
}

const METHOD: [&str; 5] = [
    "Method: lines of the force spectrum that stand above the noise of their critical band are followed through time. Where both channels share a signal beside the line, their ratio there says how much force the sound at the line’s frequency would make; what goes beyond is the excess. A line that lasts, stands out and exceeds is an oscillation, unless it is a multiple or product of a stronger line. A line that neither begins nor ends nor changes within the recording is hum at a multiple of the mains frequency and an idle tone below 70 dB re 1 µN, for an oscillation grows to what the device allows.",
    "Tone to noise: power of the line over that of the noise of its critical band, mean over its time. Prominence: power of its critical band over the mean of the two beside it. Growth: the steepest rise within the first half second; an unstable loop grows by what is too much of its gain once a round. Ran through: the lowest and the highest frequency of the track.",
    "Sureness, from 0 to 1, rises with the distance from the noise (full at 15 dB), the duration (full at 1 s) and the excess (full at 12 dB). It is a ranking, not a probability.",
    "Source: tone-to-noise ratio and critical bands after ECMA-418-1, from a public transcription. Persistence as the most telling single evidence: Mounir, Bernardi and van Waterschoot 2025, doi 10.1186/s13636-025-00399-1, read. The excess over the microphone channel is our own method.",
    "Limits: an oscillation whose sound reaches the reference microphone as strongly as the device’s own microphone looks like sound of the room and is missed.",
];
