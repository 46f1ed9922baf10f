//! From where does the device hear?

use super::super::document::{
    BandCurves, Block, Circle, Curves, Doubt, Fact, Figure, Polar, Section, Series, SeriesRole,
    Span, Verdict,
};
use super::super::number;
use super::{FEATURES, above_zero, carried, entries, fact, words};
use crate::measurement::directivity::{BandPattern, FaultKind, Microphones, Outcome, Pattern};
use crate::measurement::{self, Kind};
use crate::pipeline::Record;

/// Bands of the picture, where they were measured.
const DRAWN_HZ: [f64; 4] = [500.0, 1000.0, 2000.0, 4000.0];
/// Bands of a table by angle.
const COLUMNS: usize = 6;

/// The section.
pub(super) fn section(record: &Record, doubts: &[Doubt]) -> Section {
    let mut section = Section {
        question: FEATURES.into(),
        part: Some("All around"),
        doubts: carried(Kind::Directivity, doubts),
        ..Section::default()
    };
    let stated = record.options.directivity.pattern;
    for entry in entries(record, Kind::Directivity) {
        if let measurement::Outcome::Directivity(found) = &entry.outcome {
            answer(&mut section, found, stated);
            section.blocks.extend(polar(found));
            section.blocks.push(over_bands(found));
            section.blocks.push(Block::Facts(facts(found)));
            section.details.extend(by_angle(found));
        }
    }
    section
        .details
        .push(Block::Notes(METHOD.map(str::to_owned).to_vec()));
    section
}

/// The limit is zero: the front as all directions together. One microphone has none.
fn answer(section: &mut Section, found: &Outcome, stated: Option<Pattern>) {
    let weighted = Figure::from(&found.importance_weighted.mean);
    let told = number::told(&weighted, "dB");
    let verdict = above_zero(&weighted);
    let (headline, lead) = match (verdict, &weighted) {
        (_, Figure::Absent(why)) => {
            section.short = "The directivity index could not be measured.".into();
            section.headline = section.short.clone();
            section.answer = vec![words(format!("Not measurable: {why}."))];
            faults(section, &found.microphones);
            section.verdict.get_or_insert(verdict);
            return;
        }
        (Verdict::Within, _) => (
            format!("The front stands {told} above the mean of all directions."),
            "From the front most: weighted by what each band carries of speech, the front stands above the mean of all directions by ",
        ),
        (Verdict::Outside, _) => (
            format!("The front stands below the mean of all directions: {told}."),
            "Not from the front most: weighted by what each band carries of speech, the front over the mean of all directions is ",
        ),
        _ => (
            format!(
                "Whether the front is favoured cannot be told: {told} over the mean of all directions."
            ),
            "From all directions alike, as far as can be told: weighted by what each band carries of speech, the front over the mean of all directions is ",
        ),
    };
    let share = found.importance_weighted.share.figure();
    section.short = headline.clone();
    section.headline = headline;
    section.answer = vec![
        words(lead),
        Span::Figure(told),
        words(format!(
            " (directivity index, from bands that carry {}\u{a0}%).",
            number::fixed(share.map_or(0.0, |share| share.0), 0)
        )),
    ];
    if stated != Some(Pattern::Omnidirectional) {
        section.verdict = Some(verdict);
    }
    faults(section, &found.microphones);
}

/// Faults are the news.
fn faults(section: &mut Section, microphones: &Microphones) {
    let names: Vec<&str> = microphones.faults.iter().map(|f| named(f.fault)).collect();
    if names.is_empty() {
        return;
    }
    let told = format!("The microphones show a fault: {}.", names.join("; "));
    section.short = told.clone();
    section.headline = told.clone();
    section.answer.splice(0..0, [Span::Alarm(told), words(" ")]);
    section.verdict = Some(Verdict::Outside);
}

