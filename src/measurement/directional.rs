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
//! calibration of both channels cancels. 4. Where a capture without stimulus is
//! given and the back force stands less than 3 dB above it, the difference is only
//! a lower bound.
//!
//! *Source.* Own wording of the common definition; the correction by the
//! reference microphone is common practice, no source.
//!
//! *Limits.* A box that is not closed, or a device that still adapts, changes
//! the figure. A front-to-back difference is not a directivity index.

use serde::Serialize;

use super::Captures;
pub use super::NoOptions as Options;
use crate::diagnostic::Result;
use crate::levels::{Levels, Needs};
use crate::quantity::{Band, LevelDifference, Reading, Role};
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

/// Below this distance from the noise, the back figure is the noise's, in dB.
const CLEAR_DB: f64 = 3.0;

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
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// One item per band.
    pub bands: Vec<BandDifference>,
    /// Difference of the band sums.
    pub broadband: Reading<LevelDifference>,
}

/// The difference in one band.
#[derive(Debug, Clone, Serialize)]
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
    for capture in [input.front, input.back] {
        for role in Role::ALL {
            capture.channel(role, "directional")?;
        }
    }
    let (front, back) = (input.front.bands()?, input.back.bands()?);
    let mut bands = Vec::new();
    let mut measured = Vec::new();
    for (column, band) in front.bands.iter().enumerate() {
        if back.bands.get(column) != Some(band) {
            continue;
        }
        let mut channels = input.front.channels.iter().flatten();
        let gap = channels.find_map(|channel| channel.gap(*band));
        let front_to_back = match gap {
            Some(gap) => Reading::not_measured(gap),
            None => {
                measured.push(column);
                difference(input, &[column])?
            }
        };
        bands.push(BandDifference {
            band: *band,
            front_to_back,
        });
    }
    let broadband = difference(input, &measured)?;
    Ok(Outcome { bands, broadband })
}

/// Front gain minus back gain of the bands at `columns` together.
fn difference(input: &Input<'_>, columns: &[usize]) -> Result<Reading<LevelDifference>> {
    let (Some(front), Some(back)) = (input.front.gain(columns)?, input.back.gain(columns)?) else {
        let why = "a channel is silent or the interval too short";
        return Ok(Reading::not_measured(why));
    };
    let figure = LevelDifference::from_db(front.db - back.db);
    let force = |capture: &Levels| -> Result<f64> {
        let mean_square = &capture.bands()?.mean_square;
        Ok(columns.iter().map(|column| mean_square[(0, *column)]).sum())
    };
    if let Some(noise) = input.noise
        && noise.bands()?.bands == input.front.bands()?.bands
        && force(input.back)? < 10f64.powf(CLEAR_DB / 10.0) * force(noise)?
    {
        let why = "the back force stands less than 3 dB above the noise";
        return Ok(Reading::AtLeast(figure, why.into()));
    }
    let uncertainty = front.uncertainty.minus(&back.uncertainty);
    Ok(Reading::measured(figure, uncertainty))
}
