//! How many decibels are left before the loop oscillates.

use std::f64::consts::TAU;

use rustfft::num_complex::Complex64;
use schemars::JsonSchema;
use serde::Serialize;

use super::loop_gain::LoopGain;
use super::motion::NEPER_DB;
use crate::levels::Transfer;
use crate::quantity::{Band, BandRange, LevelDifference, Origin, Reading, Seconds, Uncertainty};

/// Step of the search in Hz: 40 per turn of the phase at a delay of 12 ms.
const STEP_HZ: f64 = 2.0;
/// A loop explains the transfer better than an echo by this sum of squares.
const EVIDENCE: f64 = 16.0;
/// Departure from one linear device beyond which no margin is told.
const VARIATION: f64 = 1.0;
/// Uncertainty (k = 2) in dB for such a departure of 1.
const VARIATION_DB: f64 = 0.6;
/// A gain that follows the level by more than this, as the mean of its decibels
/// less the gain of the mean powers in dB, is another one for soft sounds.
const SPREAD_DB: f64 = 0.12;
/// Uncertainty (k = 2) in dB per dB of that.
const PER_SPREAD: f64 = 2.5;
/// A gain that moves by more than this (standard deviation over time in dB) is another
/// one for soft sounds. On simulated loops linear devices show at most 0.16 dB, steady
/// noise through compression at most 0.22 dB, and speech through slow compression (0.1 s
/// up, 1 s down) at least 0.32 dB: the limit lies between. Beyond it the margin is off by
/// up to 4 dB per dB, so that 1 dB would be passed (docs/feedback.md).
const MOTION_DB: f64 = 0.27;
/// Uncertainty (k = 2) of the method on simulated loops, in dB …
const METHOD_DB: f64 = 0.15;
/// … and what the device's own tail may pass for, as a loop gain.
const LEAKAGE: f64 = 0.004;
/// A loop gain below this is not clear of the method's errors.
pub const CLEAR_GAIN: f64 = 3.0 * LEAKAGE;
/// A random error in dB (standard deviation) above which no margin is told.
const CLEAR_DB: f64 = 2.0;
/// Uncertainty (k = 2) of the loop's delay on simulated loops, in seconds.
const DELAY_S: f64 = 5e-5;

/// The slope of the phase is taken over this much to either side, in Hz.
const REACH_HZ: f64 = 8.0;
/// Random errors of the phase are independent this far apart, in Hz: the inverse
/// of the lags looked at.
const BASE_HZ: f64 = 50.0;
/// A stable loop rings so that a line is seen up to this margin, in dB.
const RINGS_DB: f64 = 3.0;
/// No larger bound is told, in dB.
const MOST_DB: f64 = 40.0;

const FOLLOWS: &str = "the gain follows the level: this is the margin of the loud moments, and softer sounds have less; record steady noise";

/// The margin before oscillation.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Margin {
    /// −20 lg |A F| at the worst frequency of zero phase round the loop, with the
    /// gains that the device had in the recording; below 0 it oscillates.
    pub gain_margin: Reading<LevelDifference>,
    /// That frequency in Hz, where the margin was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_hz: Option<f64>,
    /// Delay once around the loop, from the slope of the phase there.
    pub loop_delay: Reading<Seconds>,
    /// Its bare figure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub loop_delay_s: Option<f64>,
    /// The margin of the loud moments: the gain margin where the gain does not
    /// follow the level.
    #[serde(skip)]
    pub at_loud: Option<(LevelDifference, Uncertainty)>,
    /// Loop gain over frequency.
    pub bands: Vec<LoopGainAt>,
}

/// Loop gain in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct LoopGainAt {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Greatest 20 lg |A F| within the band, whatever its phase.
    pub loop_gain: Reading<LevelDifference>,
}

impl Margin {
    /// No margin, for one reason.
    pub fn not_measured(reason: &str) -> Self {
        Self {
            gain_margin: Reading::not_measured(reason),
            frequency_hz: None,
            loop_delay: Reading::not_measured(reason),
            loop_delay_s: None,
            at_loud: None,
            bands: Vec::new(),
        }
    }

