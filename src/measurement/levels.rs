//! # Third-octave levels
//!
//! *Question.* What force does the device deliver, and what sound stands at its
//! microphone, band by band?
//!
//! *Definition.* Equivalent level L_eq = 10 lg(mean of x² / x₀²) of each
//! third-octave band; largest and smallest F- and S-weighted level; levels
//! exceeded for stated parts of the time. Force re 1 µN, pressure re 20 µPa.
//!
//! *Method.* 1. Class 1 third-octave filters in the time domain. 2. Mean square
//! over the interval, once the filters have settled. 3. Exponential averages of
//! the square, 125 ms (F) and 1 s (S), watched in steps of 2 ms. 4. Mean squares
//! of rectangular blocks of 125 ms that overlap by half; their distribution
//! gives the exceeded levels.
//!
//! *Source.* IEC 61260-1:2014 (bands, filters), IEC 61672-1:2013 (L_eq, F, S):
//! from public transcriptions, the standards themselves were not opened.
//! Exceeded levels: common practice; the block's shape stands beside them
//! because they depend on it by several decibels.
//!
//! *Uncertainty.* Of the calibration; of the analysis, from what the filters let
//! in from the neighbouring bands ([`crate::levels::skirts`]): where that is most of a reading,
//! the reading is an upper bound; of the finite time, for equivalent levels, from
//! how the level varied ([`scatter`](crate::levels::scatter)). Extremes and
//! exceeded levels are figures of this recording and carry no statistical part.
//! Where a capture of the room's noise is given, a level less than 10 dB above it
//! is an upper bound (IEC 60118-9, by a secondary text).
//!
//! *Limits.* A tone at a band edge is shared by two bands, 3.5 dB down in each;
//! nearer to an edge than about a tenth of a band its other band looks like
//! sound of its own. Beyond the ends of the range the neighbours are taken to be
//! as strong as the end. Bands beyond the range of a transducer's response are
//! not reported.

use std::collections::BTreeMap;

use ndarray::{Array2, Axis};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use crate::calibration::Channel;
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::bands::{Bands, Extremes};
use crate::levels::distribution::Distribution;
use crate::levels::skirts::{FILTER_DB, Row};
use crate::levels::{Levels, Needs};
use crate::quantity::level::{OneMicronewton, Reference, TwentyMicropascals};
use crate::quantity::{
    Band, Level, Origin, Quantity, Reading, Role, SensitivityLevel, Uncertainty,
};
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
    Check::Calibration,
    Check::PresentedLevel,
    Check::RoomNoise,
    Check::Duration,
];

/// Expanded uncertainty of a sum of bands that is one tone, in dB: summed over
/// the bands, |H|² varies by 3.7 % r.m.s. with where in its band the tone stands
/// (own computation; the standard allows +0.8 dB and −1.8 dB).
const ONE_TONE_DB: f64 = 0.32;

/// A capture, and one of the noise beneath it.
pub struct Input<'a> {
    /// The capture.
    pub capture: &'a Levels,
    /// The room, device off.
    pub room_noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`Problem::RoleMissing`](crate::Problem::RoleMissing).
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        Ok(Self {
            capture: captures.role("capture")?,
            room_noise: captures.optional("room_noise"),
        })
    }
}

/// What to report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "LevelsOptions")]
pub struct Options {
    /// Parts of the time, in percent, for which the exceeded level is given.
    pub exceeded_percent: Vec<u8>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            exceeded_percent: vec![1, 10, 50, 90, 99],
        }
    }
}

impl Options {
    /// Refuses percents outside 1 to 99.
    ///
    /// # Errors
    /// [`crate::Problem::Value`].
    pub fn check(&self) -> Result<()> {
        match self
            .exceeded_percent
            .iter()
            .find(|p| !(1..=99).contains(*p))
        {
            None => Ok(()),
            Some(percent) => Err(Diagnostic::value(
                "options.levels.exceeded_percent",
                percent,
                "1 to 99",
            )),
        }
    }
}

/// The levels of one capture.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "LevelsOutcome")]
pub struct Outcome {
    /// The interval really analysed.
    pub interval: IntervalAnalysed,
    /// The blocks behind `exceeded`.
    pub blocks: Blocks,
    /// Each channel of the capture.
    pub channels: Vec<ChannelLevels>,
    /// Force level minus pressure level, band by band, where both are there.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub gain: Vec<BandGain>,
}

