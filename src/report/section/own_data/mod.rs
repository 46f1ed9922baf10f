//! Is the device within its own data?

mod figures;
mod pictures;
mod sheet;

use super::super::document::{Block, Doubt, Figure, Section, Span, Table};
use super::super::number;
use super::{OWN_DATA, carried, entries, words};
use crate::assessment::data_sheet::Line;
use crate::assessment::{Outcome as Assessed, method_difference};
use crate::measurement::sweep::Point;
use crate::measurement::{Kind, Outcome, equivalent_input_noise as noise, sensitivity};
use crate::pipeline::Record;
use pictures::{OverFrequency, limits};

/// What it tells, in its order.
pub(super) const TOLD: [Kind; 8] = [
    Kind::OutputForceLevel,
    Kind::FullOnSensitivity,
    Kind::ForceLevelResponse,
    Kind::Sensitivity,
    Kind::InputOutput,
    Kind::HarmonicDistortion,
    Kind::EquivalentInputNoise,
    Kind::AttackRelease,
];

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let mut found: Vec<Doubt> = TOLD.iter().flat_map(|k| carried(*k, doubts)).collect();
    found.sort_by_key(|doubt| doubt.letter);
    found.dedup();
    let mut section = Section {
        question: OWN_DATA.into(),
        short: "No data sheet was given: figures without a verdict.".into(),
        doubts: found,
        cautions: vec![CAUTION.into()],
        ..Section::default()
    };
    let (mut sheet, mut methods) = (None, None);
    for assessment in &record.assessments {
        match &assessment.outcome {
            Assessed::DataSheet(found) => sheet = Some(found),
            Assessed::MethodDifference(found) => methods = Some(found),
            _ => {}
        }
    }
    let lines = sheet.map_or(&[][..], |sheet| sheet.lines.as_slice());
    match sheet {
        Some(sheet) => sheet::judge(&mut section, sheet),
        None => section.answer.push(words(
            "No data sheet is named in the session (`data_sheet` of `[device]`): what was measured follows without a verdict. ",
        )),
    }
    let measured: Vec<_> = TOLD
        .iter()
        .flat_map(|kind| entries(record, *kind))
        .collect();
    let rows = measured.iter().flat_map(|entry| figures::rows(entry));
    section.blocks.push(Block::Table(Table {
        caption: "The technical figures".into(),
        head: ["Figure", "Measured", "Recording"]
            .map(str::to_owned)
            .to_vec(),
        rows: rows.collect(),
    }));
    for entry in measured {
        let capture = entry.captures.get("capture").map_or("", String::as_str);
        let curve = |title: &str, points: Vec<(f64, Figure)>, of: &str| {
            over_frequency(title, points, (capture, of), lines)
        };
        let blocks = match &entry.outcome {
            Outcome::OutputForceLevel(found) => vec![curve(
                "Output force level at 90 dB SPL",
                forces(&found.curve),
                "output_force_level force",
            )],
            Outcome::FullOnSensitivity(found) => {
                let each = found.curve.iter();
                let points = each.map(|p| (p.nominal_hz, Figure::from(&p.sensitivity)));
                vec![curve(
                    "Full-on sensitivity",
                    points.collect(),
                    "full_on_sensitivity sensitivity",
                )]
            }
            Outcome::ForceLevelResponse(found) => vec![curve(
                "Force level response at 60 dB SPL",
                forces(&found.curve),
                "force_level_response force",
            )],
            Outcome::InputOutput(found) => {
                let each = found.curves.iter();
                each.map(|curve| pictures::input_output(curve, capture))
                    .collect()
            }
            Outcome::Sensitivity(found) => {
                tell_sensitivity(&mut section, found, capture, lines, methods)
            }
            Outcome::EquivalentInputNoise(found) => tell_noise(&mut section, found, capture, lines),
            _ => Vec::new(),
        };
        section.blocks.extend(blocks);
        section.details.extend(figures::missing(entry));
    }
    let method = METHOD.map(str::to_owned).to_vec();
    section.details.push(Block::Notes(method));
    section
}

fn forces(curve: &[Point]) -> Vec<(f64, Figure)> {
    let each = curve.iter();
    each.map(|point| (point.nominal_hz, Figure::from(&point.force)))
        .collect()
}

/// A curve of steps; `of` names the lines of the sheet.
fn over_frequency(
    title: &str,
    points: Vec<(f64, Figure)>,
    (capture, of): (&str, &str),
    lines: &[Line],
) -> Block {
    let (quantity, unit) = match of.ends_with("force") {
        true => ("Force level", "dB re 1 µN"),
        false => ("Sensitivity", "dB re 1 µN/20 µPa"),
    };
    let picture = OverFrequency {
        title: format!("{title}, {capture}"),
        quantity,
        unit,
        points,
        beside: None,
        limits: limits(lines, of),
    };
    picture.block()
}

/// Times are read in milliseconds; a ratio has no unit.
fn readable(unit: &str) -> (f64, &str) {
    match unit {
        "s" => (1e3, "ms"),
        "1" => (1.0, ""),
        unit => (1.0, unit),
    }
}

