//! Is the device within its own data?

use super::super::document::{
    BandCurves, Block, Cell, Curves, Doubt, Figure, Point, Section, Series, SeriesRole, Span,
    Table, Verdict,
};
use super::super::number;
use super::{carried, counted, entries, fact, words};
use crate::assessment::Outcome as Assessed;
use crate::assessment::data_sheet::{self, Line};
use crate::measurement::sensitivity::Polarity;
use crate::measurement::{Kind, Outcome, equivalent_input_noise as noise, sensitivity};
use crate::pipeline::Record;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let kinds = [Kind::Sensitivity, Kind::EquivalentInputNoise];
    let mut carried: Vec<Doubt> = kinds.iter().flat_map(|k| carried(*k, doubts)).collect();
    carried.dedup();
    let mut section = Section {
        question: "Is the device within its own data?".into(),
        short: "No data sheet was given: figures without a verdict.".into(),
        doubts: carried,
        cautions: vec![CAUTION.into()],
        ..Section::default()
    };
    let sheet = record.assessments.iter().find_map(|a| match &a.outcome {
        Assessed::DataSheet(found) => Some(found),
        _ => None,
    });
    let lines = sheet.map_or(&[][..], |sheet| sheet.lines.as_slice());
    match sheet {
        Some(sheet) => judge(&mut section, sheet),
        None => section.answer.push(words(
            "No data sheet is named in the session (`data_sheet` of `[device]`): what was measured follows without a verdict. ",
        )),
    }
    for entry in kinds.iter().flat_map(|kind| entries(record, *kind)) {
        let capture = entry.captures.get("capture").map_or("", String::as_str);
        match &entry.outcome {
            Outcome::Sensitivity(found) => tell_sensitivity(&mut section, found, capture, lines),
            Outcome::EquivalentInputNoise(found) => {
                tell_noise(&mut section, found, capture, lines);
            }
            _ => {}
        }
    }
    let method = METHOD.map(str::to_owned).to_vec();
    section.details.push(Block::Notes(method));
    section
}