/// The gain in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandGain {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Equivalent force level minus equivalent pressure level.
    pub gain: Reading<SensitivityLevel>,
}

/// The interval really analysed: filters settled, whole hops of 62.5 ms.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct IntervalAnalysed {
    /// Start in seconds.
    pub from_s: f64,
    /// End in seconds.
    pub to_s: f64,
}

/// Shape of the blocks whose levels are ranked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Blocks {
    /// Window.
    pub shape: &'static str,
    /// Length in seconds.
    pub length_s: f64,
    /// Overlap in percent.
    pub overlap_percent: f64,
}

/// Levels of one channel, in the reference of its role.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum ChannelLevels {
    /// Force levels.
    Force(RoleLevels<OneMicronewton>),
    /// Sound pressure levels.
    Microphone(RoleLevels<TwentyMicropascals>),
}

/// Levels re `R`.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(bound = "")]
pub struct RoleLevels<R: Reference> {
    /// What the channel records.
    pub role: Role,
    /// Unit of every level below.
    pub unit: &'static str,
    /// Reference of every level below.
    pub reference: &'static str,
    /// Level of the summed powers of all bands below.
    pub band_sum: Reading<Level<R>>,
    /// One item per band.
    pub bands: Vec<BandLevels<R>>,
}

/// Levels of one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(bound = "")]
pub struct BandLevels<R: Reference> {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Equivalent level over the interval.
    pub leq: Reading<Level<R>>,
    /// Largest F-weighted level.
    pub fast_max: Reading<Level<R>>,
    /// Smallest F-weighted level.
    pub fast_min: Reading<Level<R>>,
    /// Largest S-weighted level.
    pub slow_max: Reading<Level<R>>,
    /// Smallest S-weighted level.
    pub slow_min: Reading<Level<R>>,
    /// Level exceeded for the given percent of the blocks.
    pub exceeded: BTreeMap<u8, Reading<Level<R>>>,
}

/// Reads the levels off the reduced bands.
///
/// # Errors
/// [`crate::Problem::Value`] for a percent outside 1 to 99.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let capture = input.capture;
    let bands = capture.bands()?;
    let noise = input.room_noise.map(Levels::bands).transpose()?;
    let [force, microphone] = &capture.channels;
    let mut channels = Vec::new();
    if let Some(channel) = force {
        let levels = role_levels(Role::Force, channel, bands, noise, options);
        channels.push(ChannelLevels::Force(levels));
    }
    if let Some(channel) = microphone {
        let levels = role_levels(Role::Microphone, channel, bands, noise, options);
        channels.push(ChannelLevels::Microphone(levels));
    }
    Ok(Outcome {
        interval: IntervalAnalysed {
            from_s: bands.from_s,
            to_s: bands.to_s,
        },
        blocks: Blocks {
            shape: "rectangular",
            length_s: Bands::BLOCK_S,
            overlap_percent: 50.0,
        },
        gain: gains(capture, &channels)?,
        channels,
    })
}

/// The gain of every band in which both levels are measured.
fn gains(capture: &Levels, channels: &[ChannelLevels]) -> Result<Vec<BandGain>> {
    let [
        ChannelLevels::Force(force),
        ChannelLevels::Microphone(sound),
    ] = channels
    else {
        return Ok(Vec::new());
    };
    let pairs = force.bands.iter().zip(&sound.bands).enumerate();
    let gain = |(column, (force, sound)): (usize, (&BandLevels<_>, &BandLevels<_>))| {
        let known = capture.gain(&[column])?;
        let gain = force.leq.and(&sound.leq, |(f, _), (s, _)| match known {
            Some(gain) => Reading::measured(f.over(s), gain.uncertainty),
            None => Reading::not_measured("the interval is too short to tell"),
        });
        let band = force.band;
        Ok(BandGain { band, gain })
    };
    pairs.map(gain).collect()
}

