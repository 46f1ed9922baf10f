//! # Audibility
//!
//! *Question.* Which part of speech at a presented level does this person hear?
//!
//! *Definition.* Sensation level: long-term force level minus threshold, band by
//! band. Audible share: part of the range between the 30th and the 99th
//! percentile, in decibels, that lies above the threshold. Audibility index:
//! [the speech intelligibility index](super::speech_intelligibility).
//!
//! *Method.* 1. Force level minus threshold. 2. A band in which a capture
//! without stimulus stands less than 3 dB below the speech is set by the
//! device's noise. 3. For the index, force levels as the free-field spectrum
//! levels of equal hearing level: E = L − zero + T₀ − 10 lg(bandwidth); the
//! device's noise likewise; thresholds as dial levels. 4. Uncertainty: each part
//! of the sensation level's, carried through.
//!
//! *Source.* Index as cited there. The force domain is our own derivation: no
//! standard defines an index there. 3 dB: half of the power.
//!
//! *Limits.* An error of the dial's zero moves every band. The index tells what
//! is audible, not what is understood.

mod index;
mod share;

use schemars::JsonSchema;
use serde::Serialize;

use super::hearing::Hearing;
use super::{Evidence, PresentedSpeech, absent, force_bands};
use crate::diagnostic::Result;
pub use crate::measurement::NoOptions as Options;
use crate::measurement::levels;
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{
    Band, ForceLevel, LevelDifference, Number, Percent, PressureLevel, Reading, Uncertainty,
};
use crate::table::speech_intelligibility::speech_bands;

/// Noise this close below the speech sets the level, in dB.
const SET_BY_NOISE_DB: f64 = 3.0;

/// Speech at one level, the person, and the device's noise if it was captured.
pub struct Input<'a> {
    speech: PresentedSpeech<'a>,
    noise: Option<(&'a str, &'a levels::Outcome)>,
    hearing: &'a Hearing,
}

impl<'a> Input<'a> {
    /// One for each presented level.
    pub fn bind(evidence: &Evidence<'a>) -> Vec<Self> {
        let Some(subject) = evidence.subject else {
            return Vec::new();
        };
        let noise = evidence.levels("equivalent_input_noise");
        let of = |speech| Self {
            speech,
            noise,
            hearing: &subject.hearing,
        };
        evidence.speech().into_iter().map(of).collect()
    }

    /// The captures behind it.
    pub fn captures(&self) -> Vec<String> {
        let noise = self.noise.map(|(capture, _)| capture);
        let each = std::iter::once(self.speech.capture).chain(noise);
        each.map(str::to_owned).collect()
    }
}

/// What is heard of speech at one level.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "AudibilityOutcome")]
pub struct Outcome {
    /// Level at the microphone, as measured.
    pub presented: Reading<PressureLevel>,
    /// Mean audible share of the bands.
    pub audible_share: Reading<Percent>,
    /// Speech intelligibility index.
    pub audibility_index: Reading<Number>,
    /// One item per band.
    pub bands: Vec<BandAudibility>,
    /// What was assumed.
    pub assumptions: Vec<String>,
}

/// What is heard in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandAudibility {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Threshold as a force level.
    pub threshold: Reading<ForceLevel>,
    /// Long-term force level minus threshold.
    pub sensation_level: Reading<LevelDifference>,
    /// Part of the range of speech above the threshold.
    pub audible_share: Reading<Percent>,
    /// The device's own noise.
    pub noise: Reading<ForceLevel>,
    /// What sets the level.
    pub set_by: SetBy,
}

/// What sets the level of a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SetBy {
    /// The speech.
    Speech,
    /// The noise of device and room.
    Noise,
    /// Without a capture of the noise nobody knows.
    Unknown,
}

impl BandAudibility {
    /// Whether the long-term average of the speech is heard here.
    pub fn heard(&self) -> bool {
        let above = self.sensation_level.figure().is_some_and(|s| s.db() > 0.0);
        above && self.set_by != SetBy::Noise
    }
}

/// Holds speech against the thresholds.
///
/// # Errors
/// None: what is missing is missing in its band.
pub fn assess(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let hearing = input.hearing;
    let known = speech_bands();
    let of_index = |band: &Band| known.iter().any(|b| b.nominal_hz == band.nominal_hz());
    let speech = &input.speech.speech.bands;
    let bands = speech.iter().filter(|speech| of_index(&speech.band));
    let bands: Vec<BandAudibility> = bands.map(|speech| in_band(speech, input)).collect();
    let mut assumptions = hearing.assumptions.clone();
    assumptions.push("one ear; importance of average speech; force levels carried to free field by equal hearing level (own derivation)".into());
    if input.noise.is_none() {
        assumptions
            .push("no recording without stimulus: the device’s noise is taken as inaudible".into());
    }
    Ok(Outcome {
        presented: input.speech.speech.presented.clone(),
        audible_share: share::mean(input, &bands),
        audibility_index: index::of(input, &bands),
        bands,
        assumptions,
    })
}

fn in_band(speech: &BandSpeech, input: &Input<'_>) -> BandAudibility {
    let band = speech.band;
    let threshold = input.hearing.threshold(band);
    let noise = input
        .noise
        .and_then(|(_, levels)| force_bands(levels).find(|b| b.band == band));
    let noise = match noise {
        Some(levels) => levels.leq.clone(),
        None => absent("no recording without stimulus holds this band"),
    };
    let above_noise = speech.force.leq.minus(&noise);
    BandAudibility {
        band,
        sensation_level: speech.force.leq.minus(&threshold),
        audible_share: share::of(speech, &threshold),
        set_by: match above_noise {
            Reading::Measured(clear, _) | Reading::AtMost(clear, _)
                if clear.db() < SET_BY_NOISE_DB =>
            {
                SetBy::Noise
            }
            Reading::Measured(..) | Reading::AtLeast(..) => SetBy::Speech,
            _ => SetBy::Unknown,
        },
        threshold,
        noise,
    }
}

/// The uncertainty of what stands above the threshold: one for all bands, for
/// calibration, zero and the person's manner of answering are common to them; the
/// largest, for their filters differ a little.
fn common(bands: &[BandAudibility]) -> Option<Uncertainty> {
    Uncertainty::largest(bands.iter().filter_map(|band| match &band.sensation_level {
        Reading::Measured(_, budget) => Some(budget),
        _ => None,
    }))
}

/// The level, or the bound above it.
fn at_most(reading: &Reading<ForceLevel>) -> Option<(ForceLevel, Option<&str>)> {
    match reading {
        Reading::Measured(level, _) => Some((*level, None)),
        Reading::AtMost(level, why) => Some((*level, Some(why))),
        _ => None,
    }
}
