//! # Targets
//!
//! *Question.* How far is speech from what is aimed at, and which gains would
//! bring it there?
//!
//! *Definition.* Deviation: long-term force level minus target, band by band.
//! Root mean square over 500 Hz, 1, 2 and 4 kHz, and with 250 Hz.
//!
//! *Method.* 1. [Targets](super::prescription). 2. Each deviation against its
//! tolerance, the uncertainty counted. 3. [Changes of gain](super::gain_change)
//! from all presented levels together; no change lifts the 99th percentile of
//! the loudest speech above the uncomfortable level.
//!
//! *Source.* Tolerances of ±5 dB to 2.5 kHz and ±8 dB at 3.15 and 4 kHz, and 5 dB
//! root mean square: clinical guidance of two professional societies (2007,
//! 2018), from memory. 3 dB root mean square for children: doi
//! 10.1080/14992027.2023.2293645, abstract read.
//!
//! *Limits.* A deviation is as good as the target.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::gain_change::{GainChange, Wish, gain_changes};
use super::prescription::Kind as Prescribed;
use super::{AgeGroup, Evidence, Limits, PresentedSpeech, Subject, Verdict, absent};
use crate::diagnostic::{Diagnostic, Result};
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{Band, ForceLevel, LevelDifference, PressureLevel, Reading, Uncertainty};

/// Frequencies of the root mean square; with 250 Hz it is given too.
const RMS_HZ: [f64; 4] = [500.0, 1000.0, 2000.0, 4000.0];
const LOW_RMS_HZ: f64 = 250.0;

/// Speech at all levels, and the person.
pub struct Input<'a> {
    speech: Vec<PresentedSpeech<'a>>,
    subject: &'a Subject,
}

impl<'a> Input<'a> {
    /// One, if the session gives targets and speech was captured.
    pub fn bind(evidence: &Evidence<'a>) -> Vec<Self> {
        let aimed = |subject: &&Subject| subject.prescription.kind() != Prescribed::None;
        let speech = evidence.speech();
        match evidence.subject.filter(aimed) {
            Some(subject) if !speech.is_empty() => vec![Self { speech, subject }],
            _ => Vec::new(),
        }
    }

    /// The captures behind it.
    pub fn captures(&self) -> Vec<String> {
        self.speech.iter().map(|s| s.capture.to_owned()).collect()
    }
}

/// Tolerances, and the channels of the device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "TargetsOptions")]
pub struct Options {
    /// Tolerance from 250 Hz up to `high_from_hz`.
    pub tolerance_db: f64,
    /// Tolerance from `high_from_hz` to 4 kHz.
    pub high_tolerance_db: f64,
    /// First band of the wider tolerance.
    pub high_from_hz: f64,
    /// Largest root mean square.
    pub rms_db: f64,
    /// The same for children.
    pub child_rms_db: f64,
    /// Edges of the device's channels in Hz, rising; octave bands by default.
    pub channel_edges_hz: Vec<f64>,
    /// Step of a gain, in dB.
    pub gain_step_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            tolerance_db: 5.0,
            high_tolerance_db: 8.0,
            high_from_hz: 3150.0,
            rms_db: 5.0,
            child_rms_db: 3.0,
            channel_edges_hz: vec![177.0, 355.0, 710.0, 1420.0, 2840.0, 5680.0],
            gain_step_db: 1.0,
        }
    }
}

impl Options {
    /// Refuses tolerances and steps that are not positive, and edges that do
    /// not rise.
    ///
    /// # Errors
    /// [`crate::Problem::Value`].
    pub fn check(&self) -> Result<()> {
        for (name, db) in [
            ("tolerance_db", self.tolerance_db),
            ("high_tolerance_db", self.high_tolerance_db),
            ("rms_db", self.rms_db),
            ("child_rms_db", self.child_rms_db),
            ("gain_step_db", self.gain_step_db),
        ] {
            if !(db > 0.0 && db <= 40.0) {
                let key = format!("criteria.targets.{name}");
                return Err(Diagnostic::value(&key, db, "more than 0 and at most 40 dB"));
            }
        }
        let edges = &self.channel_edges_hz;
        let rising = edges
            .windows(2)
            .all(|pair| 0.0 < pair[0] && pair[0] < pair[1]);
        if edges.len() < 2 || !rising {
            return Err(Diagnostic::value(
                "criteria.targets.channel_edges_hz",
                format!("{edges:?}"),
                "two or more rising frequencies",
            ));
        }
        Ok(())
    }

    /// Tolerance in `band`; none beyond the bands that are judged.
    fn tolerance_db(&self, band: Band) -> Option<f64> {
        let hz = band.nominal_hz();
        match hz {
            _ if !(LOW_RMS_HZ..=4000.0).contains(&hz) => None,
            _ if hz < self.high_from_hz => Some(self.tolerance_db),
            _ => Some(self.high_tolerance_db),
        }
    }
}

/// Deviations from target.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "TargetsOutcome")]
pub struct Outcome {
    /// Where the targets come from.
    pub targets: Prescribed,
    /// One item per presented level.
    pub levels: Vec<LevelDeviation>,
    /// What to change, channel by channel; those not named need no change.
    pub changes: Vec<GainChange>,
    /// What was assumed.
    pub assumptions: Vec<String>,
}

/// Deviations at one presented level.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct LevelDeviation {
    /// The capture.
    pub capture: String,
    /// Level at the microphone, as measured.
    pub presented: Reading<PressureLevel>,
    /// Root mean square over 500 Hz, 1, 2 and 4 kHz.
    pub rms_500_to_4000: Reading<LevelDifference>,
    /// The same with 250 Hz.
    pub rms_250_to_4000: Reading<LevelDifference>,
    /// The root mean square from 500 Hz against its limit.
    pub rms_verdict: Verdict,
    /// The bands against their tolerances: the worst.
    pub verdict: Verdict,
    /// One item per band.
    pub bands: Vec<BandDeviation>,
}