fn tell_sensitivity(
    section: &mut Section,
    found: &sensitivity::Outcome,
    capture: &str,
    lines: &[Line],
    methods: Option<&method_difference::Outcome>,
) -> Vec<Block> {
    section.answer.extend(match Figure::from(&found.delay) {
        Figure::Absent(why) => vec![words(format!("The delay was not measured: {why}. "))],
        delay => vec![
            words("The force comes "),
            Span::Figure(number::told(&delay.scaled(1e3), "ms")),
            words(" after the sound. "),
        ],
    });
    let tones = |hz: f64| {
        let mut bands = methods.into_iter().flat_map(|m| &m.bands);
        bands.find(|band| band.band.nominal_hz() == hz).map_or_else(
            || Figure::Absent("no tone was presented".into()),
            |band| Figure::from(&band.tones),
        )
    };
    let hz = |band: &sensitivity::BandSensitivity| band.band.nominal_hz();
    let picture = OverFrequency {
        title: format!("Sensitivity per third-octave band, {capture}"),
        quantity: "Sensitivity",
        unit: "dB re 1 µN/20 µPa",
        points: found
            .bands
            .iter()
            .map(|b| (hz(b), Figure::from(&b.sensitivity)))
            .collect(),
        beside: methods.map(|_| {
            let each = found.bands.iter().map(|band| tones(hz(band)));
            ("Sensitivity with tones", each.collect())
        }),
        limits: limits(lines, "sensitivity sensitivity"),
    };
    if let Some(methods) = methods {
        section.answer.extend(differ(methods));
    }
    let fine = pictures::narrow_band(found, capture, limits(lines, "sensitivity sensitivity"));
    vec![picture.block(), fine]
}

/// By how much noise and tones differ at most.
fn differ(methods: &method_difference::Outcome) -> Vec<Span> {
    let each = methods.bands.iter().filter_map(|band| {
        let db = band.difference.figure()?.db();
        Some((db.abs(), band))
    });
    match each.max_by(|a, b| a.0.total_cmp(&b.0)) {
        None => vec![words("Noise and tones have no band in common. ")],
        Some((_, most)) => vec![
            words("Noise gives another sensitivity than tones by at most "),
            Span::Figure(number::told(&Figure::from(&most.difference), "dB")),
            words(format!(
                " (at {}). ",
                number::frequency(most.band.nominal_hz())
            )),
        ],
    }
}

fn tell_noise(
    section: &mut Section,
    found: &noise::Outcome,
    capture: &str,
    lines: &[Line],
) -> Vec<Block> {
    section.answer.extend(match Figure::from(&found.total) {
        Figure::Absent(why) => vec![words(format!(
            "The equivalent input noise was not measured: {why}. "
        ))],
        total => vec![
            words("The device's own noise is that of a sound of "),
            Span::Figure(number::told(&total, "dB SPL")),
            words(" from 200\u{a0}Hz to 5\u{a0}kHz. "),
        ],
    });
    let points = found.bands.iter().map(|b| {
        let figure = Figure::from(&b.equivalent_input_noise);
        (b.band.nominal_hz(), figure)
    });
    let picture = OverFrequency {
        title: format!("Equivalent input noise per third-octave band, {capture}"),
        quantity: "Equivalent input noise",
        unit: "dB re 20 µPa",
        points: points.collect(),
        beside: None,
        limits: limits(lines, "equivalent_input_noise equivalent_input_noise"),
    };
    vec![picture.block()]
}

const CAUTION: &str = "A data sheet holds for the conditions that it states; whether a device is repaired or replaced is for its maker and a licensed professional to decide.";

const METHOD: [&str; 6] = [
    "Method: sensitivity is the cross-spectrum of force and sound over the power of the sound (H1), so that only what follows the sound counts; the mean square over a band's frequencies, evenly over their logarithm. Re 1 N/Pa it is 26.02 dB less. Delay: slope of the phase from 1 kHz to 8 kHz. Polarity: where that line meets 0 Hz.",
    "Equivalent input noise: force level without sound minus the sensitivity level, what the recorder adds (device off) and what the device makes of the room's sound (what both channels share) taken off.",
    "Tones: the steps are found in the microphone channel, and over the settled half of each the fundamental by correlation. OFL90: force at 90 dB SPL, gain full on. Full-on sensitivity: force level less sound pressure level at 50 dB SPL. Response and reference test setting at 60 dB SPL: the average gain is 77 dB below OFL90. Range: 20 dB below the average. Knee and slope: the fewest straight lines that describe the points. What is not among the steps is not measured; nothing is interpolated.",
    "Data sheet: a line is kept if the deviation lies within its tolerance and the uncertainty does not exceed the largest permitted one; where none is stated, if the whole interval of the uncertainty lies within.",
    "Source: Bendat and Piersol, Random Data (public transcription); IEC 60118-0 and -9, ANSI S3.22 (terms and rules by public summaries; standards not opened); conformance after IEC TC 29 (public transcription). Polarity: own method.",
    "Limits: of a device that compresses, sensitivity is the mean gain for this sound, and its noise is overstated by the gain that it has more without sound.",
];
