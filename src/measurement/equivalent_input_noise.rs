//! # Equivalent input noise
//!
//! *Question.* How loud a sound would make the noise that the device makes by
//! itself?
//!
//! *Definition.* Force level without sound minus the sensitivity level, band by
//! band, in dB re 20 µPa; in total the power sum of the bands from 200 Hz to 5 kHz.
//!
//! *Method.* 1. Mean square of the force without sound. 2. Less what the recorder
//! adds: the force in the capture of the room with the device off. 3. Less what
//! the device makes of the room's sound: in the capture without sound both
//! channels share it, and with the squared coherence γ² of a band, microphone power
//! M, force power F and power gain G it is √(γ² M F G), whatever noise the
//! microphone channel has of its own. 4. The rest over the power gain of the
//! capture with sound.
//!
//! *Source.* L_N − (L_50 − 50), broadband from 200 Hz to 5 kHz: IEC 60118-0 (from
//! memory). Room and recorder: own derivation; chance of γ²: Bendat and Piersol,
//! Random Data, 4th ed. (public transcription).
//!
//! *Uncertainty.* Of the microphone's calibration, that of the force cancels; of
//! chance in either capture; of recorder and room, as noise.
//!
//! *Limits.* Where the recorder holds a tenth of the force, or the room may hold half of
//! it, or where there is no capture with the device off, a figure is an upper bound. The gain is that for
//! the sound played: a device that compresses has more without sound, and its
//! noise is overstated by as much.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::Captures;
pub use super::NoOptions as Options;
use crate::diagnostic::Result;
use crate::levels::{Bands, Levels, Needs, skirts};
use crate::quantity::{Band, ForceLevel, Origin, PressureLevel, Reading, Role, Uncertainty};
use crate::trust::Check;

/// Third-octave levels, and cross-spectra over the interval.
pub const NEEDS: Needs = Needs {
    bands: true,
    response: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Clipping,
    Check::Gaps,
    Check::Hum,
    Check::Impulses,
    Check::Calibration,
    Check::MicrophonePosition,
    Check::TestBox,
];

/// Bands of the total, in Hz.
const TOTAL_HZ: [f64; 2] = [200.0, 5000.0];
/// More of the force than this may not be the room's sound.
const MOST: f64 = 0.5;
/// Expanded uncertainty of a band's filter on a flat spectrum, in dB
/// (docs/accuracy.md).
const FILTER_DB: f64 = 0.05;

/// A capture without sound, one with, and one of the room.
pub struct Input<'a> {
    /// No stimulus, device on.
    pub quiet: &'a Levels,
    /// Broadband sound.
    pub sensitivity: &'a Levels,
    /// Device off.
    pub room_noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            quiet: captures.role("capture")?,
            sensitivity: captures.role("sensitivity")?,
            room_noise: captures.optional("room_noise"),
        })
    }
}

/// The noise.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "EquivalentInputNoiseOutcome")]
pub struct Outcome {
    /// Of the bands from 200 Hz to 5 kHz together.
    pub total: Reading<PressureLevel>,
    /// One item per band.
    pub bands: Vec<BandNoise>,
}

/// The noise in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandNoise {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Force level of the device's own noise minus the sensitivity level.
    pub equivalent_input_noise: Reading<PressureLevel>,
}

/// The noise in every band, and in total.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    for capture in [input.quiet, input.sensitivity] {
        capture.both_channels("equivalent_input_noise")?;
    }
    let quiet = input.quiet.bands()?;
    let powers = quiet.mean_square.row(Role::Force as usize).to_vec();
    let excess = skirts::excess(&powers);
    let mut bands = Vec::new();
    for (column, band) in quiet.bands.iter().enumerate() {
        bands.push(BandNoise {
            band: *band,
            equivalent_input_noise: noise(input, *band, column, excess[column])?,
        });
    }
    Ok(Outcome {
        total: total(&bands),
        bands,
    })
}

