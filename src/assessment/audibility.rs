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

use schemars::JsonSchema;
use serde::Serialize;

use super::hearing::Hearing;
use super::speech_intelligibility::{QUIET_DB, Spectrum, index};
use super::{Evidence, PresentedSpeech, absent, force_bands};
use crate::diagnostic::Result;
pub use crate::measurement::NoOptions as Options;
use crate::measurement::levels;
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{
    Band, ForceLevel, Level, LevelDifference, Number, Percent, PressureLevel, Reading, Uncertainty,
};
use crate::table::speech_intelligibility::{BANDS, speech_bands};

/// Noise this close below the speech sets the level, in dB.
const SET_BY_NOISE_DB: f64 = 3.0;
/// Largest share of speech in bands without a figure that still gives an index.
const LARGEST_GAP: f64 = 0.1;
/// Stands for a threshold where nothing is heard at all, in dB HL.
const UNREACHABLE_DB_HL: f64 = 200.0;

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
        audible_share: mean_share(input, &bands),
        audibility_index: audibility_index(input, &bands),
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
        audible_share: audible_share(speech, &threshold),
        set_by: match above_noise.figure() {
            Some(clear) if clear.db() < SET_BY_NOISE_DB => SetBy::Noise,
            Some(_) => SetBy::Speech,
            None => SetBy::Unknown,
        },
        threshold,
        noise,
    }
}

/// Percent of the range between `valley` and `peak` above `threshold`, in dB.
fn share(valley: f64, peak: f64, threshold: f64) -> f64 {
    100.0 * ((peak - threshold) / (peak - valley).max(1e-9)).clamp(0.0, 1.0)
}

/// 30th and 99th percentile of the force in dB re 1 µN.
fn range(speech: &BandSpeech) -> Option<(f64, f64)> {
    let db = |reading: &Reading<ForceLevel>| reading.figure().map(Level::db);
    db(&speech.force.percentile_30).zip(db(&speech.force.percentile_99))
}

fn audible_share(speech: &BandSpeech, threshold: &Reading<ForceLevel>) -> Reading<Percent> {
    let Some((valley, peak)) = range(speech) else {
        return absent("the percentiles of the speech were not measured");
    };
    let percent = |threshold: ForceLevel, off: f64| share(valley, peak, threshold.db() + off);
    match (threshold, &speech.force.percentile_99.minus(threshold)) {
        (Reading::Measured(level, _), Reading::Measured(_, budget)) => Reading::measured(
            Percent(percent(*level, 0.0)),
            budget.through(|off| percent(*level, off)),
        ),
        (Reading::AtLeast(level, why), _) => {
            Reading::AtMost(Percent(percent(*level, 0.0)), why.clone())
        }
        (Reading::NotMeasured(why), _) => Reading::NotMeasured(why.clone()),
        _ => absent("the threshold is only a bound"),
    }
}

/// The uncertainty of what stands above the threshold: one for all bands, for
/// calibration, zero and the person's manner of answering are common to them.
fn common(bands: &[BandAudibility]) -> Option<&Uncertainty> {
    bands.iter().find_map(|band| match &band.sensation_level {
        Reading::Measured(_, budget) => Some(budget),
        _ => None,
    })
}

/// Mean over the bands with a threshold; where there was no response, nothing is
/// heard.
fn mean_share(input: &Input<'_>, bands: &[BandAudibility]) -> Reading<Percent> {
    let speech = |band: Band| input.speech.speech.bands.iter().find(|s| s.band == band);
    let mut ranges = Vec::new();
    let mut silent = 0;
    for band in bands {
        match (&band.threshold, speech(band.band).and_then(range)) {
            (Reading::Measured(threshold, _), Some((valley, peak))) => {
                ranges.push((valley, peak, threshold.db()));
            }
            (Reading::NotMeasured(_), Some(_)) if input.hearing.no_response(band.band) => {
                silent += 1;
            }
            _ => {}
        }
    }
    let Some(budget) = common(bands).filter(|_| !ranges.is_empty()) else {
        return absent("no band has both percentiles of speech and a threshold");
    };
    let mean = |off: f64| {
        let shares = ranges
            .iter()
            .map(|(valley, peak, level)| share(*valley, *peak, level + off));
        shares.sum::<f64>() / (ranges.len() + silent) as f64
    };
    Reading::measured(Percent(mean(0.0)), budget.through(mean))
}

/// The index of the speech for this person.
fn audibility_index(input: &Input<'_>, bands: &[BandAudibility]) -> Reading<Number> {
    let Some(zero) = input.hearing.zero() else {
        return absent(
            "the zero of a dial (`person.dial_zero`) is needed to carry force to the free field of the procedure",
        );
    };
    let mut speech: Spectrum = [QUIET_DB; BANDS];
    let mut noise: Spectrum = [QUIET_DB; BANDS];
    let mut threshold: Spectrum = [UNREACHABLE_DB_HL; BANDS];
    let (mut gap, mut bound) = (0.0, None);
    for (i, of) in speech_bands().iter().enumerate() {
        let found = bands.iter().find(|b| b.band.nominal_hz() == of.nominal_hz);
        let force = found.and_then(|found| level_of(input, found.band));
        let (Some(found), Some(force), Some(zero)) = (found, force, zero.at(of.nominal_hz)) else {
            gap += of.importance;
            continue;
        };
        let in_free_field =
            |force: ForceLevel| (force - zero).db() + of.threshold_db - of.bandwidth_db;
        speech[i] = in_free_field(force);
        if let Some(own) = found.noise.figure() {
            noise[i] = in_free_field(own);
        }
        match &found.threshold {
            Reading::Measured(level, _) => threshold[i] = (*level - zero).db(),
            Reading::AtLeast(level, why) => {
                threshold[i] = (*level - zero).db();
                bound = Some(why.clone());
            }
            _ if input.hearing.no_response(found.band) => {}
            _ => gap += of.importance,
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

fn level_of(input: &Input<'_>, band: Band) -> Option<ForceLevel> {
    let mut bands = input.speech.speech.bands.iter();
    bands.find(|speech| speech.band == band)?.force.leq.figure()
}
