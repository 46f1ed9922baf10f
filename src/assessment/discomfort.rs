//! # Discomfort
//!
//! *Question.* Does the device ever reach a force that is uncomfortable?
//!
//! *Definition.* Output minus uncomfortable level, band by band: for the largest
//! output (tone sweep at 90 dB SPL) and for the 99th percentile of the loudest speech.
//!
//! *Method.* 1. The largest output of a band is that of the steps that were measured in
//! it (OFL90); where there is none, as in a sweep that glides, its largest F-weighted
//! level. 2. Difference of the two levels; below, or above, where the whole
//! interval of the combined uncertainty is.
//!
//! *Source.* Own definition. F-weighted maximum of a slow sweep or of steps of
//! half a second: within 0.1 dB of the tone's level.
//!
//! *Limits.* What a person answers moves by some 10 dB from test to test.
//! Passing against an average uncomfortable level proves little: 100 dB HL lies
//! above what such devices reach at all.

use schemars::JsonSchema;
use serde::Serialize;

use super::hearing::Hearing;
use super::{Evidence, Limits, Verdict, force_bands};
use crate::diagnostic::Result;
pub use crate::measurement::NoOptions as Options;
use crate::measurement::levels::BandLevels;
use crate::measurement::output_force_level;
use crate::quantity::level::OneMicronewton;
use crate::quantity::{Band, ForceLevel, LevelDifference, Reading};

/// An output to be judged: which, the capture, and its level band by band.
type Delivered<'a> = (Which, &'a str, Vec<(Band, Reading<ForceLevel>)>);

/// The outputs to be judged, and the person.
pub struct Input<'a> {
    outputs: Vec<Delivered<'a>>,
    hearing: &'a Hearing,
}

impl<'a> Input<'a> {
    /// One, if there are uncomfortable levels and an output.
    pub fn bind(evidence: &Evidence<'a>) -> Vec<Self> {
        let Some(subject) = evidence.subject.filter(|s| s.hearing.has_uncomfortable()) else {
            return Vec::new();
        };
        let mut outputs = Vec::new();
        if let Some((capture, levels)) = evidence.levels("output_force_level") {
            let sweep = evidence.output_force_level(capture);
            let bands = force_bands(levels);
            let maxima = bands.map(|band| (band.band, largest(band, sweep)));
            outputs.push((Which::MaximumOutput, capture, maxima.collect()));
        }
        if let Some(loud) = evidence.speech().last() {
            let bands = loud.speech.bands.iter();
            let peaks = bands.map(|speech| (speech.band, speech.force.percentile_99.clone()));
            outputs.push((Which::LoudestSpeech, loud.capture, peaks.collect()));
        }
        let hearing = &subject.hearing;
        match outputs.is_empty() {
            true => Vec::new(),
            false => vec![Self { outputs, hearing }],
        }
    }

    /// The captures behind it.
    pub fn captures(&self) -> Vec<String> {
        let captures = self.outputs.iter().map(|(_, capture, _)| capture);
        captures.map(|capture| (*capture).to_owned()).collect()
    }
}

/// The largest force in a band: of the steps in it, or else of the band as a whole.
fn largest(
    band: &BandLevels<OneMicronewton>,
    sweep: Option<&output_force_level::Outcome>,
) -> Reading<ForceLevel> {
    let points = sweep.into_iter().flat_map(|sweep| &sweep.curve);
    let measured = points.filter_map(|point| {
        let inside = Band::containing(point.frequency_hz) == Some(band.band);
        Some((&point.force, point.force.figure().filter(|_| inside)?.db()))
    });
    let most = measured.max_by(|a, b| a.1.total_cmp(&b.1));
    most.map_or(&band.fast_max, |(force, _)| force).clone()
}

/// Outputs against the uncomfortable levels.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DiscomfortOutcome")]
pub struct Outcome {
    /// Whether the uncomfortable levels are an average of others.
    pub average: bool,
    /// The outputs.
    pub outputs: Vec<Output>,
    /// What was assumed.
    pub assumptions: Vec<String>,
}

/// One output against the uncomfortable levels.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Output {
    /// Which.
    pub output: Which,
    /// The capture.
    pub capture: String,
    /// The worst of the bands.
    pub verdict: Standing,
    /// One item per band.
    pub bands: Vec<BandStanding>,
}

/// An output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Which {
    /// The largest with a tone sweep at 90 dB SPL.
    MaximumOutput,
    /// The 99th percentile of the loudest speech.
    LoudestSpeech,
}

/// One band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandStanding {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Uncomfortable level as a force level.
    pub uncomfortable_level: Reading<ForceLevel>,
    /// The output.
    pub level: Reading<ForceLevel>,
    /// Output minus uncomfortable level.
    pub excess: Reading<LevelDifference>,
    /// Where it stands.
    pub verdict: Standing,
}

/// Where an output stands against an uncomfortable level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Below it, the uncertainty counted.
    Below,
    /// There is no figure.
    NotAssessed,
    /// Nearer than the uncertainty.
    WithinUncertainty,
    /// Above it, the uncertainty counted.
    Above,
}

impl Standing {
    fn of(excess: &Reading<LevelDifference>) -> Self {
        let below = Limits {
            lower: None,
            upper: Some(LevelDifference::from_db(0.0)),
            largest_uncertainty: None,
        };
        match below.verdict(excess) {
            Verdict::Within => Self::Below,
            Verdict::NotMeasurable => Self::NotAssessed,
            Verdict::Doubtful => Self::WithinUncertainty,
            Verdict::Outside => Self::Above,
        }
    }

    /// The worst of several; not assessed where none was.
    pub fn worst(standings: impl IntoIterator<Item = Self>) -> Self {
        let assessed = standings.into_iter().filter(|s| *s != Self::NotAssessed);
        assessed.max().unwrap_or(Self::NotAssessed)
    }
}

/// Holds the outputs against the uncomfortable levels.
///
/// # Errors
/// None: what is missing is missing in its band.
pub fn assess(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let hearing = input.hearing;
    let in_band = |(band, level): &(Band, Reading<ForceLevel>)| {
        let uncomfortable_level = hearing.uncomfortable(*band);
        let excess = level.minus(&uncomfortable_level);
        BandStanding {
            band: *band,
            uncomfortable_level,
            level: level.clone(),
            verdict: Standing::of(&excess),
            excess,
        }
    };
    let outputs = input.outputs.iter().map(|(output, capture, levels)| {
        let bands: Vec<BandStanding> = levels.iter().map(in_band).collect();
        Output {
            output: *output,
            capture: (*capture).to_owned(),
            verdict: Standing::worst(bands.iter().map(|band| band.verdict)),
            bands,
        }
    });
    Ok(Outcome {
        average: hearing.average,
        outputs: outputs.collect(),
        assumptions: hearing.assumptions.clone(),
    })
}