fn named(fault: FaultKind) -> &'static str {
    match fault {
        FaultKind::Exchanged => "front and rear are exchanged",
        FaultKind::OneBlocked => "one of them hears nothing, or the directional mode is off",
        FaultKind::SensitivityMismatch => "their sensitivities differ",
        FaultKind::DelayMismatch => "their delays differ",
    }
}

/// What else is to be said of the series and of the microphones.
fn facts(found: &Outcome) -> Vec<Fact> {
    let microphones = &found.microphones;
    let mut facts: Vec<Fact> = microphones
        .faults
        .iter()
        .map(|fault| {
            fact(
                "Fault",
                format!("{}: {}.", named(fault.fault), fault.evidence),
            )
        })
        .collect();
    let figures = [
        (
            "Difference of sensitivity",
            Figure::from(&microphones.sensitivity_mismatch),
            "dB",
            1.0,
        ),
        (
            "Difference of delay",
            Figure::from(&microphones.delay_mismatch),
            "µs",
            1e6,
        ),
        (
            "Left by two fitted microphones",
            Figure::from(&microphones.misfit),
            "% of the amplitudes",
            1.0,
        ),
    ];
    for (name, figure, unit, times) in figures {
        let text = match plain(figure.scaled(times)) {
            Figure::Absent(why) => format!("not measured: {why}"),
            figure => number::told(&figure, unit),
        };
        facts.push(fact(name, text));
    }
    let untold = microphones.untold.iter();
    facts.extend(untold.map(|what| fact("Cannot be told", format!("{what}."))));
    let missing: Vec<String> = found
        .missing_deg
        .iter()
        .map(|d| number::angle(*d))
        .collect();
    facts.push(match missing.as_slice() {
        [] => fact("Angles", "none is missing from the raster"),
        missing => fact(
            "Angles missing",
            format!("{}: record the same sound from there", missing.join(", ")),
        ),
    });
    let assumed = found.assumptions.iter();
    facts.extend(assumed.map(|what| fact("Taken for granted", what.clone())));
    facts
}

/// A figure that is exact says no uncertainty of zero.
fn plain(figure: Figure) -> Figure {
    match figure {
        Figure::Measured(value, u) => Figure::Measured(value, u.filter(|u| *u > 0.0)),
        figure => figure,
    }
}

fn circle(band: &BandPattern) -> Circle {
    let points = band.angles.iter();
    Circle {
        nominal_hz: band.band.nominal_hz(),
        points: points
            .map(|gain| (gain.angle_deg, plain(Figure::from(&gain.relative_to_front))))
            .collect(),
        first_order: band.first_order.figure().map(|a| a.0),
    }
}

/// The bands that have a gain by angle.
fn circles(found: &Outcome) -> Vec<Circle> {
    let seen = |circle: &Circle| circle.points.iter().any(|(_, f)| f.value().is_some());
    found.bands.iter().map(circle).filter(seen).collect()
}

/// `None` where no band has a gain.
fn polar(found: &Outcome) -> Option<Block> {
    let all = circles(found);
    let octave = |circle: &&Circle| DRAWN_HZ.contains(&circle.nominal_hz);
    let octaves: Vec<Circle> = all.iter().filter(octave).cloned().collect();
    let drawn = match octaves.is_empty() {
        false => octaves,
        true => all.into_iter().take(DRAWN_HZ.len()).collect(),
    };
    (!drawn.is_empty()).then(|| {
        Block::Curves(Curves::Polar(Polar {
            title: "Gain over the angle of the sound, relative to the front".into(),
            description: described(&drawn),
            circles: drawn,
            caption: "Seen from above, the front up; angles run clockwise as they are stated. Dot: measured, with its expanded uncertainty along the ray; hollow: at most. Line: the first-order pattern that fits, drawn with 0 dB at the front; where none fits there is no line. What lies below the middle is drawn there.".into(),
        }))
    })
}

