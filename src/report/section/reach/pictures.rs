//! Pictures of speech over third-octave bands.

use super::super::super::document::{BandCurves, Block, Curves, Figure, Point, Series, SeriesRole};
use super::super::{capital, extremes};
use super::Level;
use crate::assessment::discomfort::Outcome as Discomfort;
use crate::measurement::speech_percentiles::{BandSpeech, Outcome as Speech, Speech as Levels};
use crate::quantity::{Band, ForceLevel, Reading, SensitivityLevel};

/// One rail per band from threshold to uncomfortable level, speech on it.
pub(super) fn rails(
    levels: &[Level<'_>],
    average: &Level<'_>,
    discomfort: Option<&Discomfort>,
) -> Block {
    let bands: Vec<Band> = average.audibility.bands.iter().map(|b| b.band).collect();
    let row = |name: String, role, drawn, points| Series {
        name,
        role,
        drawn,
        points,
    };
    let mut series = Vec::new();
    let output = discomfort.and_then(|found| found.outputs.first());
    if let Some(output) = output {
        let lid = points(&bands, |band| {
            let found = output.bands.iter().find(|b| b.band == band)?;
            Some(Figure::from(&found.uncomfortable_level))
        });
        series.push(row("Discomfort".into(), SeriesRole::Lid, true, lid));
    }
    let foot = points(&bands, |band| {
        let found = average.audibility.bands.iter().find(|b| b.band == band)?;
        Some(Figure::from(&found.threshold))
    });
    series.push(row("Threshold".into(), SeriesRole::Foot, true, foot));
    let mut aims = Vec::new();
    let last = levels.len().saturating_sub(1);
    for (position, level) in levels.iter().enumerate() {
        let shade = match position {
            0 if last > 0 => 0,
            _ if position == last && last > 0 => 2,
            _ => 1,
        };
        series.push(row(
            format!("Speech at {}", level.row()),
            SeriesRole::Graded(shade),
            true,
            speech_points(&bands, level.speech),
        ));
        let aimed = level.deviation.filter(|deviation| {
            deviation
                .bands
                .iter()
                .any(|band| band.target.figure().is_some())
        });
        if let Some(deviation) = aimed {
            let target = points(&bands, |band| {
                let found = deviation.bands.iter().find(|b| b.band == band)?;
                Some(aim(&found.target))
            });
            let name = format!("Target at {}", level.row());
            aims.push(row(name, SeriesRole::Target(shade), true, target));
        }
    }
    series.extend(aims);
    let names: Vec<String> = levels.iter().map(Level::told).collect();
    let description = format!(
        "One rail per band from the threshold of the person to the uncomfortable level, with {}. {}",
        names.join(", "),
        heard_where(levels)
    );
    Block::Curves(Curves::Bands(BandCurves {
        title: "Speech between threshold and uncomfortable level".into(),
        description,
        quantity: "Force level".into(),
        unit: "dB re 1 µN".into(),
        bands: bands.iter().map(|band| band.nominal_hz()).collect(),
        series,
        zero: None,
        caption: "Foot of a rail: threshold; lid: uncomfortable level. Blocks from left to right at rising levels: from the 30th to the 99th percentile of speech, waist at the long-term average, which the table gives; hollow where it is not heard, hatched past the lid; a mark with an open wedge is a bound. Brackets: target ± 2\u{a0}dB, beside its block; what is tolerated is wider and stands in the table of targets. ± of speech: calibration and analysis; how far another passage would differ is not in it, and stands in question 2.".into(),
    }))
}

/// A target of a table has no uncertainty to tell.
fn aim(target: &Reading<ForceLevel>) -> Figure {
    match Figure::from(target) {
        Figure::Measured(db, Some(0.0)) => Figure::Measured(db, None),
        figure => figure,
    }
}

/// Where speech is not heard, in words.
fn heard_where(levels: &[Level<'_>]) -> String {
    let told = levels.iter().map(|level| {
        let silent = level.audibility.bands.iter().filter(|band| !band.heard());
        let names: Vec<String> = silent.map(|band| band.band.label()).collect();
        match names.is_empty() {
            true => format!("{} is heard in every band.", capital(&level.told())),
            false => format!(
                "{} is not heard at {} Hz.",
                capital(&level.told()),
                names.join(", ")
            ),
        }
    });
    told.collect::<Vec<_>>().join(" ")
}

fn points(bands: &[Band], figure: impl Fn(Band) -> Option<Figure>) -> Vec<Point> {
    let absent = || Figure::Absent("the band was not analysed".into());
    let of = |band: &Band| figure(*band).unwrap_or_else(absent).into();
    bands.iter().map(of).collect()
}

fn speech_points(bands: &[Band], speech: Option<&Speech>) -> Vec<Point> {
    let end = |reading| Figure::from(reading).value();
    let of = |band: &Band| {
        let found = speech.and_then(|speech| speech.bands.iter().find(|s| s.band == *band));
        let Some(BandSpeech { force, .. }) = found else {
            return Figure::Absent("the band was not analysed".into()).into();
        };
        // Around a bound there is no block; one whose end is a bound ends there.
        let sure = force.leq.figure().is_some();
        let ends = end(&force.percentile_30).zip(end(&force.percentile_99));
        Point {
            figure: Figure::from(&force.leq),
            block: ends.filter(|_| sure),
        }
    };
    bands.iter().map(of).collect()
}

/// What the device adds to average speech.
pub(super) fn gain(average: &Level<'_>) -> Option<Block> {
    let speech = average.speech?;
    type Which = fn(&Levels<SensitivityLevel>) -> &Reading<SensitivityLevel>;
    let rows: [(&str, Which); 4] = [
        ("Long-term", |gain| &gain.leq),
        ("Peaks, 99 %", |gain| &gain.percentile_99),
        ("65 %", |gain| &gain.percentile_65),
        ("Valleys, 30 %", |gain| &gain.percentile_30),
    ];
    let row = |(position, (name, which)): (usize, &(&str, Which))| {
        let role = match position {
            0 => SeriesRole::Measured,
            _ => SeriesRole::Beside,
        };
        let figures = speech.bands.iter();
        let figures = figures.map(|band| Figure::from(which(&band.gain)));
        Series::of(*name, role, position == 0, figures)
    };
    let series: Vec<Series> = rows.iter().enumerate().map(row).collect();
    let bands: Vec<f64> = speech
        .bands
        .iter()
        .map(|band| band.band.nominal_hz())
        .collect();
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!("Gain of the device for {}", average.told()),
        description: extremes(&series, &bands, "long-term gain"),
        quantity: "Gain".into(),
        unit: "dB re 1 µN/20 µPa".into(),
        bands,
        series,
        zero: None,
        caption: "Force level minus sound pressure level at the reference microphone, for the long-term average (drawn) and percentile by percentile. Where a compressing device adds more to valleys than to peaks, the rows part.".into(),
    })))
}
