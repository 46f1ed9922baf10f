//! Is it ever too much?

use super::super::document::{
    BandCurves, Block, Called, Curves, Doubt, Figure, Section, Series, SeriesRole, Span, Verdict,
};
use super::super::number;
use super::{TOO_MUCH, carried, words};
use crate::assessment::Outcome as Assessed;
use crate::assessment::discomfort::{BandStanding, Outcome, Output, Standing, Which};
use crate::measurement::Kind;
use crate::pipeline::Record;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let found = record.assessments.iter().find_map(|a| match &a.outcome {
        Assessed::Discomfort(found) => Some(found),
        _ => None,
    });
    let mut section = Section {
        question: TOO_MUCH.into(),
        doubts: carried(Kind::SpeechPercentiles, doubts),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        ..Section::default()
    };
    let Some(found) = found else {
        return section;
    };
    let worst = Standing::worst(found.outputs.iter().map(|output| output.verdict));
    section.verdict = Some(verdict(worst));
    // An average is not this person's: nothing is shown by staying below it.
    if found.average && worst == Standing::Below {
        section.called = Some(Called::Answer("below an average only"));
    }
    answer(&mut section, found, worst);
    section.blocks.extend(found.outputs.iter().map(picture));
    let told = found
        .assumptions
        .iter()
        .map(|text| format!("Assumed: {text}."));
    section.details.push(Block::Notes(told.collect()));
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
}

fn verdict(standing: Standing) -> Verdict {
    match standing {
        Standing::Below => Verdict::Within,
        Standing::NotAssessed => Verdict::NotMeasurable,
        Standing::WithinUncertainty => Verdict::Doubtful,
        Standing::Above => Verdict::Outside,
    }
}

fn name(output: &Output) -> &'static str {
    match output.output {
        Which::MaximumOutput => "the largest output",
        Which::LoudestSpeech => "the peaks of the loudest speech",
    }
}

/// The band nearest to, or farthest beyond, its uncomfortable level.
fn nearest(found: &Outcome) -> Option<(&Output, &BandStanding)> {
    let excess = |band: &BandStanding| Figure::from(&band.excess).value();
    let each = found.outputs.iter().flat_map(|output| {
        let of_it = output.bands.iter().filter(|band| excess(band).is_some());
        of_it.map(move |band| (output, band))
    });
    each.max_by(|(_, a), (_, b)| {
        let (a, b) = (excess(a), excess(b));
        a.partial_cmp(&b).unwrap_or(std::cmp::Ordering::Equal)
    })
}

fn answer(section: &mut Section, found: &Outcome, worst: Standing) {
    let Some((output, band)) = nearest(found) else {
        section.short = "No output could be held against an uncomfortable level.".into();
        section.headline = section.short.clone();
        section.answer = vec![words(
            "Not measurable: no band has both an output and an uncomfortable level.",
        )];
        return;
    };
    let excess = Figure::from(&band.excess);
    let above = excess.value().is_some_and(|db| db > 0.0);
    let distance = number::told(&turned(&excess, above), "dB");
    let (what, at) = (name(output), number::band(band.band.nominal_hz()));
    let whose = if found.average {
        "an average uncomfortable level"
    } else {
        "the level that this person called uncomfortable"
    };
    let side = if above { "above" } else { "below" };
    let open = bands_that(output, |band| band.verdict == Standing::WithinUncertainty);
    let begins = match worst {
        Standing::Above => "Yes: ".to_owned(),
        Standing::WithinUncertainty => format!("It may be, at {open}: "),
        _ => "No: ".to_owned(),
    };
    let stands = format!("at {at} {what} stands {distance} {side} {whose}");
    let rest = others(found, output);
    section.short = format!("{begins}{stands}.{rest}");
    section.headline = match worst {
        Standing::WithinUncertainty => format!("It may be too much at {open}: {stands}."),
        _ => format!("{}.", super::capital(&stands)),
    };
    section.answer = vec![
        words(format!("{begins}at {at} {what} stands ")),
        Span::Figure(distance),
        words(format!(" {side} {whose}")),
        words(match worst {
            Standing::Above => ".",
            Standing::WithinUncertainty => ", no farther than the uncertainty reaches.",
            _ => ", and farther below in every other band that is judged.",
        }),
        words(rest),
        words(unjudged(output)),
        words(
            " Most of the uncertainty is the person’s own: answers move by some 10\u{a0}dB from test to test.",
        ),
    ];
    if found.average {
        section.answer.push(words(
            " Staying below an average proves little: it lies above what such devices reach at all. Ask and observe.",
        ));
    }
}

