//! The speech intelligibility index of force levels.

use super::super::absent;
use super::super::speech_intelligibility::{QUIET_DB, Spectrum, index};
use super::{BandAudibility, Input, at_most, common};
use crate::quantity::{Band, ForceLevel, Number, Reading};
use crate::table::speech_intelligibility::{BANDS, speech_bands};

/// Largest share of speech in bands without a figure that still gives an index.
const LARGEST_GAP: f64 = 0.1;
/// Speech whose average lies this far below the threshold adds nothing to the index, in dB
/// (ANSI S3.5-1997: peaks stand 15 dB above the average).
const USELESS_DB: f64 = 15.0;
/// Stands for a threshold where nothing is heard at all, in dB HL.
const UNREACHABLE_DB_HL: f64 = 200.0;

/// The index of the speech for this person.
pub(super) fn of(input: &Input<'_>, bands: &[BandAudibility]) -> Reading<Number> {
    let Some(zero) = input.hearing.zero() else {
        return absent(
            "the zero of a dial (`person.dial_zero`) is needed to carry force to the free field of the procedure",
        );
    };
    let mut speech: Spectrum = [QUIET_DB; BANDS];
    let mut noise: Spectrum = [QUIET_DB; BANDS];
    let mut threshold: Spectrum = [UNREACHABLE_DB_HL; BANDS];
    let (mut gap, mut bound) = (0.0, None);
    for (i, known) in speech_bands().iter().enumerate() {
        let found = bands
            .iter()
            .find(|b| b.band.nominal_hz() == known.nominal_hz);
        let force = found.and_then(|found| level_of(input, found.band));
        let (Some(found), Some((force, above)), Some(zero)) =
            (found, force, zero.at(known.nominal_hz))
        else {
            gap += known.importance;
            continue;
        };
        let in_free_field =
            |force: ForceLevel| (force - zero).db() + known.threshold_db - known.bandwidth_db;
        speech[i] = in_free_field(force);
        if let Some(own) = found.noise.figure() {
            noise[i] = in_free_field(own);
        }
        // A bound far below the threshold counts for nothing, as the speech below it does.
        let counts = match &found.threshold {
            Reading::Measured(level, _) => (force - *level).db() > -USELESS_DB,
            _ => true,
        };
        if let Some(why) = above.filter(|_| counts) {
            bound = Some(why.to_owned());
        }
        match &found.threshold {
            Reading::Measured(level, _) => threshold[i] = (*level - zero).db(),
            Reading::AtLeast(level, why) => {
                threshold[i] = (*level - zero).db();
                bound = Some(why.clone());
            }
            _ if input.hearing.no_response(found.band) => {}
            _ => gap += known.importance,
        }
    }
    let figure = Number(index(&speech, &noise, &threshold));
    let percent = 100.0 * gap;
    match (common(bands), bound) {
        _ if gap > LARGEST_GAP => absent(&format!(
            "bands that carry {percent:.0} % of speech have no level, no threshold or no zero"
        )),
        (None, _) => absent("no band has both speech and a threshold"),
        (Some(_), Some(_)) if gap > 0.0 => {
            absent("some thresholds are bounds and some are missing")
        }
        (Some(_), Some(why)) => Reading::AtMost(figure, why),
        (Some(_), None) if gap > 0.0 => Reading::AtLeast(
            figure,
            format!("bands that carry {percent:.1} % of speech are missing and taken as not heard"),
        ),
        (Some(budget), None) => {
            let shifted = |off: f64| index(&speech.map(|level| level + off), &noise, &threshold);
            Reading::measured(figure, budget.through(shifted))
        }
    }
}

fn level_of<'a>(input: &Input<'a>, band: Band) -> Option<(ForceLevel, Option<&'a str>)> {
    let mut bands = input.speech.speech.bands.iter();
    at_most(&bands.find(|speech| speech.band == band)?.force.leq)
}
