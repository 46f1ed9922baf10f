//! # Front-to-back difference
//!
//! *Question.* Do the directional microphones favour the front?
//!
//! *Definition.* Force level with the sound from the front minus force level
//! with the same sound from the back, after removing the difference of the two
//! sounds at the reference microphone, band by band.
//!
//! *Method.* 1. Gain of each capture in each band: force level minus pressure
//! level over the interval. 2. Front gain minus back gain. 3. Its uncertainty
//! from how the gain scatters in time and from what the filters let in; the
//! calibration of both channels cancels. 4. The mean over the bands, weighted by
//! their importance for speech. 5. Where a capture without stimulus is given: a
//! front force or a sound pressure less than 3 dB above it cannot be measured;
//! under a back force less than 3 dB above it the difference is a lower bound;
//! else what the noise adds to each level is a part of the uncertainty.
//!
//! *Source.* Own wording of the common definition; the correction by the
//! reference microphone is common practice, no source. Importance: ANSI
//! S3.5-1997.
//!
//! *Limits.* A box that is not closed, or a device that still adapts, changes
//! the figure. A front-to-back difference is not a directivity index.

use schemars::JsonSchema;
use serde::Serialize;

use super::Captures;
pub use super::NoOptions as Options;
use super::gain_difference::{UNKNOWN, added_db, by_band, difference};
use super::importance::Weighted;
use crate::diagnostic::Result;
use crate::levels::{Levels, Needs};
use crate::quantity::{Band, LevelDifference, Origin, Reading, Role};
use crate::trust::Check;

/// Third-octave levels.
pub const NEEDS: Needs = Needs {
    bands: true,
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
    Check::MicrophonePosition,
    Check::RoomNoise,
    Check::TestBox,
];

/// A capture from the front, one from the back, and one without stimulus.
pub struct Input<'a> {
    /// Sound from the front.
    pub front: &'a Levels,
    /// Sound from the back.
    pub back: &'a Levels,
    /// No stimulus.
    pub noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`].
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            front: captures.role("front")?,
            back: captures.role("back")?,
            noise: captures.optional("equivalent_input_noise"),
        })
    }
}

/// The differences.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DirectionalOutcome")]
pub struct Outcome {
    /// One item per band.
    pub bands: Vec<BandDifference>,
    /// Difference of the band sums.
    pub broadband: Reading<LevelDifference>,
    /// Weighted by the importance of the bands for speech.
    pub importance_weighted: Weighted,
}

/// The difference in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DirectionalBandDifference")]
pub struct BandDifference {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Front minus back.
    pub front_to_back: Reading<LevelDifference>,
}

/// Front minus back in every band that both captures hold.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let (bands, broadband) = by_band(
        [input.front, input.back],
        "directional",
        |columns| front_to_back(input, columns),
        |band, front_to_back| BandDifference {
            band,
            front_to_back,
        },
    )?;
    let each = bands.iter().map(|b| (b.band, &b.front_to_back));
    Ok(Outcome {
        importance_weighted: Weighted::over(each),
        broadband,
        bands,
    })
}

/// Front gain minus back gain of the bands at `columns` together.
fn front_to_back(input: &Input<'_>, columns: &[usize]) -> Result<Reading<LevelDifference>> {
    let Some((figure, uncertainty)) = difference([input.front, input.back], columns)? else {
        return Ok(Reading::not_measured(UNKNOWN));
    };
    let Some(noise) = input.noise else {
        return Ok(Reading::measured(figure, uncertainty));
    };
    if noise.bands()?.bands != input.front.bands()?.bands {
        return Ok(Reading::measured(figure, uncertainty));
    }
    let added = |capture, role| added_db(capture, noise, role, columns);
    let Some(of_sounds) = added(input.front, Role::Microphone)?
        .zip(added(input.back, Role::Microphone)?)
        .map(|(front, back)| front - back)
    else {
        let why = "the sound stands less than 3 dB above the noise of the room";
        return Ok(Reading::not_measured(why));
    };
    let Some(of_front) = added(input.front, Role::Force)? else {
        let why = "the front force stands less than 3 dB above the noise";
        return Ok(Reading::not_measured(why));
    };
    let Some(of_back) = added(input.back, Role::Force)? else {
        let why = "the back force stands less than 3 dB above the noise";
        return Ok(Reading::AtLeast(figure, why.into()));
    };
    let noise = (of_front - of_back - of_sounds).abs();
    Ok(Reading::measured(
        figure,
        uncertainty.and(Origin::Noise, noise),
    ))
}