fn role_levels<R: Reference>(
    role: Role,
    channel: &Channel,
    bands: &Bands,
    noise: Option<&Bands>,
    options: &Options,
) -> RoleLevels<R> {
    let of = |figures: &Array2<f64>| Row::new(figures.index_axis(Axis(0), role as usize).to_vec());
    let leq = of(&bands.mean_square);
    let extremes = [&bands.fast, &bands.slow].map(|e| (of(&e.max), e.min.as_ref().map(of)));
    let exceeded: Vec<(u8, Row)> = options
        .exceeded_percent
        .iter()
        .map(|percent| {
            let blocks = bands.blocks.index_axis(Axis(0), role as usize);
            let power = |blocks: &Distribution| {
                let db = blocks.percentile_db(100.0 - f64::from(*percent));
                db.map_or(0.0, |db| 10f64.powf(db / 10.0))
            };
            (*percent, Row::new(blocks.iter().map(power).collect()))
        })
        .collect();
    let each = |(column, band): (usize, &Band)| {
        let gap = channel.gap(*band);
        let calibration = channel.uncertainty_at(band.exact_hz());
        let floor = noise.and_then(|noise| noise.floor(*band, role));
        let reading = |row: &Row, budget: Uncertainty| match &gap {
            Some(gap) => Reading::not_measured(gap.clone()),
            None => clear(floor, row.level(column, calibration.plus(&budget))),
        };
        let [fast, slow] = &extremes;
        let smallest = |(_, min): &(Row, Option<Row>), taus: &str| match min {
            Some(min) => reading(min, Uncertainty::EXACT),
            None => Reading::not_measured(format!("the interval is shorter than {taus}")),
        };
        let largest = |(max, _): &(Row, _), extremes: &Extremes, taus: &str| match reading(
            max,
            Uncertainty::EXACT,
        ) {
            Reading::Measured(level, _) if !extremes.settled => {
                Reading::AtLeast(level, format!("the recording is shorter than {taus}"))
            }
            Reading::AtMost(_, why) if !extremes.settled => {
                Reading::not_measured(format!("the recording is shorter than {taus}; {why}"))
            }
            reading => reading,
        };
        let exceeded = exceeded.iter().map(|(percent, row)| {
            let step = Uncertainty::of(Origin::Analysis, Distribution::RESOLUTION_DB);
            (*percent, reading(row, step))
        });
        let statistics = bands.statistics_db(role, &[column]);
        BandLevels {
            band: *band,
            leq: reading(&leq, Uncertainty::of(Origin::Statistics, statistics)),
            fast_max: largest(fast, &bands.fast, "five time constants of F, 0.625 s"),
            fast_min: smallest(fast, "five time constants of F, 0.625 s"),
            slow_max: largest(slow, &bands.slow, "five time constants of S, 5 s"),
            slow_min: smallest(slow, "five time constants of S, 5 s"),
            exceeded: exceeded.collect(),
        }
    };
    RoleLevels {
        role,
        unit: Level::<R>::UNIT,
        reference: R::TEXT,
        band_sum: band_sum(role, channel, bands, &leq.powers),
        bands: bands.bands.iter().enumerate().map(each).collect(),
    }
}

/// A level that noise of this mean square comes close to is only a bound.
fn clear<R: Reference>(floor: Option<f64>, reading: Reading<Level<R>>) -> Reading<Level<R>> {
    let masks = |level: &Level<R>, floor: f64| {
        level.mean_square() < floor * 10f64.powf(Bands::CLEAR_DB / 10.0)
    };
    match reading {
        Reading::Measured(level, _) if floor.is_some_and(|floor| masks(&level, floor)) => {
            Reading::AtMost(
                level,
                "the noise of the room or the bench comes within 10 dB of it".into(),
            )
        }
        reading => reading,
    }
}

/// The bands that the calibration reaches, together. What one band's filter lets
/// in another's keeps out, so only where each tone stands in its band counts.
fn band_sum<R: Reference>(
    role: Role,
    channel: &Channel,
    bands: &Bands,
    powers: &[f64],
) -> Reading<Level<R>> {
    let reached = |column: &usize| channel.gap(bands.bands[*column]).is_none();
    let columns: Vec<usize> = (0..powers.len()).filter(reached).collect();
    if columns.is_empty() {
        return Reading::not_measured("no band was measured");
    }
    let sum: f64 = columns.iter().map(|column| powers[*column]).sum();
    let squares: f64 = columns.iter().map(|column| powers[*column].powi(2)).sum();
    match Level::from_mean_square(sum) {
        Some(level) => {
            let analysis = FILTER_DB.hypot(ONE_TONE_DB * squares.sqrt() / sum);
            let budget = channel.uncertainty().and(Origin::Analysis, analysis);
            let statistics = bands.statistics_db(role, &columns);
            Reading::measured(level, budget.and(Origin::Statistics, statistics))
        }
        None => Reading::not_measured("digital silence: every sample is zero"),
    }
}
