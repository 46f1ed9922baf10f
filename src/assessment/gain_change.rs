//! Which gains to change, and by how much, to bring speech within tolerance.
//!
//! *Method.* The gain of a channel moves every band in it alike. A band asks for
//! a change between its lower and its upper tolerance, and for none that lifts
//! the 99th percentile of the loudest speech above the uncomfortable level. A
//! channel whose bands all agree on an interval that holds 0 is left alone; one
//! that does not is moved by the smallest whole step that lies inside, a little
//! away from its edge. Channels are moved independently, so the set is the
//! smallest there is. Where the bands of a channel do not agree, the step that
//! leaves the least beyond tolerance is given, and said to be no solution.
//!
//! *Source.* Own method.
//!
//! *Limits.* A device that compresses moves its output by less than its gain;
//! measure again after the change. Real channels overlap.

use schemars::JsonSchema;
use serde::Serialize;

use crate::quantity::{LevelDifference, Reading, Uncertainty};

/// How far inside the interval a change is aimed, in dB, where there is room.
const INSIDE_DB: f64 = 1.0;

/// What one band at one presented level asks of its channel, in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Nominal frequency of the band in Hz.
    pub nominal_hz: f64,
    /// Smallest change that brings it within tolerance.
    pub at_least_db: f64,
    /// Largest.
    pub at_most_db: f64,
    /// Largest that keeps the loudest speech from being uncomfortable.
    pub ceiling_db: f64,
}

/// A change of the gain of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct GainChange {
    /// Lower edge of the channel in Hz.
    pub from_hz: f64,
    /// Upper edge.
    pub to_hz: f64,
    /// Change of its gain.
    pub change: Reading<LevelDifference>,
    /// Whether it brings every band of the channel within tolerance.
    pub suffices: bool,
}

/// The changes of the channels between `edges_hz`, in whole steps of `step_db`.
pub fn gain_changes(edges_hz: &[f64], step_db: f64, wishes: &[Wish]) -> Vec<GainChange> {
    let channels = edges_hz.windows(2).filter_map(|edges| {
        let inside = |wish: &&Wish| (edges[0]..edges[1]).contains(&wish.nominal_hz);
        let wishes: Vec<Wish> = wishes.iter().filter(inside).copied().collect();
        let (change_db, suffices) = change(&wishes, step_db)?;
        Some(GainChange {
            from_hz: edges[0],
            to_hz: edges[1],
            change: Reading::measured(LevelDifference::from_db(change_db), Uncertainty::EXACT),
            suffices,
        })
    });
    channels.collect()
}

/// The change of one channel; `None` where none is needed.
fn change(wishes: &[Wish], step_db: f64) -> Option<(f64, bool)> {
    let low = wishes
        .iter()
        .map(|w| w.at_least_db)
        .fold(f64::NEG_INFINITY, f64::max);
    let high = wishes
        .iter()
        .map(|w| w.at_most_db)
        .fold(f64::INFINITY, f64::min);
    let ceiling = wishes
        .iter()
        .map(|w| w.ceiling_db)
        .fold(f64::INFINITY, f64::min);
    if wishes.is_empty() || (low <= 0.0 && 0.0 <= high.min(ceiling)) {
        return None;
    }
    let down = |db: f64| (db / step_db).floor() * step_db;
    let up = |db: f64| (db / step_db).ceil() * step_db;
    let high = high.min(ceiling);
    let change_db = if low > high {
        // What is beyond tolerance on either side is shared.
        down((0.5 * (low + high)).min(ceiling))
    } else if low > 0.0 {
        let aimed = up(low + INSIDE_DB.min(0.5 * (high - low)));
        if aimed <= high { aimed } else { down(high) }
    } else {
        let aimed = down(high - INSIDE_DB.min(0.5 * (high - low)));
        if aimed >= low { aimed } else { down(high) }
    };
    let suffices = (low..=high).contains(&change_db);
    Some((change_db, suffices))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wish(nominal_hz: f64, deviation_db: f64, ceiling_db: f64) -> Wish {
        Wish {
            nominal_hz,
            at_least_db: -5.0 - deviation_db,
            at_most_db: 5.0 - deviation_db,
            ceiling_db,
        }
    }

    #[test]
    fn only_channels_outside_tolerance_are_moved_and_by_as_little_as_helps() {
        let wishes = [
            wish(500.0, 4.0, 20.0),
            wish(1000.0, -9.0, 20.0),
            wish(1250.0, -7.0, 20.0),
            wish(2000.0, 8.2, 20.0),
        ];
        let found = gain_changes(&[355.0, 708.0, 1413.0, 2818.0], 1.0, &wishes);
        let told: Vec<(f64, f64, bool)> = found
            .iter()
            .map(|c| (c.from_hz, c.change.figure().unwrap().db(), c.suffices))
            .collect();
        assert_eq!(told, [(708.0, 5.0, true), (1413.0, -5.0, true)]);
    }

    #[test]
    fn the_uncomfortable_level_bounds_a_change() {
        let found = gain_changes(&[708.0, 1413.0], 1.0, &[wish(1000.0, -9.0, 2.5)]);
        assert_eq!(found[0].change.figure().unwrap().db(), 2.0);
        assert!(!found[0].suffices);
        // Even where the target is met.
        let found = gain_changes(&[708.0, 1413.0], 1.0, &[wish(1000.0, 0.0, -2.0)]);
        assert_eq!(found[0].change.figure().unwrap().db(), -3.0);
        assert!(found[0].suffices);
    }

    #[test]
    fn bands_that_contradict_each_other_are_said_not_to_be_solved() {
        let wishes = [wish(800.0, 9.0, 30.0), wish(1000.0, -9.0, 30.0)];
        let found = gain_changes(&[708.0, 1413.0], 1.0, &wishes);
        assert_eq!(found[0].change.figure().unwrap().db(), 0.0);
        assert!(!found[0].suffices);
    }
}