/// Which other outputs stay below in every band that is judged.
fn others(found: &Outcome, told: &Output) -> String {
    let below = found
        .outputs
        .iter()
        .filter(|output| output.output != told.output && output.verdict == Standing::Below);
    let below: Vec<&str> = below.map(name).collect();
    match below.as_slice() {
        [] => String::new(),
        names => format!(
            " {} stay below in every band that is judged.",
            super::capital(&names.join(" and "))
        ),
    }
}

/// `1.6, 2 and 2.5 kHz`: bands of an output of which `holds` is true.
fn bands_that(output: &Output, holds: impl Fn(&BandStanding) -> bool) -> String {
    let bands = output.bands.iter().filter(|band| holds(band));
    number::bands(&bands.map(|b| b.band.nominal_hz()).collect::<Vec<_>>())
}

/// Where an output could not be held against an uncomfortable level.
fn unjudged(output: &Output) -> String {
    let bands = bands_that(output, |band| {
        !matches!(Figure::from(&band.level), Figure::Absent(_))
            && matches!(Figure::from(&band.excess), Figure::Absent(_))
    });
    match bands.as_str() {
        "" => String::new(),
        bands => format!(" Not judged at {bands}."),
    }
}

/// The distance as a positive figure.
fn turned(excess: &Figure, above: bool) -> Figure {
    match excess {
        Figure::Measured(db, u) => Figure::Measured(db.abs(), *u),
        Figure::AtMost(db) if !above => Figure::AtLeast(db.abs()),
        Figure::AtLeast(db) if !above => Figure::AtMost(db.abs()),
        other => other.clone(),
    }
}

fn picture(output: &Output) -> Block {
    let assessed = |band: &&BandStanding| !matches!(Figure::from(&band.level), Figure::Absent(_));
    let bands: Vec<&BandStanding> = output.bands.iter().filter(assessed).collect();
    let row = |name: &str, role, drawn, figure: &dyn Fn(&BandStanding) -> Figure| {
        Series::of(name, role, drawn, bands.iter().map(|band| figure(band)))
    };
    let series = vec![
        row("Distance", SeriesRole::Hanging, true, &|b| {
            (&b.excess).into()
        }),
        row("Discomfort", SeriesRole::Lid, false, &|b| {
            (&b.uncomfortable_level).into()
        }),
        row("Output", SeriesRole::Beside, false, &|b| (&b.level).into()),
    ];
    let hz: Vec<f64> = bands.iter().map(|band| band.band.nominal_hz()).collect();
    let what = name(output);
    Block::Curves(Curves::Bands(BandCurves {
        title: format!("Distance of {what} to the uncomfortable level, recording “{}”", output.capture),
        description: super::extremes(&series, &hz, "output minus uncomfortable level"),
        quantity: "Output minus ceiling".into(),
        unit: "dB".into(),
        bands: hz,
        series,
        zero: Some("ceiling: the uncomfortable level, band by band".into()),
        caption: "Each bar: the room left under the ceiling; dashed where the uncertainty reaches the ceiling, a triangle above what is past it. Whole columns in grey hatch: not judged. The thin line is the combined expanded uncertainty. Discomfort and output: force level, dB re 1 µN.".into(),
    }))
}

const CAUTIONS: [&str; 4] = [
    "Never run a test of maximum output, or a sweep, on a device that somebody wears. Take it off the head first.",
    "An average uncomfortable level is not this person’s. Ask and observe, above all a child or anybody who cannot tell.",
    "A device off the head is measured at one setting. What it may reach after another change of gain or of its limit is not shown here.",
    "The licensed audiologist decides, under local law, whether an output is safe.",
];

const METHOD: [&str; 3] = [
    "Method: output minus uncomfortable level, band by band. Largest output: largest F-weighted level with the tone sweep at 90 dB SPL. Peaks of speech: 99th percentile of 125-ms sections of the loudest speech captured. Below or above only if the whole interval of the combined uncertainty lies there.",
    "Uncertainty: calibration and analysis of the output; zero of the dial; and 10 dB (k = 2) for what a person answers, one step of 5 dB as standard deviation (common practice, no source). The session can state another.",
    "Source: own definition. Average uncomfortable level of 100 dB HL: Sherlock and Formby 2005, normal hearing by air, abstract read; largest outputs of such devices of 68 to 80 dB HL: Zwartenkot and others 2014, abstract read.",
];
