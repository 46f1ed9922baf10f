//! # Does the sound stand clear of the noise of the room and the bench?
//!
//! *Evidence.* Band levels against those of a capture with the device off.
//! *Found from.* Less than 10 dB between them (ambient noise at least 10 dB below
//! the signal: IEC 60118-9, by a secondary text) in a band of either channel that
//! is at most 30 dB weaker than the strongest. Figures of any such band are upper
//! bounds.

use super::{Found, Input, Sound, channels};
use crate::levels::Bands;
use crate::quantity::{Band, Role};

/// What to do.
pub const NEXT: &str = "close the box, silence the room, and record again";

/// Bands this far below the strongest carry little of the sound, in dB.
const CARRIES_DB: f64 = 30.0;

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    if matches!(input.stated.sound, Sound::Silence | Sound::Calibrator) {
        return Found::not_checked("nothing was played");
    }
    let Some(noise) = input.room_noise.and_then(|noise| noise.bands.as_ref()) else {
        return Found::not_checked("no capture with the role `room_noise`");
    };
    let Some(signal) = &input.levels.bands else {
        return Found::not_checked("there are no band levels");
    };
    for role in channels(input.levels) {
        let masked: Vec<(Band, f64)> = margins(signal, noise, role)
            .filter(|(_, margin_db)| *margin_db < Bands::CLEAR_DB)
            .collect();
        let least = masked
            .iter()
            .map(|(_, db)| *db)
            .fold(f64::INFINITY, f64::min);
        if let [(first, _), ..] = masked.as_slice() {
            let others = match masked.len() - 1 {
                0 => String::new(),
                n => format!(" and {n} more"),
            };
            return Found::doubtful(format!(
                "the noise comes within 10 dB of the sound in the {} channel at {}{others}",
                role.name(),
                first.name()
            ))
            .with("signal_to_noise_db", least);
        }
    }
    Found::passed("the noise lies 10 dB or more below the sound in every band")
}

/// Signal above noise in dB, for every band of both captures that carries sound.
fn margins(signal: &Bands, noise: &Bands, role: Role) -> impl Iterator<Item = (Band, f64)> {
    let squares = signal.mean_square.row(role as usize);
    let strongest = squares.fold(0.0f64, |a, b| a.max(*b));
    let of = move |(column, band): (usize, &Band)| {
        let floor = noise.floor(*band, role)?;
        let square = squares[column];
        let carries = square > strongest * 10f64.powf(-CARRIES_DB / 10.0);
        (carries && floor > 0.0).then(|| (*band, 10.0 * (square / floor).log10()))
    };
    signal.bands.iter().enumerate().filter_map(of)
}
