//! # Did the device hear the level that the session states?
//!
//! *Evidence.* Level of the sum of all bands at the reference microphone while
//! sound plays, against `level_db_spl`.
//! *Found from.* 2 dB beyond the microphone's own uncertainty: a wrong
//! sensitivity, a wrong volume, or a microphone away from its place. (Stimulus
//! levels are held within 1.5 dB to 2.5 dB: from memory.)

use ndarray::Axis;

use super::{Found, Input, Sound};
use crate::levels::Bands;
use crate::quantity::{PressureLevel, Role};

/// What to do.
pub const NEXT: &str =
    "check the volume, the microphone's sensitivity and its place, or correct `level_db_spl`";

const ALLOWED_DB: f64 = 2.0;
/// Sound plays from the first to the last moment this far below the loudest.
const PLAYING_DB: f64 = 25.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let Some(stated_db) = input.stated.level_db_spl else {
        return Found::not_checked("no level is stated");
    };
    if !matches!(input.stated.sound, Sound::Speech | Sound::Steady) {
        return Found::not_checked("the level is not one and the same throughout");
    }
    let (Some(channel), Some(bands)) = (
        &input.levels.channels[Role::Microphone as usize],
        &input.levels.bands,
    ) else {
        return Found::not_checked("there are no band levels of the microphone");
    };
    let Some(level) = PressureLevel::from_mean_square(playing(bands)) else {
        return Found::failed("the microphone channel is silent");
    };
    let deviation_db = level.db() - stated_db;
    let told = format!(
        "the microphone reads {:.1} dB SPL, {:.1} dB {} the stated level",
        level.db(),
        deviation_db.abs(),
        if deviation_db < 0.0 { "below" } else { "above" }
    );
    let own_db = channel.expanded_uncertainty_db.unwrap_or(0.0);
    let found = if deviation_db.abs() > ALLOWED_DB + own_db {
        Found::doubtful(told)
    } else {
        Found::passed(told)
    };
    found.with("deviation_db", deviation_db)
}

/// Mean square at the microphone from when the sound sets in until it ends.
fn playing(bands: &Bands) -> f64 {
    let microphone = bands.course.index_axis(Axis(0), Role::Microphone as usize);
    let course = microphone.sum_axis(Axis(0));
    let loudest = course.fold(0.0f64, |a, b| a.max(*b));
    let sounds = |square: &f64| *square >= loudest * 10f64.powf(-PLAYING_DB / 10.0);
    let first = course.iter().position(sounds).unwrap_or(0);
    let last = course.iter().rposition(sounds).unwrap_or(0);
    course
        .iter()
        .skip(first)
        .take(last + 1 - first)
        .sum::<f64>()
        / (last + 1 - first) as f64
}
