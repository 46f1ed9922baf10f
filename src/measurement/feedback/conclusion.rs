//! What a change on the bench changed: the path back or the device, or neither.

use schemars::JsonSchema;
use serde::Serialize;

use super::change::{BandChange, Side, missing};
use super::margin::Margin;
use crate::quantity::{LevelDifference, Reading, Uncertainty};

/// A margin that moved by less is taken as unchanged, in dB: what hanging a
/// cable again does (common practice, no source).
const REPEATS_DB: f64 = 1.0;

/// What changed with the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Conclusion {
    /// It moved with what was changed on the bench.
    Bench,
    /// It is the same in both captures, or the device itself changed.
    Device,
    /// Nothing moved.
    NoChange,
    /// The captures do not tell.
    CannotBeTold,
}

/// Concludes from the events, the margins and the changes band by band, with the reason.
pub(super) fn conclude(
    before: &Side<'_>,
    after: &Side<'_>,
    margin_change: &Reading<LevelDifference>,
    bands: &[BandChange],
) -> (Conclusion, String) {
    use Conclusion::{Bench, CannotBeTold, Device, NoChange};
    let at_hz = |side: &Side<'_>| -> Vec<f64> {
        side.events.iter().map(|event| event.frequency_hz).collect()
    };
    match (before.events.is_empty(), after.events.is_empty()) {
        (false, true) => {
            let what = "it oscillated before the change and does not any more";
            return with_event(what, &at_hz(before), near_edge(after), bands);
        }
        (true, false) => {
            let what = "it oscillates since the change and did not before";
            return with_event(what, &at_hz(after), near_edge(before), bands);
        }
        (false, false) => {
            let stays = before
                .events
                .iter()
                .any(|event| missing(std::slice::from_ref(event), after.events).is_empty());
            if stays {
                let reason = "it oscillates at the same frequency before and after";
                return (Device, reason.into());
            }
            let what = "it oscillates at another frequency since the change";
            let at_hz = [at_hz(before), at_hz(after)].concat();
            return with_event(what, &at_hz, false, bands);
        }
        (true, true) => {}
    }
    match margin_change {
        Reading::Measured(db, uncertainty) if !moved(db.db(), uncertainty) => (
            NoChange,
            "the margin is the same within its uncertainty".into(),
        ),
        Reading::Measured(..) => {
            let worst_hz = [before, after].map(|side| side.margin.frequency_hz);
            let worst_hz: Vec<f64> = worst_hz.into_iter().flatten().collect();
            match moved_at(&worst_hz, bands) {
                Moved::Device => (Device, DEVICE.into()),
                _ => (Bench, PATH.into()),
            }
        }
        Reading::AtLeast(db, _) if db.db() > REPEATS_DB => {
            (Bench, "the margin grew by more than it repeats".into())
        }
        Reading::AtMost(db, _) if db.db() < -REPEATS_DB => {
            (Bench, "the margin shrank by more than it repeats".into())
        }
        Reading::AtLeast(_, why) | Reading::AtMost(_, why) | Reading::NotMeasured(why) => {
            let far = |margin: &Margin| matches!(margin.gain_margin, Reading::AtLeast(..));
            if far(before.margin) && far(after.margin) {
                (
                    NoChange,
                    "it is far from oscillation before and after".into(),
                )
            } else {
                (CannotBeTold, why.clone())
            }
        }
    }
}

const PATH: &str = "the path back to the microphone changed";
const DEVICE: &str = "the gain of the device changed, the path back did not";

/// Whether a change goes beyond its uncertainty and what hanging a cable again does.
fn moved(db: f64, uncertainty: &Uncertainty) -> bool {
    let expanded_db = uncertainty.expanded().unwrap_or(f64::INFINITY);
    db.abs() > expanded_db.max(REPEATS_DB)
}

/// What changed at some frequencies.
enum Moved {
    Path,
    Device,
    Neither,
    NotMeasured,
}

fn far(change: &Reading<LevelDifference>) -> bool {
    match change {
        Reading::Measured(db, uncertainty) => moved(db.db(), uncertainty),
        _ => false,
    }
}

/// In the bands that hold one of the frequencies.
fn moved_at(hz: &[f64], bands: &[BandChange]) -> Moved {
    let concerned: Vec<&BandChange> = bands
        .iter()
        .filter(|change| {
            let inside = change.band.lower_hz()..change.band.upper_hz();
            hz.iter().any(|hz| inside.contains(hz))
        })
        .collect();
    if concerned.iter().any(|change| far(&change.path_change)) {
        Moved::Path
    } else if !concerned.is_empty() && concerned.iter().all(|c| far(&c.device_change)) {
        Moved::Device
    } else if concerned.iter().any(|change| told(change)) {
        Moved::Neither
    } else {
        Moved::NotMeasured
    }
}

fn told(change: &BandChange) -> bool {
    matches!(change.path_change, Reading::Measured(..))
}

/// In most of the bands in which the path was measured: an oscillation covers its own.
fn moved_beside(bands: &[BandChange]) -> Moved {
    let told: Vec<&BandChange> = bands.iter().filter(|change| told(change)).collect();
    let most = |of: &dyn Fn(&BandChange) -> bool| {
        2 * told.iter().filter(|change| of(change)).count() > told.len()
    };
    if told.is_empty() {
        Moved::NotMeasured
    } else if most(&|change| far(&change.path_change)) {
        Moved::Path
    } else if most(&|change| far(&change.device_change)) {
        Moved::Device
    } else {
        Moved::Neither
    }
}

/// Whether it may oscillate without a change.
fn near_edge(quiet: &Side<'_>) -> bool {
    match &quiet.margin.gain_margin {
        Reading::Measured(db, _) | Reading::AtMost(db, _) => db.db() < REPEATS_DB,
        Reading::AtLeast(..) | Reading::NotMeasured(_) => false,
    }
}

/// Where oscillations came, went or moved: what changed with them?
fn with_event(
    what: &str,
    hz: &[f64],
    near_edge: bool,
    bands: &[BandChange],
) -> (Conclusion, String) {
    use Conclusion::{Bench, CannotBeTold, Device};
    let moved = match moved_at(hz, bands) {
        Moved::NotMeasured => moved_beside(bands),
        moved => moved,
    };
    match moved {
        Moved::Path => (Bench, format!("{what}; {PATH}")),
        Moved::Device => (Device, format!("{what}; {DEVICE}")),
        Moved::Neither => (
            CannotBeTold,
            format!(
                "{what}, but neither the path back nor the device changed by more than they repeat"
            ),
        ),
        Moved::NotMeasured if near_edge => (
            CannotBeTold,
            format!("{what}, but it is so near the edge that it may do either without a change"),
        ),
        Moved::NotMeasured => (
            Bench,
            format!(
                "{what}; the sound does not tell path from device: it is the bench if nothing else was changed"
            ),
        ),
    }
}