    /// Where a loop that is stable beyond the uncertainty is so near the edge that what
    /// feeds it rings on, in Hz.
    pub fn rings_at(&self, found: &LoopGain) -> Vec<f64> {
        match &self.gain_margin {
            Reading::Measured(db, uncertainty)
                if db.db() > uncertainty.expanded().unwrap_or(f64::INFINITY) =>
            {
                let least = 10f64.powf(-RINGS_DB / 20.0);
                let crossings = in_phase(found.band_hz, &|hz| found.around(hz)).into_iter();
                let near = crossings.filter(|(_, gain)| *gain > least);
                near.map(|(hz, _)| hz).collect()
            }
            _ => Vec::new(),
        }
    }

    /// Takes the mean with another estimate of the same margin; twice their distance
    /// counts as uncertainty.
    pub fn checked_by(&mut self, other: &Reading<LevelDifference>) {
        if let (Reading::Measured(db, uncertainty), Reading::Measured(other, _)) =
            (&mut self.gain_margin, other)
        {
            let apart_db = (db.db() - other.db()).abs();
            *uncertainty = uncertainty.clone().and(Origin::Analysis, 2.0 * apart_db);
            *db = LevelDifference::from_db(0.5 * (db.db() + other.db()));
        }
    }

    /// That of a loop that oscillates at `frequency_hz`.
    pub fn oscillating(frequency_hz: f64) -> Self {
        let reason = "it oscillates: nothing is left";
        Self {
            gain_margin: Reading::AtMost(LevelDifference::from_db(0.0), reason.into()),
            frequency_hz: Some(frequency_hz),
            loop_delay: Reading::not_measured("it oscillates: the line covers the sound"),
            loop_delay_s: None,
            at_loud: None,
            bands: Vec::new(),
        }
    }
}

/// Estimates loop and margin from a transfer. The loop is there for comparisons
/// where it could be estimated.
pub fn margin(transfer: &Transfer) -> (Margin, Option<LoopGain>) {
    match LoopGain::new(transfer) {
        Err(reason) => (Margin::not_measured(reason), None),
        Ok(found) if found.variation() > VARIATION => {
            let reason = "the gain changed during the recording, with the level or in time; record steady noise";
            (Margin::not_measured(reason), None)
        }
        Ok(found) => (
            of_loop(
                &found,
                transfer.gain_spread_db.max(0.0),
                super::motion::gain_motion_db(transfer, found.band_hz),
            ),
            Some(found),
        ),
    }
}

/// Where the loop would oscillate first.
pub struct Worst {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Loop gain there, real and positive.
    pub gain: f64,
    /// Delay once around, in seconds.
    pub delay_s: f64,
}

/// Frequencies of zero phase round the loop in Hz, and the loop gain there.
fn in_phase([from_hz, to_hz]: [f64; 2], around: &impl Fn(f64) -> Complex64) -> Vec<(f64, f64)> {
    let count = ((to_hz - from_hz) / STEP_HZ) as usize;
    let hz = |step: usize| from_hz + step as f64 * STEP_HZ;
    let gains: Vec<Complex64> = (0..=count).map(|step| around(hz(step))).collect();
    let crossings = gains.windows(2).enumerate().filter_map(|(step, pair)| {
        let crosses = (pair[0].im > 0.0) != (pair[1].im > 0.0);
        let share = pair[0].im / (pair[0].im - pair[1].im);
        let gain = pair[0].re + share * (pair[1].re - pair[0].re);
        (crosses && gain > 0.0).then(|| (hz(step) + share * STEP_HZ, gain))
    });
    crossings.collect()
}

/// Looks for the greatest loop gain among the frequencies of zero phase.
pub fn worst(band_hz: [f64; 2], around: impl Fn(f64) -> Complex64) -> Option<Worst> {
    let crossings = in_phase(band_hz, &around).into_iter();
    let (frequency_hz, gain) = crossings.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let turn = around(frequency_hz + REACH_HZ) / around(frequency_hz - REACH_HZ);
    Some(Worst {
        frequency_hz,
        gain,
        delay_s: -turn.arg() / (2.0 * TAU * REACH_HZ),
    })
}

