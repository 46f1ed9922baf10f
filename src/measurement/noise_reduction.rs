//! # Noise reduction
//!
//! *Question.* By how much does the device turn steady noise down?
//!
//! *Definition.* Gain with the noise reduction off minus gain with it on and
//! settled, the same steady noise presented to both; gain is force level minus
//! sound pressure level at the reference microphone.
//!
//! *Method.* 1. Gain of both captures in each band: an unequal presentation
//! cancels. 2. Off minus on; its uncertainty from how either gain scatters in
//! time and from what the filters let in, while the calibration of both
//! channels cancels. 3. The mean over the bands, weighted by their importance
//! for speech. 4. Where a capture without stimulus is given and the reduced
//! force stands less than 10 dB above it, the reduction is only a lower bound.
//!
//! *Source.* Own wording; the gain reduction for noise of IEC 60118-16:2022 has
//! the same aim (title and scope seen, standard not opened). Importance: ANSI
//! S3.5-1997.
//!
//! *Limits.* What the device does to steady noise alone says nothing of speech in
//! noise. A capture that begins before the reduction has settled shows too little.

use schemars::JsonSchema;
use serde::Serialize;

use super::Captures;
pub use super::NoOptions as Options;
use super::gain_difference::{UNKNOWN, by_band, difference};
use super::importance::Weighted;
use crate::diagnostic::Result;
use crate::levels::{Bands, Levels, Needs};
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

/// The same steady noise with the feature off and on, and no sound.
pub struct Input<'a> {
    /// Noise reduction off.
    pub off: &'a Levels,
    /// Noise reduction on and settled.
    pub on: &'a Levels,
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
            off: captures.role("noise_reduction_off")?,
            on: captures.role("noise_reduction_on")?,
            noise: captures.optional("equivalent_input_noise"),
        })
    }
}

/// The reduction.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "NoiseReductionOutcome")]
pub struct Outcome {
    /// One item per band.
    pub bands: Vec<BandReduction>,
    /// Of the band sums.
    pub broadband: Reading<LevelDifference>,
    /// Weighted by the importance of the bands for speech.
    pub importance_weighted: Weighted,
}

/// The reduction in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandReduction {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Gain off minus gain on.
    pub noise_reduction: Reading<LevelDifference>,
}

/// Gain off minus gain on in every band that both captures hold.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let (bands, broadband) = by_band(
        [input.off, input.on],
        "noise_reduction",
        |columns| reduction(input, columns),
        |band, noise_reduction| BandReduction {
            band,
            noise_reduction,
        },
    )?;
    let each = bands.iter().map(|b| (b.band, &b.noise_reduction));
    Ok(Outcome {
        importance_weighted: Weighted::over(each),
        broadband,
        bands,
    })
}

/// Gain off minus gain on of the bands at `columns` together.
fn reduction(input: &Input<'_>, columns: &[usize]) -> Result<Reading<LevelDifference>> {
    let Some((figure, uncertainty)) = difference([input.off, input.on], columns)? else {
        return Ok(Reading::not_measured(UNKNOWN));
    };
    let force =
        |capture: &Levels| -> Result<f64> { Ok(capture.bands()?.power_of(Role::Force, columns)) };
    if let Some(noise) = input.noise
        && noise.bands()?.bands == input.on.bands()?.bands
        && force(input.on)? < 10f64.powf(Bands::CLEAR_DB / 10.0) * force(noise)?
    {
        let why = "the reduced force stands less than 10 dB above the device's own noise";
        return Ok(Reading::AtLeast(figure, why.into()));
    }
    Ok(Reading::measured(figure, uncertainty))
}