/// Deviation in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandDeviation {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Force level aimed at.
    pub target: Reading<ForceLevel>,
    /// Force level minus target.
    pub target_deviation: Reading<LevelDifference>,
    /// Largest deviation; absent where none is judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tolerance_db: Option<f64>,
    /// The deviation against it.
    pub verdict: Verdict,
}

/// Holds speech against the targets.
///
/// # Errors
/// Those of [`Options::check`].
pub fn assess(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let levels = input
        .speech
        .iter()
        .map(|speech| deviation(speech, input.subject, options));
    let levels: Vec<LevelDeviation> = levels.collect();
    let wishes = wishes(input, &levels);
    let mut assumptions = input.subject.hearing.assumptions.clone();
    assumptions.extend(input.subject.prescription.assumptions.clone());
    Ok(Outcome {
        targets: input.subject.prescription.kind(),
        changes: gain_changes(&options.channel_edges_hz, options.gain_step_db, &wishes),
        levels,
        assumptions,
    })
}

fn deviation(
    presented: &PresentedSpeech<'_>,
    subject: &Subject,
    options: &Options,
) -> LevelDeviation {
    let in_band = |speech: &BandSpeech| {
        let hearing = &subject.hearing;
        let target = subject
            .prescription
            .target(speech, presented.level_db_spl, hearing);
        let target_deviation = speech.force.leq.minus(&target);
        let tolerance_db = options.tolerance_db(speech.band);
        BandDeviation {
            band: speech.band,
            verdict: tolerance_db.map_or(Verdict::NotMeasurable, |db| {
                within(-db, db).verdict(&target_deviation)
            }),
            target,
            target_deviation,
            tolerance_db,
        }
    };
    let bands: Vec<BandDeviation> = presented.speech.bands.iter().map(in_band).collect();
    let rms_500_to_4000 = rms(&bands, &RMS_HZ);
    let with_low = [LOW_RMS_HZ].into_iter().chain(RMS_HZ).collect::<Vec<_>>();
    let largest = match subject.age_group {
        Some(AgeGroup::Child) => options.child_rms_db,
        _ => options.rms_db,
    };
    LevelDeviation {
        capture: presented.capture.to_owned(),
        presented: presented.speech.presented.clone(),
        rms_250_to_4000: rms(&bands, &with_low),
        rms_verdict: within(0.0, largest).verdict(&rms_500_to_4000),
        rms_500_to_4000,
        verdict: bands
            .iter()
            .filter(|band| band.tolerance_db.is_some())
            .map(|band| band.verdict)
            .max()
            .unwrap_or(Verdict::NotMeasurable),
        bands,
    }
}

fn within(lower: f64, upper: f64) -> Limits<LevelDifference> {
    Limits {
        lower: Some(LevelDifference::from_db(lower)),
        upper: Some(LevelDifference::from_db(upper)),
        largest_uncertainty: None,
    }
}

/// Root mean square of the deviations at `hz`. What makes them uncertain is
/// common to the bands: it moves them all alike, by the largest of their uncertainties.
fn rms(bands: &[BandDeviation], hz: &[f64]) -> Reading<LevelDifference> {
    let mut deviations = Vec::new();
    let mut budgets = Vec::new();
    for hz in hz {
        let found = bands.iter().find(|band| band.band.nominal_hz() == *hz);
        match found.map(|band| &band.target_deviation) {
            Some(Reading::Measured(deviation, own)) => {
                deviations.push(deviation.db());
                budgets.push(own);
            }
            Some(Reading::NotMeasured(why)) => return absent(&format!("{hz} Hz: {why}")),
            Some(_) => return absent(&format!("{hz} Hz: only a bound")),
            None => return absent(&format!("{hz} Hz was not analysed")),
        }
    }
    let rms = |off: f64| {
        let squares = deviations.iter().map(|db| (db + off) * (db + off));
        (squares.sum::<f64>() / deviations.len().max(1) as f64).sqrt()
    };
    match Uncertainty::largest(budgets) {
        Some(budget) => Reading::measured(LevelDifference::from_db(rms(0.0)), budget.through(rms)),
        None => absent("no frequency was asked for"),
    }
}

/// What every band at every level asks of its channel.
fn wishes(input: &Input<'_>, levels: &[LevelDeviation]) -> Vec<Wish> {
    let loudest = input.speech.last();
    let ceiling_db = |band: Band| {
        let speech = loudest.and_then(|l| l.speech.bands.iter().find(|s| s.band == band));
        let lid = input.subject.hearing.uncomfortable(band);
        let room = speech.map(|speech| lid.minus(&speech.force.percentile_99));
        // A lid beyond what was tried leaves at least this room.
        match room {
            Some(Reading::Measured(room, _) | Reading::AtLeast(room, _)) => room.db(),
            _ => f64::INFINITY,
        }
    };
    let of_band = |band: &BandDeviation| {
        // A bound counts as if it were reached: no change then takes its band too far.
        let deviation = match &band.target_deviation {
            Reading::Measured(deviation, _) | Reading::AtMost(deviation, _) => deviation.db(),
            _ => return None,
        };
        let tolerance_db = band.tolerance_db?;
        Some(Wish {
            nominal_hz: band.band.nominal_hz(),
            at_least_db: -tolerance_db - deviation,
            at_most_db: tolerance_db - deviation,
            ceiling_db: ceiling_db(band.band),
        })
    };
    levels
        .iter()
        .flat_map(|level| &level.bands)
        .filter_map(of_band)
        .collect()
}