/// Where each drawn band hears least.
fn described(circles: &[Circle]) -> String {
    let told = circles.iter().filter_map(|circle| {
        let points = circle.points.iter();
        let known = points.filter_map(|(angle, figure)| Some((*angle, figure.value()?)));
        let (angle, least) = known.min_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(format!(
            "{}: {} angles, weakest from {} with {}\u{a0}dB.",
            number::band(circle.nominal_hz),
            circle.points.len(),
            number::angle(angle),
            number::fixed(least, 1)
        ))
    });
    told.collect::<Vec<_>>().join(" ")
}

/// What follows from the angles, band by band.
fn over_bands(found: &Outcome) -> Block {
    type Of = fn(&BandPattern) -> Figure;
    let rows: [(&str, Of); 7] = [
        ("Directivity index", |b| Figure::from(&b.directivity_index)),
        ("Planar index", |b| Figure::from(&b.planar_index)),
        ("Front − back", |b| Figure::from(&b.front_to_back)),
        ("Front half − rear half", |b| {
            Figure::from(&b.front_to_rear_half)
        }),
        ("Pattern parameter a", |b| Figure::from(&b.first_order)),
        ("Null at, degrees", |b| Figure::from(&b.null_angle)),
        ("Left by the fit, %", |b| plain(Figure::from(&b.residual))),
    ];
    let series = |(position, (name, of)): (usize, &(&str, Of))| {
        let figures = found.bands.iter().map(of);
        Series::of(*name, SeriesRole::Measured, position == 0, figures)
    };
    let series: Vec<Series> = rows.iter().enumerate().map(series).collect();
    let bands: Vec<f64> = found.bands.iter().map(|b| b.band.nominal_hz()).collect();
    Block::Curves(Curves::Bands(BandCurves {
        title: "Directivity per third-octave band".into(),
        description: super::extremes(&series, &bands, "index"),
        quantity: "Directivity index".into(),
        unit: "dB".into(),
        bands,
        series,
        zero: Some("0: the front as all directions".into()),
        caption: "Drawn: the directivity index. The block is the figure, the thin line its expanded uncertainty. A block with an open wedge is a bound: “at least”.".into(),
    }))
}

/// All bands by angle, some bands to a table.
fn by_angle(found: &Outcome) -> Vec<Block> {
    let all = circles(found);
    let part = |circles: &[Circle]| {
        let ends = [circles.first(), circles.last()].into_iter().flatten();
        let ends: Vec<String> = ends.map(|c| number::band(c.nominal_hz)).collect();
        let polar = Polar {
            title: format!("Gain relative to the front, {}", ends.join(" to ")),
            description: String::new(),
            circles: circles.to_vec(),
            caption: String::new(),
        };
        Block::Table(polar.table())
    };
    all.chunks(COLUMNS).map(part).collect()
}

const METHOD: [&str; 5] = [
    "Method: gain of each recording in each band, force level minus pressure level at the reference microphone, relative to that from the front; unequal presentation and the calibration cancel. Directivity index: power from the front over the mean of all directions of space, each angle standing for the zone of the sphere that reaches half way to the next. Planar index: over the mean of the angles of the plane, unweighted. Front half − rear half: mean power of both halves of space. First-order pattern: |a + (1 − a) cos θ|, least squares of amplitude; 1 hears alike from everywhere, 0.5 is a cardioid, 0 a figure of eight; no pattern is told where more than 10 % of the amplitude is left.",
    "Microphones: two in a row in free field, |1 − m exp(−jω(T + τ cos θ))|, fitted to all bands from 250 Hz to 6300 Hz together, upright and turned round. Faults are told from 0.5 dB and 2 µs on, beyond the uncertainty: own choice.",
    "Uncertainty: the scatter of each gain in time, how much the mean over space moves with other weights, and where a recording without stimulus is given what the noise adds; a force less than 3 dB above that noise is a bound.",
    "Source: directivity index, first-order patterns and their nulls: textbook, remembered. Zones: own derivation from the area of spherical zones. Fit and faults: own method. Importance of the bands: ANSI S3.5-1997, from two public implementations.",
    "Limits: a box is no free field, and no head stands beside the device. Angles in one plane say nothing of the others but by the assumed symmetry.",
];
