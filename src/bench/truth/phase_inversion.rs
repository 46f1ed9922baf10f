//! Speech and noise apart, from the forces and sounds of inverted pairs before the
//! recorder: half their sum, half their difference (Hagerman and Olofsson 2004, from
//! memory).

use serde::Serialize;

use super::band_level::BandLevels;
use super::{CaptureTruth, known, only};
use crate::bench::scenario::{Capture, Scenario};
use crate::quantity::{Band, LevelDifference, Reading};

/// Noise upright and inverted, feature off and on.
const ROLES: [&str; 4] = [
    "speech_plus_noise",
    "speech_minus_noise",
    "speech_plus_noise_on",
    "speech_minus_noise_on",
];

#[derive(Debug, Serialize)]
pub(super) struct PhaseInversion {
    bands: Vec<Change>,
}

#[derive(Debug, Serialize)]
struct Change {
    #[serde(flatten)]
    band: Band,
    signal_to_noise_change: Reading<LevelDifference>,
    speech_loss: Reading<LevelDifference>,
    noise_reduction: Reading<LevelDifference>,
}

/// Force and pressure over the interval of a capture that is one of a pair.
pub(super) fn kept(capture: &Capture) -> Option<Vec<[f32; 2]>> {
    ROLES.contains(&capture.role.as_str()).then(Vec::new)
}

impl PhaseInversion {
    /// Of the only two pairs of a scenario, all over the same interval.
    pub(super) fn of(scenario: &Scenario, captures: &[CaptureTruth]) -> Option<Self> {
        let kept = |role| only(scenario, captures, role)?.1.kept.as_deref();
        let [off_plus, off_minus, on_plus, on_minus] = ROLES.map(kept);
        let rate_hz = scenario.rate();
        let off = gains([off_plus?, off_minus?], rate_hz)?;
        let on = gains([on_plus?, on_minus?], rate_hz)?;
        let each = off.into_iter().zip(on);
        let change = |((band, off), (_, on)): (Gains, Gains)| {
            let lost: [Option<f64>; 2] = [0, 1].map(|part| Some(off[part]? - on[part]?));
            Change {
                band,
                signal_to_noise_change: known(lost[1].zip(lost[0]).map(|(n, s)| n - s)),
                speech_loss: known(lost[0]),
                noise_reduction: known(lost[1]),
            }
        };
        Some(Self {
            bands: each.map(change).collect(),
        })
    }
}

/// A band and the gains in dB for speech and noise in it.
type Gains = (Band, [Option<f64>; 2]);

fn gains([plus, minus]: [&[[f32; 2]]; 2], rate_hz: f64) -> Option<Vec<Gains>> {
    if plus.is_empty() || plus.len() != minus.len() {
        return None;
    }
    let [speech, noise] = [1.0, -1.0].map(|sign: f64| {
        [0, 1].map(|channel| {
            let mut levels = BandLevels::new(rate_hz, plus.len() as u64);
            for (plus, minus) in plus.iter().zip(minus) {
                let [plus, minus] = [plus, minus].map(|frame| f64::from(frame[channel]));
                levels.push(0.5 * (plus + sign * minus));
            }
            levels.finish()
        })
    });
    let gain = |[force, sound]: &[Vec<(Band, Option<f64>)>; 2], i: usize| {
        Some(10.0 * libm::log10(force.get(i)?.1? / sound.get(i)?.1?))
    };
    let bands = speech[0].iter().enumerate();
    Some(
        bands
            .map(|(i, (band, _))| (*band, [gain(&speech, i), gain(&noise, i)]))
            .collect(),
    )
}
