//! Pictures of force and sound levels over third-octave bands.

use super::super::super::document::{BandCurves, Block, Curves, Figure, Point, Series, SeriesRole};
use super::super::extremes;
use super::{Capture, DIFFERENCE_DB, FORCE_DB, SOUND_DB};
use crate::measurement::levels::{BandLevels, RoleLevels};
use crate::pipeline::CaptureRole;
use crate::quantity::level::Reference;

/// How blocks of levels are read.
const BLOCKS: &str = "A block reaches from the level exceeded for 90 % of the time to the one exceeded for 10 %; its waist is the equivalent level, which the table gives. Blocks of 125 ms.";

/// Level over the interval, within the block of the levels exceeded for 90 %
/// and 10 % of the time.
fn leq<R: Reference>(levels: &RoleLevels<R>, bands: &[f64]) -> Vec<Point> {
    points(levels, bands, |band| {
        let exceeded = |percent: u8| Figure::from(band.exceeded.get(&percent)?).value();
        Point {
            figure: Figure::from(&band.leq),
            block: exceeded(90).zip(exceeded(10)),
        }
    })
}

fn points<R: Reference>(
    levels: &RoleLevels<R>,
    bands: &[f64],
    point: impl Fn(&BandLevels<R>) -> Point,
) -> Vec<Point> {
    let absent = || Figure::Absent("the band was not analysed".into()).into();
    let of = |hz: &f64| levels.bands.iter().find(|b| b.band.nominal_hz() == *hz);
    bands
        .iter()
        .map(|hz| of(hz).map_or_else(absent, &point))
        .collect()
}

fn series(name: String, role: SeriesRole, drawn: bool, points: Vec<Point>) -> Series {
    Series {
        name,
        role,
        drawn,
        points,
    }
}