fn judge(section: &mut Section, sheet: &data_sheet::Outcome) {
    let of = |verdict: Verdict| sheet.lines.iter().filter(move |l| l.verdict == verdict);
    let count = |verdict| of(verdict).count();
    let within = count(Verdict::Within);
    let all = counted(sheet.lines.len(), "line", "lines");
    section.verdict = Some(sheet.verdict);
    section.short = format!("{within} of {all} of the data sheet are kept.");
    section.headline = match of(Verdict::Outside).next() {
        Some(first) => format!(
            "Outside the data sheet: {} in all, among them {}.",
            counted(count(Verdict::Outside), "line", "lines"),
            name(first)
        ),
        None => section.short.clone(),
    };
    let told = format!(
        "Of {all} of the data sheet: kept {within}, not kept {}, undecided within the uncertainty {}, not measurable {}. ",
        count(Verdict::Outside),
        count(Verdict::Doubtful),
        count(Verdict::NotMeasurable),
    );
    section.answer.push(words(told));
    section.blocks.push(Block::Table(Table {
        caption: "The data sheet, line by line".into(),
        head: [
            "Line",
            "Stated",
            "Limits",
            "Measured",
            "Deviation",
            "Verdict",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: sheet.lines.iter().map(row).collect(),
    }));
    let reasons = sheet.lines.iter().filter_map(|line| {
        let why = line.measured.reason.as_ref()?;
        Some(format!("{}: {why}.", name(line)))
    });
    let assumed = sheet.assumptions.iter();
    let notes = reasons.chain(assumed.map(|text| format!("Assumed: {text}.")));
    section.details.push(Block::Notes(notes.collect()));
}

/// `sensitivity at 1 kHz`: entry and key, the entry once.
fn name(line: &Line) -> String {
    let (entry, key) = line
        .quantity
        .split_once(' ')
        .unwrap_or(("", &line.quantity));
    let key = match key.starts_with(entry) {
        true => key.to_owned(),
        false => format!("{entry} {key}"),
    };
    let key = key.replace(['_', '.'], " ");
    match line.frequency_hz {
        Some(hz) => format!("{key} at {}", number::frequency(hz)),
        None => key,
    }
}

fn row(line: &Line) -> Vec<Cell> {
    let (scale, unit) = readable(&line.nominal.unit);
    let stated = |value: f64| number::significant(scale * value);
    let end = |figure: &Option<data_sheet::Figure>, sign: &str| {
        let value = figure.as_ref().and_then(|figure| figure.value);
        value.map_or("open".to_owned(), |value| {
            format!("{sign}{}", stated(value.abs()))
        })
    };
    let nominal = stated(line.nominal.value.unwrap_or_default());
    let ends = [end(&line.lowest, "−"), end(&line.highest, "+")].join(", ");
    let told = |figure: &data_sheet::Figure| match figure_of(figure) {
        Figure::Absent(_) => Cell::Words("–".into()),
        figure => Cell::Figure(number::told(&scaled(figure, scale), unit)),
    };
    vec![
        Cell::Words(name(line)),
        Cell::Figure(format!("{nominal} {unit}")),
        Cell::Figure(ends),
        told(&line.measured),
        told(&line.deviation),
        Cell::Verdict(line.verdict),
    ]
}

/// Times are read in milliseconds.
fn readable(unit: &str) -> (f64, &str) {
    match unit {
        "s" => (1e3, "ms"),
        unit => (1.0, unit),
    }
}

fn scaled(figure: Figure, scale: f64) -> Figure {
    match figure {
        Figure::Measured(value, u) => Figure::Measured(scale * value, u.map(|u| scale * u)),
        Figure::AtMost(value) => Figure::AtMost(scale * value),
        Figure::AtLeast(value) => Figure::AtLeast(scale * value),
        Figure::Absent(why) => Figure::Absent(why),
    }
}

fn figure_of(figure: &data_sheet::Figure) -> Figure {
    match (figure.status.as_str(), figure.value) {
        ("at_most", Some(value)) => Figure::AtMost(value),
        ("at_least", Some(value)) => Figure::AtLeast(value),
        (_, Some(value)) => Figure::Measured(value, figure.expanded_uncertainty),
        (_, None) => Figure::Absent(figure.reason.clone().unwrap_or_default()),
    }
}

fn tell_sensitivity(
    section: &mut Section,
    found: &sensitivity::Outcome,
    capture: &str,
    lines: &[Line],
) {
    section.answer.extend(match Figure::from(&found.delay) {
        Figure::Absent(why) => vec![words(format!("The delay was not measured: {why}. "))],
        delay => vec![
            words("The force comes "),
            Span::Figure(number::told(&scaled(delay, 1e3), "ms")),
            words(" after the sound. "),
        ],
    });
    let polarity = match found.polarity {
        Polarity::Kept => "a rise of pressure makes a positive force",
        Polarity::Inverted => "a rise of pressure makes a negative force",
        Polarity::NotTold => "not told: the phase lies between both",
    };
    section.blocks.push(Block::Facts(vec![
        fact("Polarity", polarity),
        fact(
            "Gain follows the level by",
            format!("{}\u{a0}dB", number::fixed(found.gain_spread_db, 1)),
        ),
    ]));
    let bands = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    let figures = found.bands.iter().map(|b| Figure::from(&b.sensitivity));
    section.blocks.push(picture(
        format!("Sensitivity per third-octave band, {capture}"),
        ("Sensitivity", "dB re 1 µN/20 µPa"),
        bands,
        figures.collect(),
        &limits(lines, "sensitivity sensitivity"),
    ));
    let rows = found.narrow_band.iter().map(|point| {
        vec![
            Cell::Figure(number::frequency(point.frequency_hz)),
            match Figure::from(&point.sensitivity) {
                Figure::Absent(_) => Cell::Words("–".into()),
                figure => Cell::Figure(number::told(&figure, "dB")),
            },
        ]
    });
    section.details.push(Block::Table(Table {
        caption: format!(
            "Sensitivity per twenty-fourth of an octave, dB re 1 µN/20 µPa, {capture}"
        ),
        head: ["Frequency", "Sensitivity"].map(str::to_owned).to_vec(),
        rows: rows.collect(),
    }));
}

fn tell_noise(section: &mut Section, found: &noise::Outcome, capture: &str, lines: &[Line]) {
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
    let bands = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    let figures = found
        .bands
        .iter()
        .map(|b| Figure::from(&b.equivalent_input_noise));
    section.blocks.push(picture(
        format!("Equivalent input noise per third-octave band, {capture}"),
        ("Equivalent input noise", "dB re 20 µPa"),
        bands,
        figures.collect(),
        &limits(lines, "equivalent_input_noise equivalent_input_noise"),
    ));
}

/// The lines of the sheet on one quantity.
fn limits<'a>(lines: &'a [Line], quantity: &str) -> Vec<&'a Line> {
    lines
        .iter()
        .filter(|line| line.quantity == quantity)
        .collect()
}

