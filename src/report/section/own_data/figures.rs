//! The figures that stand for the device, in rows, and the steps that could not be used.

use super::super::super::document::{Block, Cell, Figure};
use super::super::super::number;
use super::super::counted;
use super::readable;
use crate::measurement::Outcome;
use crate::measurement::presented::Presented;
use crate::measurement::sensitivity::Polarity;
use crate::measurement::sweep::Summary;
use crate::pipeline::Entry;
use crate::quantity::{Quantity, Reading};

/// One row per figure: name, figure, recording.
pub(super) fn rows(entry: &Entry) -> Vec<Vec<Cell>> {
    let capture = entry.captures.get("capture").map_or("", String::as_str);
    let row = |name: String, told: Cell| vec![Cell::Words(name), told, Cell::Words(capture.into())];
    each(&entry.outcome)
        .into_iter()
        .map(|(name, told)| row(name, told))
        .collect()
}

fn each(outcome: &Outcome) -> Vec<(String, Cell)> {
    match outcome {
        Outcome::OutputForceLevel(found) => summary("OFL90", &found.summary),
        Outcome::FullOnSensitivity(found) => {
            let far = found.far_below_maximum_hz.iter().map(|hz| {
                let name = "More than 15 dB below the maximum: the special-purpose average stands";
                (name.into(), Cell::Figure(number::frequency(*hz)))
            });
            let mut rows = summary("Full-on sensitivity", &found.summary);
            rows.extend(far);
            rows
        }
        Outcome::ForceLevelResponse(found) => vec![
            (
                "Response, high-frequency average".into(),
                told(&found.high_frequency_average),
            ),
            ("Frequency range, from".into(), told(&found.range_from)),
            ("Frequency range, to".into(), told(&found.range_to)),
            (
                "Gain over the reference test setting".into(),
                told(&found.setting_deviation),
            ),
            (
                "Full-on gain over the reference test setting".into(),
                told(&found.full_on_reserve),
            ),
        ],
        Outcome::Sensitivity(found) => {
            let polarity = match found.polarity {
                Polarity::Kept => "a rise of pressure makes a positive force",
                Polarity::Inverted => "a rise of pressure makes a negative force",
                Polarity::NotTold => "not told: the phase lies between both",
            };
            let spread = number::fixed(found.gain_spread_db, 1);
            let spread = Cell::Figure(format!("{spread}\u{a0}dB"));
            vec![
                ("Delay".into(), told(&found.delay)),
                ("Polarity".into(), Cell::Words(polarity.into())),
                ("Gain follows the level of the noise by".into(), spread),
            ]
        }
        Outcome::InputOutput(found) => {
            let of = |name: &str, hz: f64| format!("{name} at {}", number::frequency(hz));
            let curves = found.curves.iter();
            curves
                .flat_map(|c| {
                    [
                        (
                            of("Slope below the knee, dB/dB,", c.nominal_hz),
                            told(&c.slope_below),
                        ),
                        (of("Knee", c.nominal_hz), told(&c.knee)),
                        (
                            of("Slope above the knee, dB/dB,", c.nominal_hz),
                            told(&c.slope),
                        ),
                        (of("Limit", c.nominal_hz), told(&c.limiting)),
                    ]
                })
                .collect()
        }
        Outcome::HarmonicDistortion(found) => {
            let tones = found.tones.iter();
            let name = |hz: f64, db: f64| {
                format!(
                    "Total harmonic distortion, {} at {db} dB SPL",
                    number::frequency(hz)
                )
            };
            tones
                .map(|tone| (name(tone.nominal_hz, tone.level_db), told(&tone.total)))
                .collect()
        }
        Outcome::EquivalentInputNoise(found) => {
            vec![(
                "Equivalent input noise, 200 Hz to 5 kHz".into(),
                told(&found.total),
            )]
        }
        Outcome::AttackRelease(found) => vec![
            ("Attack time".into(), told(&found.attack)),
            ("Release time".into(), told(&found.release)),
        ],
        _ => Vec::new(),
    }
}

/// What stands for the curve of `what`.
fn summary<Q: Quantity>(what: &str, found: &Summary<Q>) -> Vec<(String, Cell)> {
    let at = found.maximum_hz.map(number::frequency);
    let at = at.map_or(String::new(), |hz| format!(" at {hz}"));
    let special = found.special_purpose_average.as_ref();
    let averages = [
        ("high-frequency", Some(&found.high_frequency_average)),
        ("special-purpose", special),
    ];
    let averages = averages
        .into_iter()
        .filter_map(|(name, average)| Some((format!("{what}, {name} average"), told(average?))));
    [(format!("{what}, maximum{at}"), told(&found.maximum))]
        .into_iter()
        .chain(averages)
        .collect()
}

/// The figure with its unit; the reason where there is none.
fn told<Q: Quantity>(reading: &Reading<Q>) -> Cell {
    let unit = match (Q::UNIT, Q::REFERENCE) {
        (unit, Some(reference)) => format!("{unit} re {reference}"),
        (unit, None) => unit.to_owned(),
    };
    let (scale, unit) = readable(&unit);
    match Figure::from(reading) {
        Figure::Absent(why) => Cell::Words(why),
        figure => Cell::Figure(number::told(&figure.scaled(scale), unit)),
    }
}

/// Which steps could not be used and what is missing, in words.
pub(super) fn missing(entry: &Entry) -> Option<Block> {
    let (steps, missing): (&[Presented], Vec<String>) = match &entry.outcome {
        Outcome::OutputForceLevel(found) => (&found.steps, found.missing.clone()),
        Outcome::FullOnSensitivity(found) => (&found.steps, found.missing.clone()),
        Outcome::ForceLevelResponse(found) => (&found.steps, found.missing.clone()),
        Outcome::HarmonicDistortion(found) => (&found.steps, Vec::new()),
        Outcome::InputOutput(found) => {
            let each = found.curves.iter().flat_map(|curve| {
                let tone = number::frequency(curve.nominal_hz);
                curve
                    .missing
                    .iter()
                    .map(move |text| format!("{tone}, {text}"))
            });
            (&found.steps, each.collect())
        }
        _ => return None,
    };
    let capture = entry.captures.get("capture").map_or("", String::as_str);
    let unusable = steps.iter().filter_map(|step| {
        let why = step.verdict.reason()?;
        Some(format!(
            "Not used: {} at {}\u{a0}s: {why}.",
            number::frequency(step.nominal_hz()),
            number::fixed(step.begin_s, 2)
        ))
    });
    let usable = steps.iter().filter(|step| step.usable()).count();
    let counted = format!(
        "“{capture}”: {} found, {usable} of them usable.",
        counted(steps.len(), "step of a tone", "steps of tones")
    );
    let missing = missing.into_iter().map(|text| format!("Missing: {text}."));
    Some(Block::Notes(
        [counted]
            .into_iter()
            .chain(unusable)
            .chain(missing)
            .collect(),
    ))
}
