//! Before and after a change on the bench: is it the bench or the device?

use schemars::JsonSchema;
use serde::Serialize;

use super::conclusion::{Conclusion, conclude};
use super::events::Event;
use super::loop_gain::LoopGain;
use super::margin::{self, Margin};
use crate::quantity::{Band, LevelDifference, Reading, Seconds};

/// Two oscillations within this share of their frequency are one.
const SAME: f64 = 0.02;
/// What changed from before to after.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "FeedbackChange")]
pub struct Change {
    /// Bench or device.
    pub conclusion: Conclusion,
    /// Why, in words.
    pub reason: String,
    /// Oscillations of before that after does not have.
    pub events_gone: Vec<Rings>,
    /// Oscillations of after that before did not have.
    pub events_new: Vec<Rings>,
    /// Margin after minus margin before.
    pub margin_change: Reading<LevelDifference>,
    /// Feedback path and device after minus before, band by band.
    pub bands: Vec<BandChange>,
    /// Delay round the loop at the worst frequency, of the capture nearer to
    /// oscillation: where the path that changed runs.
    pub loop_delay: Reading<Seconds>,
}

/// An oscillation that one capture has.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Rings {
    /// Frequency in Hz.
    pub frequency_hz: f64,
}

/// The change in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "FeedbackBandChange")]
pub struct BandChange {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Of the feedback path, |F|.
    pub path_change: Reading<LevelDifference>,
    /// Of the device itself, |A|.
    pub device_change: Reading<LevelDifference>,
}

/// One of the two captures.
pub struct Side<'a> {
    /// Its oscillations.
    pub events: &'a [Event],
    /// Its margin.
    pub margin: &'a Margin,
    /// Its loop, if it could be estimated.
    pub found: Option<&'a LoopGain>,
}

/// Compares two captures.
pub fn change(before: &Side<'_>, after: &Side<'_>) -> Change {
    let bands = match (before.found, after.found) {
        (Some(before), Some(after)) => by_band(before, after),
        _ => Vec::new(),
    };
    let margin_change = margin_change(before.margin, after.margin);
    let (conclusion, reason) = conclude(before, after, &margin_change, &bands);
    let nearer = match (&before.margin.at_loud, &after.margin.at_loud) {
        (Some((b, _)), Some((a, _))) if b.db() < a.db() => before,
        (_, Some(_)) => after,
        _ => before,
    };
    Change {
        conclusion,
        reason,
        events_gone: missing(before.events, after.events),
        events_new: missing(after.events, before.events),
        margin_change,
        bands,
        loop_delay: nearer.margin.loop_delay.clone(),
    }
}

/// The oscillations that `other` does not have, each frequency once.
pub(super) fn missing(events: &[Event], other: &[Event]) -> Vec<Rings> {
    let same = |a: f64, b: f64| (a / b - 1.0).abs() < SAME;
    let mut found: Vec<Rings> = Vec::new();
    for event in events {
        let frequency_hz = event.frequency_hz;
        let known = other.iter().map(|e| e.frequency_hz);
        if !known
            .chain(found.iter().map(|rings| rings.frequency_hz))
            .any(|hz| same(hz, frequency_hz))
        {
            found.push(Rings { frequency_hz });
        }
    }
    found
}

fn margin_change(before: &Margin, after: &Margin) -> Reading<LevelDifference> {
    use Reading::{AtLeast, AtMost, Measured};
    let bound = "one of the two margins is a bound";
    // Both captures hold like sounds: their loud moments compare.
    if let (Some((b, ub)), Some((a, ua))) = (&before.at_loud, &after.at_loud) {
        return Reading::measured(*a - *b, ub.plus(ua));
    }
    match (&before.gain_margin, &after.gain_margin) {
        (Measured(b, ub), Measured(a, ua)) => Reading::measured(*a - *b, ub.plus(ua)),
        (Measured(b, _) | AtMost(b, _), AtLeast(a, _)) | (AtMost(b, _), Measured(a, _)) => {
            AtLeast(*a - *b, bound.into())
        }
        (Measured(b, _) | AtLeast(b, _), AtMost(a, _)) | (AtLeast(b, _), Measured(a, _)) => {
            AtMost(*a - *b, bound.into())
        }
        (AtMost(..), AtMost(..)) => Reading::not_measured("it oscillates in both captures"),
        (AtLeast(..), AtLeast(..)) => {
            Reading::not_measured("both captures are too far from oscillation")
        }
        (Reading::NotMeasured(why), _) => Reading::not_measured(format!("before: {why}")),
        (_, Reading::NotMeasured(why)) => Reading::not_measured(format!("after: {why}")),
    }
}

fn by_band(before: &LoopGain, after: &LoopGain) -> Vec<BandChange> {
    let both_hz = [
        before.band_hz[0].max(after.band_hz[0]),
        before.band_hz[1].min(after.band_hz[1]),
    ];
    let of_band = |band: Band| {
        let middle_hz = band.exact_hz();
        // Twelve points stand for the band.
        let points: Vec<f64> = (0..12)
            .map(|n| middle_hz * 2f64.powf((f64::from(n) - 5.5) / 36.0))
            .collect();
        let power = |of: &dyn Fn(f64) -> f64| points.iter().map(|hz| of(*hz)).sum::<f64>();
        let ratio_db = |of: &dyn Fn(&LoopGain, f64) -> f64| {
            let [b, a] = [before, after].map(|side| power(&|hz| of(side, hz)));
            LevelDifference::from_db(10.0 * (a / b).log10())
        };
        let uncertainty = |error: &dyn Fn(&LoopGain) -> f64| {
            let [b, a] = [before, after].map(|side| {
                let gain = (power(&|hz| side.around(hz).norm_sqr()) / 12.0).sqrt();
                margin::uncertainty_db(side, error(side), gain)
            });
            b.plus(&a)
        };
        let gain = [before, after].map(|side| side.around(middle_hz).norm());
        let path_change = if gain[0].max(gain[1]) < margin::CLEAR_GAIN {
            Reading::not_measured("too little comes back here")
        } else {
            Reading::measured(
                ratio_db(&|side, hz| side.path(hz).norm_sqr()),
                uncertainty(&|side| side.path_error_db(middle_hz)),
            )
        };
        let device = |side: &LoopGain| 2.0 * side.device_error_db(middle_hz);
        BandChange {
            band,
            path_change,
            device_change: Reading::measured(
                ratio_db(&|side, hz| side.device(hz).norm_sqr()),
                margin::device_uncertainty(device(before))
                    .plus(&margin::device_uncertainty(device(after))),
            ),
        }
    };
    margin::bands(both_hz).map(of_band).collect()
}