/// Figures over the bands, and the limits of the sheet where it has any.
fn picture(
    title: String,
    (quantity, unit): (&str, &str),
    bands: Vec<f64>,
    figures: Vec<Figure>,
    limits: &[&Line],
) -> Block {
    let points = |figures: Vec<Figure>| {
        figures.into_iter().map(|figure| Point {
            figure,
            block: None,
        })
    };
    let mut series = vec![Series {
        name: quantity.into(),
        role: SeriesRole::Measured,
        drawn: true,
        points: points(figures).collect(),
    }];
    type End = fn(&Line) -> &Option<data_sheet::Figure>;
    let ends: [(&str, SeriesRole, End); 2] = [
        ("Data sheet, lowest", SeriesRole::Foot, |line| &line.lowest),
        ("Data sheet, highest", SeriesRole::Lid, |line| &line.highest),
    ];
    for (name, role, end) in ends.into_iter().filter(|_| !limits.is_empty()) {
        let at = |hz: &f64| {
            let stated = limits.iter().find(|line| line.frequency_hz == Some(*hz));
            let bound =
                stated.and_then(|line| Some(line.nominal.value? + end(line).as_ref()?.value?));
            bound.map_or_else(
                || Figure::Absent("the data sheet states no limit".into()),
                |bound| Figure::Measured(bound, None),
            )
        };
        let figures = bands.iter().map(at).collect();
        series.push(Series {
            name: name.into(),
            role,
            drawn: true,
            points: points(figures).collect(),
        });
    }
    Block::Curves(Curves::Bands(BandCurves {
        description: super::extremes(&series, &bands, &quantity.to_lowercase()),
        title,
        quantity: quantity.into(),
        unit: unit.into(),
        bands,
        series,
        zero: None,
        caption: "The block is the figure, the thin line its expanded uncertainty. Rails are the limits of the data sheet. A block with an open wedge is a bound: “at most”.".into(),
    }))
}

const CAUTION: &str = "A data sheet holds for the conditions that it states; whether a device is repaired or replaced is for its maker and a licensed professional to decide.";

const METHOD: [&str; 5] = [
    "Method: sensitivity is the cross-spectrum of force and sound over the power of the sound (H1), so that only what follows the sound counts; the mean square over a band's frequencies, evenly over their logarithm. Re 1 N/Pa it is 26.02 dB less. Delay: slope of the phase from 1 kHz to 8 kHz. Polarity: where that line meets 0 Hz.",
    "Equivalent input noise: force level without sound minus the sensitivity level, what the recorder adds (device off) and what the device makes of the room's sound (what both channels share) taken off.",
    "Data sheet: a line is kept if the deviation lies within its tolerance and the uncertainty does not exceed the largest permitted one; where none is stated, if the whole interval of the uncertainty lies within.",
    "Source: Bendat and Piersol, Random Data (public transcription); IEC 60118-0 and -9 (terms; standards not opened); conformance after IEC TC 29 (public transcription). Polarity: own method.",
    "Limits: of a device that compresses, sensitivity is the mean gain for this sound, and its noise is overstated by the gain that it has more without sound.",
];
