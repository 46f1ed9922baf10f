//! # Is the recording long enough for what is asked of it?
//!
//! *Evidence.* Its length. Levels carry their statistical uncertainty anyway;
//! percentiles of speech do not.
//! *Found from.* Less than the 45 s over which IEC 60118-15 analyses speech.

use super::{Found, Input, Sound};

/// What to do.
pub const NEXT: &str =
    "record a minute of speech; the first seconds are left to the device to settle";

const SPEECH_S: f64 = 45.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let bands = input.levels.bands.as_ref();
    let analysed_s = bands.map_or(input.levels.duration_s, |b| b.duration_s());
    let found = if input.stated.sound == Sound::Speech && analysed_s < SPEECH_S {
        Found::doubtful(format!(
            "only {analysed_s:.0} s of speech: its loudest and softest parts rest on few moments"
        ))
    } else {
        Found::passed(format!("{analysed_s:.0} s"))
    };
    found.with("analysed_s", analysed_s)
}
