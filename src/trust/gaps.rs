//! # Is anything missing from the recording, or in it twice?
//!
//! *Evidence.* Stretches of exact zeros, sudden steps and copied blocks, as
//! [`Integrity`](crate::capture::Integrity) describes them.
//! *Found from.* Zeros of 1 ms inside a signal; a step eight times what the signal
//! does around it; 64 samples that repeat bit for bit. Where tones step from level to
//! level by themselves, sudden steps tell nothing.

use super::{Found, Input, Sound, recorded};

/// What to do.
pub const NEXT: &str = "close other programs, raise the recorder's buffer, and record again";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    for (role, integrity) in recorded(input.levels) {
        let splices = (
            &integrity.splices,
            "the signal breaks off and goes on elsewhere",
        );
        let kinds = [
            Some((&integrity.dropouts, "the signal drops out")),
            (input.stated.sound != Sound::Stepped).then_some(splices),
            Some((&integrity.repeats, "a block of samples is there twice")),
        ];
        for (places, what) in kinds.into_iter().flatten() {
            if let [first_s, ..] = places.starts_s[..] {
                let often = match places.count {
                    1 => String::new(),
                    count => format!(", {count} times in all"),
                };
                return Found::doubtful(format!(
                    "{what} in the {} channel at {first_s:.3} s{often}",
                    role.name()
                ))
                .with("first_s", first_s);
            }
        }
    }
    Found::passed("nothing missing, nothing twice")
}