/// Uncertainty of a loop gain in dB: random, of the method, of what varied.
pub fn uncertainty_db(found: &LoopGain, error_db: f64, gain: f64) -> Uncertainty {
    let leakage_db = 20.0 * (1.0 + LEAKAGE / gain).log10();
    Uncertainty::of(Origin::Statistics, 2.0 * error_db)
        .and(Origin::Analysis, METHOD_DB)
        .and(Origin::Analysis, leakage_db)
        .and(Origin::Analysis, VARIATION_DB * found.variation())
}

fn of_loop(found: &LoopGain, spread_db: f64, motion_db: f64) -> Margin {
    let Some(worst) = worst(found.band_hz, |hz| found.around(hz)) else {
        return Margin::not_measured("no sound comes back in phase");
    };
    let margin_db = -20.0 * worst.gain.log10();
    let error_db = found.around_error_db(worst.frequency_hz);
    let uncertainty = uncertainty_db(found, error_db, worst.gain)
        .and(Origin::Analysis, PER_SPREAD * spread_db)
        .and(Origin::Analysis, motion_db);
    let expanded = uncertainty.expanded().unwrap_or(f64::INFINITY);
    let clear = worst.gain > CLEAR_GAIN && error_db < CLEAR_DB;
    if !clear || found.loop_evidence < EVIDENCE {
        let reason = if clear {
            "what comes back later is explained as well by one echo in the fixture as by a loop"
        } else {
            "what comes back is not clear of the errors"
        };
        let least_db = (margin_db - expanded).clamp(0.0, MOST_DB);
        return Margin {
            gain_margin: Reading::AtLeast(LevelDifference::from_db(least_db), reason.into()),
            ..Margin::not_measured(reason)
        };
    }
    let random_s = 2.0 * error_db / NEPER_DB / (TAU * BASE_HZ);
    let db = LevelDifference::from_db(margin_db);
    Margin {
        gain_margin: if spread_db > SPREAD_DB {
            Reading::AtMost(db, FOLLOWS.into())
        } else if motion_db > MOTION_DB {
            Reading::AtMost(
                LevelDifference::from_db(margin_db + expanded),
                FOLLOWS.into(),
            )
        } else {
            Reading::measured(db, uncertainty.clone())
        },
        at_loud: Some((db, uncertainty)),
        frequency_hz: Some(worst.frequency_hz),
        loop_delay: Reading::measured(
            Seconds(worst.delay_s),
            Uncertainty::of(Origin::Analysis, DELAY_S).and(Origin::Statistics, random_s),
        ),
        loop_delay_s: Some(worst.delay_s),
        bands: over_frequency(found),
    }
}

fn over_frequency(found: &LoopGain) -> Vec<LoopGainAt> {
    let at = |band: Band| {
        let points = (0..24).map(|n| band.exact_hz() * 2f64.powf((f64::from(n) - 11.5) / 72.0));
        let greatest = points
            .map(|hz| (hz, found.around(hz).norm()))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let loop_gain = if greatest.1 < CLEAR_GAIN {
            Reading::AtMost(
                LevelDifference::from_db(20.0 * CLEAR_GAIN.log10()),
                "what comes back is not clear of the errors".into(),
            )
        } else {
            let error_db = found.around_error_db(greatest.0);
            Reading::measured(
                LevelDifference::from_db(20.0 * greatest.1.log10()),
                uncertainty_db(found, error_db, greatest.1),
            )
        };
        Some(LoopGainAt { band, loop_gain })
    };
    bands(found.band_hz).filter_map(at).collect()
}

/// The third-octave bands that lie within `band_hz`.
pub fn bands(band_hz: [f64; 2]) -> impl Iterator<Item = Band> {
    BandRange::default()
        .bands()
        .filter(move |band| band.lower_hz() >= band_hz[0] && band.upper_hz() <= band_hz[1])
}

/// Uncertainty of a gain of the device, from its random expanded part in dB.
pub fn device_uncertainty(random_db: f64) -> Uncertainty {
    Uncertainty::of(Origin::Statistics, random_db).and(Origin::Analysis, METHOD_DB)
}
