//! The stated 95 % intervals hold the truth in about 95 % of simulated sessions.
//! `cargo bench --bench coverage` asks thousands of them.

use micronewton::quantity::{Band, BandRange};

use crate::sessions::{Stated, coverage};

const SESSIONS: usize = 1000;

fn range() -> BandRange {
    BandRange::new(Band::named(315.0).unwrap(), Band::named(630.0).unwrap()).unwrap()
}

/// k = 2 covers 95.45 % of normal errors; the share of 1000 sessions then has the
/// standard deviation √(0.9545 · 0.0455 / 1000) = 0.66 %. Bounds at 3.5 of them.
fn as_stated(percent: f64) -> bool {
    (95.45 - 3.5 * 0.66..=95.45 + 3.5 * 0.66).contains(&percent)
}

const STATED: Stated = Stated {
    transducer: 0.5,
    force_response: 0.3,
    remounting: 0.4,
    microphone: 0.3,
    microphone_response: 0.2,
};

#[test]
fn stated_intervals_hold_the_truth() {
    for budget in [STATED, Stated::EXACT] {
        for (quantity, count) in coverage(budget, budget, range(), 2.0, SESSIONS) {
            let percent = count.percent();
            assert!(as_stated(percent), "{quantity}: {percent:.1} %");
        }
    }
}

#[test]
fn errors_larger_than_stated_are_seen() {
    let shares = coverage(STATED, Stated::EXACT, range(), 2.0, SESSIONS / 3);
    assert!(!as_stated(shares["force.band_sum"].percent()));
    assert!(!as_stated(shares["gain"].percent()));
}
