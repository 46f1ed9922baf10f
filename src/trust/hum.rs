//! # Does the mains hum in it?
//!
//! *Evidence.* A line within 0.5 Hz of 50 Hz or 60 Hz, 15 dB above the density
//! beside it in every one of up to eight long windows.
//! *Found from.* Such a line 30 dB below the whole signal of its channel; a
//! weaker one is told and passes.

use super::{Found, Input, State, channels};

/// What to do.
pub const NEXT: &str =
    "look for a loop through the earth wires, run the recorder from its battery, and record again";

/// Weakest hum that matters, in dB re the signal of the channel.
const MATTERS_DB: f64 = -30.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let Some(setup) = input.levels.setup.as_ref() else {
        return Found::not_checked("not asked for");
    };
    if setup.probes.window_s == 0.0 {
        return Found::not_checked("the recording is too short to tell hum from other sound");
    }
    let mut found = Found::passed("no hum");
    for role in channels(input.levels) {
        let Some(hum) = setup.probes.hum[role as usize] else {
            continue;
        };
        let below_db = 10.0 * hum.share.log10();
        let told = format!(
            "the {} channel hums at {:.0} Hz, {:.0} dB below its signal",
            role.name(),
            hum.mains_hz,
            -below_db
        );
        let state = if below_db > MATTERS_DB {
            State::Doubtful
        } else {
            State::Passed
        };
        if found.evidence.is_empty() || state > found.state {
            found = Found::new(state, told)
                .with("mains_hz", hum.mains_hz)
                .with("hum_re_signal_db", below_db);
        }
    }
    found
}
