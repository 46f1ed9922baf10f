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
//! *Limits.* A tone at a band edge is shared by two bands, 3.5 dB down in each.
//! Bands beyond the range of a transducer's response are not reported.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use crate::calibration::Channel;
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::Needs;
use crate::levels::bands::{Bands, Extremes};
use crate::levels::distribution::Distribution;
use crate::quantity::level::{OneMicronewton, Reference, TwentyMicropascals};
use crate::quantity::{Band, Level, Origin, Quantity, Reading, Role, Uncertainty};
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

/// Expanded uncertainty of the analysis itself: a class 1 band is no ideal band,
/// and a spectrum that slopes by 8 dB a band reads up to 0.2 dB differently
/// (docs/accuracy.md; on a flat spectrum it is below 0.05 dB).
const ANALYSIS_DB: f64 = 0.2;

/// What to report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
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
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// The interval really analysed.
    pub interval: IntervalAnalysed,
    /// The blocks behind `exceeded`.
    pub blocks: Blocks,
    /// Each channel of the capture.
    pub channels: Vec<ChannelLevels>,
}

/// The interval really analysed: filters settled, whole hops of 62.5 ms.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IntervalAnalysed {
    /// Start in seconds.
    pub from_s: f64,
    /// End in seconds.
    pub to_s: f64,
}

/// Shape of the blocks whose levels are ranked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Blocks {
    /// Window.
    pub shape: &'static str,
    /// Length in seconds.
    pub length_s: f64,
    /// Overlap in percent.
    pub overlap_percent: f64,
}

/// Levels of one channel, in the reference of its role.
#[derive(Debug, Clone, Serialize)]
#[serde(untagged)]
pub enum ChannelLevels {
    /// Force levels.
    Force(RoleLevels<OneMicronewton>),
    /// Sound pressure levels.
    Microphone(RoleLevels<TwentyMicropascals>),
}

/// Levels re `R`.
#[derive(Debug, Clone, Serialize)]
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
#[derive(Debug, Clone, Serialize)]
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
    let [force, microphone] = &capture.channels;
    let mut channels = Vec::new();
    if let Some(channel) = force {
        let levels = role_levels(Role::Force, channel, bands, options);
        channels.push(ChannelLevels::Force(levels));
    }
    if let Some(channel) = microphone {
        let levels = role_levels(Role::Microphone, channel, bands, options);
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
        channels,
    })
}

fn role_levels<R: Reference>(
    role: Role,
    channel: &Channel,
    bands: &Bands,
    options: &Options,
) -> RoleLevels<R> {
    let with_analysis = |budget: Uncertainty| budget.and(Origin::Analysis, ANALYSIS_DB);
    let each = |(column, band): (usize, &Band)| {
        let gap = channel.gap(*band);
        let uncertainty = with_analysis(channel.uncertainty_at(band.exact_hz()));
        let at = (role as usize, column);
        let reading = |mean_square: f64, gap: &Option<String>| match gap {
            Some(gap) => Reading::not_measured(gap.clone()),
            None => level(mean_square, uncertainty.clone()),
        };
        let smallest = |extremes: &Extremes, taus: &str| match &extremes.min {
            Some(min) => reading(min[at], &gap),
            None => Reading::not_measured(format!("the interval is shorter than {taus}")),
        };
        let largest = |extremes: &Extremes, taus: &str| match reading(extremes.max[at], &gap) {
            Reading::Measured(level, _) if !extremes.settled => {
                Reading::AtLeast(level, format!("the recording is shorter than {taus}"))
            }
            reading => reading,
        };
        let exceeded = options.exceeded_percent.iter().map(|percent| {
            let reading = match &gap {
                Some(gap) => Reading::not_measured(gap.clone()),
                None => exceeded(&bands.blocks[at], *percent, &uncertainty),
            };
            (*percent, reading)
        });
        BandLevels {
            band: *band,
            leq: reading(bands.mean_square[at], &gap),
            fast_max: largest(&bands.fast, "five time constants of F, 0.625 s"),
            fast_min: smallest(&bands.fast, "five time constants of F, 0.625 s"),
            slow_max: largest(&bands.slow, "five time constants of S, 5 s"),
            slow_min: smallest(&bands.slow, "five time constants of S, 5 s"),
            exceeded: exceeded.collect(),
        }
    };
    let each_band: Vec<BandLevels<R>> = bands.bands.iter().enumerate().map(each).collect();
    let sum = Level::power_sum(each_band.iter().filter_map(|b| b.leq.figure()));
    RoleLevels {
        role,
        unit: Level::<R>::UNIT,
        reference: R::TEXT,
        band_sum: match sum {
            Some(sum) => Reading::measured(sum, with_analysis(channel.uncertainty())),
            None => Reading::not_measured("no band was measured"),
        },
        bands: each_band,
    }
}

fn level<R: Reference>(mean_square: f64, uncertainty: Uncertainty) -> Reading<Level<R>> {
    match Level::from_mean_square(mean_square) {
        Some(level) => Reading::measured(level, uncertainty),
        None => Reading::not_measured("digital silence: every sample is zero"),
    }
}

fn exceeded<R: Reference>(
    blocks: &Distribution,
    percent: u8,
    uncertainty: &Uncertainty,
) -> Reading<Level<R>> {
    match blocks.percentile_db(100.0 - f64::from(percent)) {
        Some(db) => Reading::measured(
            Level::from_db(db - 20.0 * R::RMS.log10()),
            uncertainty
                .clone()
                .and(Origin::Analysis, Distribution::RESOLUTION_DB),
        ),
        None => Reading::not_measured("digital silence for that part of the time"),
    }
}
