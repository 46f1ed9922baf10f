//! The gain of one capture minus that of another, band by band.

use crate::diagnostic::Result;
use crate::levels::Levels;
use crate::quantity::{Band, LevelDifference, Reading, Role, Uncertainty};

/// Every band that two captures hold with its difference, and that of all
/// measured bands together; `of` gives that of the bands at some columns.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels, and those of `of`.
pub(super) fn by_band<B>(
    captures: [&Levels; 2],
    measurement: &'static str,
    of: impl Fn(&[usize]) -> Result<Reading<LevelDifference>>,
    band: impl Fn(Band, Reading<LevelDifference>) -> B,
) -> Result<(Vec<B>, Reading<LevelDifference>)> {
    for capture in captures {
        capture.both_channels(measurement)?;
    }
    let [first, second] = captures;
    let (own, others) = (first.bands()?, second.bands()?);
    let (mut found, mut measured) = (Vec::new(), Vec::new());
    for (column, here) in own.bands.iter().enumerate() {
        if others.bands.get(column) != Some(here) {
            continue;
        }
        let mut channels = first.channels.iter().flatten();
        let difference = match channels.find_map(|channel| channel.gap(*here)) {
            Some(gap) => Reading::not_measured(gap),
            None => {
                measured.push(column);
                of(&[column])?
            }
        };
        found.push(band(*here, difference));
    }
    Ok((found, of(&measured)?))
}

/// Gain of the first minus gain of the second, the bands at `columns` together,
/// and its uncertainty; `None` where a channel is silent or the interval too short.
///
/// # Errors
/// Those of [`Levels::gain`].
pub(super) fn difference(
    [first, second]: [&Levels; 2],
    columns: &[usize],
) -> Result<Option<(LevelDifference, Uncertainty)>> {
    let (Some(first), Some(second)) = (first.gain(columns)?, second.gain(columns)?) else {
        return Ok(None);
    };
    Ok(Some((
        LevelDifference::from_db(first.db - second.db),
        first.uncertainty.minus(&second.uncertainty),
    )))
}

/// Why [`difference`] is `None`.
pub(super) const UNKNOWN: &str = "a channel is silent or the interval too short";

/// Closer than this to the noise, a level is the noise's, in dB.
pub(super) const NOISE_CLEAR: f64 = 3.0;

/// By how much `noise` raises the level of `capture`, in dB; `None` where the
/// level is the noise's.
pub(super) fn added_db(
    capture: &Levels,
    noise: &Levels,
    role: Role,
    columns: &[usize],
) -> Result<Option<f64>> {
    if noise.channels[role as usize].is_none() {
        return Ok(Some(0.0));
    }
    let [noise, own] = [noise.bands()?, capture.bands()?].map(|b| b.power_of(role, columns));
    let share = noise / own;
    let clear = share < 10f64.powf(-NOISE_CLEAR / 10.0);
    Ok(clear.then(|| -10.0 * (1.0 - share).log10()))
}
