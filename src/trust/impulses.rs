//! # Does something rattle?
//!
//! *Evidence.* Clicks: single milliseconds that stand 12 dB above what is around
//! them once low frequencies are held back, in sound that goes on as before.
//! *Found from.* A knock of 3 kHz with a first amplitude 22 dB above the r.m.s. of
//! pink noise; less in sound with less treble. Peaks below four times the r.m.s.
//! of the channel pass.

use super::{Found, Input, channels};

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
        let mut clicks = impulses.clicks.iter();
        let loud = || {
            let clicks = impulses.clicks.iter();
            clicks.filter(|click| click.peak >= PEAK * impulses.rms)
        };
        if let Some(first) = clicks.find(|click| click.peak >= PEAK * impulses.rms) {
            let strongest = loud().map(|click| click.peak).fold(0.0, f64::max);
            let count = loud().count();
            let noun = if count == 1 { "click" } else { "clicks" };
            return Found::doubtful(format!(
                "{count} {noun} in the {} channel, the first at {:.2} s",
                role.name(),
                first.at_s
            ))
            .with("first_s", first.at_s)
            .with("peak_re_rms_db", 20.0 * (strongest / impulses.rms).log10());
        }
    }
    Found::passed("no clicks")
}
