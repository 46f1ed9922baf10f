//! # Does something rattle?
//!
//! *Evidence.* Clicks: single milliseconds that stand 12 dB above what is around
//! them once low frequencies are held back, in sound that goes on as before.
//! *Found from.* A knock of 3 kHz with a first amplitude 22 dB above the r.m.s. of
//! pink noise; less in sound with less treble. Peaks below four times the r.m.s.
//! of the channel pass.

use super::{Found, Input, channels};
use crate::levels::impulses::Click;

/// What to do.
pub const NEXT: &str =
    "close the lid, lay the cable still, check the snap coupling, and record again";

/// Least peak, in r.m.s. values of the channel.
const PEAK: f64 = 4.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    let Some(setup) = input.levels.setup.as_ref() else {
        return Found::not_checked("not asked for");
    };
    for role in channels(input.levels) {
        let impulses = &setup.impulses[role as usize];
        let loud = |click: &&Click| click.peak >= PEAK * impulses.rms;
        let clicks: Vec<&Click> = impulses.clicks.iter().filter(loud).collect();
        let first_s = clicks.iter().map(|click| click.at_s).reduce(f64::min);
        if let Some(first_s) = first_s {
            let strongest = clicks.iter().map(|click| click.peak).fold(0.0, f64::max);
            let noun = if clicks.len() == 1 { "click" } else { "clicks" };
            return Found::doubtful(format!(
                "{} {noun} in the {} channel, the first at {first_s:.2} s",
                clicks.len(),
                role.name()
            ))
            .with("first_s", first_s)
            .with("peak_re_rms_db", 20.0 * (strongest / impulses.rms).log10());
        }
    }
    Found::passed("no clicks")
}