fn noise(
    input: &Input<'_>,
    band: Band,
    column: usize,
    excess: f64,
) -> Result<Reading<PressureLevel>> {
    let edges = [band.lower_hz(), band.upper_hz()];
    let (sensitivity, random) = match input.sensitivity.sensitivity(edges, band)?.level {
        Reading::Measured(level, budget) => (level, budget.part(Origin::Statistics)),
        Reading::NotMeasured(why) => return Ok(Reading::NotMeasured(why)),
        _ => return Ok(Reading::not_measured("the sensitivity is only a bound")),
    };
    let quiet = input.quiet.bands()?;
    let [force, sound] = Role::ALL.map(|role| quiet.power_of(role, &[column]));
    let level = |share: f64| {
        let force = ForceLevel::from_mean_square(share * force)?;
        Some(force.before(sensitivity))
    };
    let Some(whole) = level(1.0) else {
        return Ok(Reading::not_measured(
            "digital silence: every sample is zero",
        ));
    };
    let room = room(input, edges, sound * sensitivity.power_gain() / force)?;
    let off = match input.room_noise {
        Some(off) => off.bands()?,
        None => {
            let why = "without a capture with the device off (`room_noise`) what the recorder adds is not known";
            return Ok(Reading::AtMost(whole, why.into()));
        }
    };
    let Some(recorder) = off.floor(band, Role::Force).map(|floor| floor / force) else {
        return Ok(Reading::AtMost(
            whole,
            "the capture with the device off lacks the band".into(),
        ));
    };
    // What the device's noise does to a recorder of few bits is not in the capture
    // without it: little may be taken off.
    let clear = 10f64.powf(-Bands::CLEAR_DB / 10.0);
    if recorder > clear || recorder + room.most > MOST {
        let why = if recorder > clear {
            "a tenth of it or more is the recorder's own noise"
        } else {
            "half of it or more may be the sound of the room"
        };
        return Ok(Reading::AtMost(whole, why.into()));
    }
    let own = 1.0 - recorder - room.likely;
    let db = |ratio: f64| 10.0 * ratio.log10();
    let apart = db(own / (1.0 - recorder - room.most)).max(db((1.0 - recorder - room.least) / own));
    // Chance in a sum whose one part is taken away weighs on the rest.
    let chance = |u: Option<f64>, share: f64| u.map(|u| u * share / own);
    let off_column = [off
        .bands
        .iter()
        .position(|other| *other == band)
        .unwrap_or(column)];
    let [_, Some(microphone)] = &input.quiet.channels else {
        return Ok(Reading::not_measured("there is no microphone channel"));
    };
    let budget = microphone
        .uncertainty_at(band.exact_hz())
        .and(Origin::Analysis, FILTER_DB.hypot(skirts::error_db(excess)))
        .and(Origin::Statistics, random)
        .and(
            Origin::Statistics,
            chance(quiet.statistics_db(Role::Force, &[column]), 1.0),
        )
        .and(
            Origin::Statistics,
            chance(off.statistics_db(Role::Force, &off_column), recorder),
        )
        .and(Origin::Noise, apart);
    Ok(match level(own) {
        Some(level) => Reading::measured(level, budget),
        None => Reading::AtMost(whole, "recorder and room leave nothing of it".into()),
    })
}

/// What of the force is the room's sound, as shares of its power.
struct Room {
    least: f64,
    likely: f64,
    most: f64,
}

/// `all` is the share if everything in the microphone channel were sound.
fn room(input: &Input<'_>, [from_hz, to_hz]: [f64; 2], all: f64) -> Result<Room> {
    let Some(common) = input.quiet.response()?.common(from_hz, to_hz) else {
        return Ok(Room {
            least: 0.0,
            likely: 0.0,
            most: all,
        });
    };
    let share = |coherence: f64| (coherence.max(0.0) * all).sqrt().min(all);
    Ok(Room {
        least: share(common.coherence - 2.0 * common.error),
        likely: share(common.coherence),
        most: share(common.coherence + 2.0 * common.error),
    })
}

/// The power sum of the bands of the total; a bound among them bounds it.
fn total(bands: &[BandNoise]) -> Reading<PressureLevel> {
    let inside = |b: &&BandNoise| (TOTAL_HZ[0]..=TOTAL_HZ[1]).contains(&b.band.nominal_hz());
    let (mut levels, mut bound) = (Vec::new(), Vec::new());
    // As if the errors of all bands went the same way, each part by itself.
    let mut weighted: BTreeMap<Origin, Option<f64>> = BTreeMap::new();
    for band in bands.iter().filter(inside) {
        match &band.equivalent_input_noise {
            Reading::Measured(level, own) => {
                levels.push(*level);
                for (origin, part) in own.parts() {
                    let sum = weighted.entry(origin).or_insert(Some(0.0));
                    *sum = sum.zip(part).map(|(sum, u)| sum + level.mean_square() * u);
                }
            }
            Reading::AtMost(level, _) => {
                levels.push(*level);
                bound.push(band.band.name());
            }
            _ => {
                let name = band.band.name();
                return Reading::not_measured(format!("there is no figure at {name}"));
            }
        }
    }
    let Some(level) = PressureLevel::power_sum(levels) else {
        return Reading::not_measured("no band from 200 Hz to 5 kHz was measured");
    };
    if bound.is_empty() {
        let part = |budget: Uncertainty, (origin, sum): (Origin, Option<f64>)| {
            budget.and(origin, sum.map(|sum| sum / level.mean_square()))
        };
        let budget = weighted.into_iter().fold(Uncertainty::EXACT, part);
        Reading::measured(level, budget)
    } else {
        Reading::AtMost(
            level,
            format!("there are only bounds at {}", bound.join(", ")),
        )
    }
}
