//! # Sensitivity by two methods
//!
//! *Question.* Does noise tell the same sensitivity as tones?
//!
//! *Definition.* Sensitivity level with noise minus sensitivity level with tones, both
//! presented at 60 dB SPL, in the bands that hold both.
//!
//! *Method.* Band by band of the `sensitivity` capture against the step of the
//! `force_level_response` capture at the band's frequency. A linear device gives 0 dB; a
//! device that compresses gives less gain to a tone, whose whole level lies in one
//! channel, and the difference is told, not taken off.
//!
//! *Source.* Own definition.
//!
//! *Limits.* A band has the mean over its frequencies, a tone the gain at one: where the
//! response is steep they differ in a linear device, too.

use schemars::JsonSchema;
use serde::Serialize;

use super::Evidence;
use crate::diagnostic::Result;
pub use crate::measurement::NoOptions as Options;
use crate::measurement::{self, force_level_response, sensitivity};
use crate::quantity::{Band, LevelDifference, Reading, SensitivityLevel};

/// What either method found, and of which capture.
pub struct Input<'a> {
    noise: (&'a str, &'a sensitivity::Outcome),
    tones: (&'a str, &'a force_level_response::Outcome),
}

impl<'a> Input<'a> {
    /// One, if there is exactly one capture for either.
    pub fn bind(evidence: &Evidence<'a>) -> Vec<Self> {
        use measurement::Outcome::{ForceLevelResponse, Sensitivity};
        let (mut noise, mut tones) = (Vec::new(), Vec::new());
        for measured in &evidence.measured {
            match measured.outcome {
                Sensitivity(found) => noise.push((measured.capture(), found)),
                ForceLevelResponse(found) => tones.push((measured.capture(), found)),
                _ => {}
            }
        }
        match (noise.as_slice(), tones.as_slice()) {
            ([noise], [tones]) => vec![Self {
                noise: *noise,
                tones: *tones,
            }],
            _ => Vec::new(),
        }
    }

    /// The captures behind it.
    pub fn captures(&self) -> Vec<String> {
        vec![self.noise.0.to_owned(), self.tones.0.to_owned()]
    }
}

/// The sensitivity by both methods.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "MethodDifferenceOutcome")]
pub struct Outcome {
    /// One item per band that the tones hold.
    pub bands: Vec<BandDifference>,
}

/// One band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "MethodDifferenceBandDifference")]
pub struct BandDifference {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// With noise.
    pub noise: Reading<SensitivityLevel>,
    /// With tones.
    pub tones: Reading<SensitivityLevel>,
    /// Noise minus tones.
    pub difference: Reading<LevelDifference>,
}

/// Noise against tones, band by band.
///
/// # Errors
/// None: what is missing is missing in its band.
pub fn assess(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let in_band = |of: &sensitivity::BandSensitivity| {
        let hz = of.band.nominal_hz();
        let point = input.tones.1.curve.iter().find(|p| p.nominal_hz == hz)?;
        let difference = of.sensitivity.and(&point.sensitivity, |(a, ua), (b, ub)| {
            Reading::measured(LevelDifference::from_db(a.db() - b.db()), ua.minus(ub))
        });
        Some(BandDifference {
            band: of.band,
            noise: of.sensitivity.clone(),
            tones: point.sensitivity.clone(),
            difference,
        })
    };
    Ok(Outcome {
        bands: input.noise.1.bands.iter().filter_map(in_band).collect(),
    })
}