/// Speech at rising levels, side by side.
pub(super) fn graded(speech: &[&Capture<'_>]) -> Option<Block> {
    let bands = bands_of(speech);
    let last = speech.len().saturating_sub(1);
    let role = |position: usize| match position {
        _ if last == 0 => SeriesRole::Measured,
        0 => SeriesRole::Graded(0),
        _ if position == last => SeriesRole::Graded(2),
        _ => SeriesRole::Graded(1),
    };
    let mut rows = Vec::new();
    for (position, capture) in speech.iter().enumerate() {
        let force = capture.force?;
        let name = format!("Force at {}", capture.row());
        rows.push(series(name, role(position), true, leq(force, &bands)));
    }
    for capture in speech {
        if let Some(sound) = capture.sound {
            let name = format!("Sound at {}", capture.row());
            rows.push(series(name, SeriesRole::Beside, false, leq(sound, &bands)));
        }
    }
    let order = match speech {
        [_] => "Speech",
        _ => "In each band from left to right: speech",
    };
    let names: Vec<String> = speech.iter().map(|c| c.row()).collect();
    let title = "Force level of speech per third-octave band";
    let caption = format!(
        "{order} presented at {}\u{a0}dB\u{a0}SPL. {BLOCKS} Sound: pressure level at the reference microphone, {SOUND_DB}.",
        listed(&names)
    );
    Some(force_levels(title, bands, rows, caption))
}

/// The bands of any of the captures.
fn bands_of(captures: &[&Capture<'_>]) -> Vec<f64> {
    let mut bands: Vec<f64> = captures.iter().flat_map(|c| c.bands()).collect();
    bands.sort_by(f64::total_cmp);
    bands.dedup();
    bands
}

fn force_levels(title: &str, bands: Vec<f64>, series: Vec<Series>, caption: String) -> Block {
    Block::Curves(Curves::Bands(BandCurves {
        title: title.into(),
        description: extremes(&series, &bands, "force level"),
        quantity: "Force level".into(),
        unit: FORCE_DB.into(),
        bands,
        series,
        zero: None,
        caption,
    }))
}

/// The same speech at both ears, side by side.
pub(super) fn both_ears(pair: [&Capture<'_>; 2]) -> Option<Block> {
    let bands = bands_of(&pair);
    let mut rows = Vec::new();
    for (ear, capture) in ["Left ear", "Right ear"].into_iter().zip(pair) {
        let points = leq(capture.force?, &bands);
        rows.push(series(ear.into(), SeriesRole::Measured, true, points));
    }
    let title = "Force level of the same speech, left beside right";
    let caption = format!(
        "In each band the left block is the left ear, the right block the right ear: speech presented at {}\u{a0}dB\u{a0}SPL. {BLOCKS} How the ears differ is known better than either level, for what they share cancels: it stands below.",
        pair[0].row()
    );
    Some(force_levels(title, bands, rows, caption))
}

/// One capture: force with its largest F-weighted level, and sound.
pub(super) fn single(capture: &Capture<'_>) -> Option<Block> {
    let bands = capture.bands();
    let mut rows = Vec::new();
    if let Some(force) = capture.force {
        let fast = points(force, &bands, |b| Figure::from(&b.fast_max).into());
        rows.push(series(
            "Force".into(),
            SeriesRole::Measured,
            true,
            leq(force, &bands),
        ));
        rows.push(series(
            "Force, F max".into(),
            SeriesRole::Beside,
            false,
            fast,
        ));
    }
    if let Some(sound) = capture.sound {
        let alone = capture.force.is_none();
        let role = if alone {
            SeriesRole::Measured
        } else {
            SeriesRole::Beside
        };
        rows.push(series("Sound".into(), role, alone, leq(sound, &bands)));
    }
    let (quantity, unit) = match capture.force {
        Some(_) => ("Force level", FORCE_DB),
        None => ("Sound pressure level", SOUND_DB),
    };
    let also = match (capture.force, capture.sound) {
        (Some(_), Some(_)) => {
            format!(" Sound: pressure level at the reference microphone, {SOUND_DB}.")
        }
        _ => String::new(),
    };
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!(
            "{quantity} per third-octave band, recording “{}”",
            capture.name
        ),
        description: extremes(&rows, &bands, &quantity.to_lowercase()),
        quantity: quantity.into(),
        unit: unit.into(),
        bands,
        series: rows,
        zero: None,
        caption: format!(
            "A block reaches from the level exceeded for 90 % of the time to the one exceeded for 10 %; its waist is the equivalent level, which the table gives. F max: largest level with the time weighting F.{also}"
        ),
    })))
}

/// Force level minus pressure level of one capture.
pub(super) fn difference(capture: &Capture<'_>) -> Option<Block> {
    let differences = capture.differences()?;
    let bands: Vec<f64> = differences.iter().map(|(hz, _)| *hz).collect();
    let figures = differences.into_iter().map(|(_, figure)| figure);
    let points = figures.map(Point::from).collect();
    let rows = vec![series(
        "Force − sound".into(),
        SeriesRole::Measured,
        true,
        points,
    )];
    let (quantity, note) = match capture.role {
        CaptureRole::Sensitivity => (
            "Sensitivity level",
            "Acousto-mechanical sensitivity level: force level minus sound pressure level.",
        ),
        _ => (
            "Force − sound",
            "Force level minus sound pressure level, with this stimulus; a device that adapts gives another figure with another stimulus.",
        ),
    };
    Some(Block::Curves(Curves::Bands(BandCurves {
        title: format!(
            "Force level minus sound pressure level, recording “{}”",
            capture.name
        ),
        description: extremes(&rows, &bands, "difference"),
        quantity: quantity.into(),
        unit: DIFFERENCE_DB.into(),
        bands,
        series: rows,
        zero: None,
        caption: format!(
            "{note} The block is the figure, the thin line its expanded uncertainty. Noise in either channel is not subtracted."
        ),
    })))
}

fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
