//! What a linear device without feedback makes of sound from a direction: its
//! gain, mean squares evenly over the logarithm of the frequency, and its delay,
//! both against the sound at the reference microphone.

use std::f64::consts::TAU;

use serde::Serialize;

use super::rounded;
use crate::bench::device::SOUND_M_PER_S;
use crate::bench::renderer::Renderer;
use crate::bench::scenario::{Capture, Scenario};
use crate::quantity::{Band, BandRange, Reading, Seconds, SensitivityLevel, Uncertainty};

/// Slices of a band.
const SLICES: u32 = 256;
/// The delay is the slope of the phase between these, in Hz.
const DELAY_HZ: [f64; 2] = [1000.0, 8000.0];

/// The truth of one capture.
#[derive(Debug, Serialize)]
pub(super) struct Sensitivity {
    capture: String,
    delay: Reading<Seconds>,
    bands: Vec<BandSensitivity>,
}

#[derive(Debug, Serialize)]
struct BandSensitivity {
    #[serde(flatten)]
    band: Band,
    sensitivity: Reading<SensitivityLevel>,
    group_delay: Reading<Seconds>,
}

impl Sensitivity {
    /// That of `capture`, if it was recorded for it and the gain is the device's
    /// alone.
    pub(super) fn of(scenario: &Scenario, capture: &Capture, renderer: &Renderer) -> Option<Self> {
        let alone = scenario.device.is_linear()
            && scenario.feedback.acoustic.is_none()
            && scenario.feedback.cable.is_none()
            && scenario.microphone.echo == 0.0
            && !capture.noise_reduction;
        if capture.role() != "sensitivity" || !alone {
            return None;
        }
        renderer.response(1000.0, capture.direction_deg)?;
        let rate_hz = scenario.rate();
        let distance_m = capture
            .microphone_distance_m
            .unwrap_or(scenario.microphone.distance_m);
        let earlier_s = distance_m * libm::cos(capture.direction_deg.to_radians()) / SOUND_M_PER_S;
        let delay = |from_hz: f64, to_hz: f64| {
            let slope = slope(renderer, capture.direction_deg, from_hz, to_hz);
            let delay_s = earlier_s - slope / TAU;
            Reading::measured(Seconds((delay_s * 1e8).round() / 1e8), Uncertainty::EXACT)
        };
        let carried = BandRange::default().bands();
        let carried = carried.filter(|band| band.upper_hz() <= rate_hz / 2.0);
        let bands = carried.map(|band| BandSensitivity {
            band,
            sensitivity: sensitivity(renderer, capture.direction_deg, band),
            group_delay: delay(band.lower_hz(), band.upper_hz()),
        });
        Some(Self {
            capture: capture.name().to_owned(),
            delay: delay(DELAY_HZ[0], DELAY_HZ[1].min(0.4 * rate_hz)),
            bands: bands.collect(),
        })
    }
}

fn sensitivity(renderer: &Renderer, direction_deg: f64, band: Band) -> Reading<SensitivityLevel> {
    let ratio = band.upper_hz() / band.lower_hz();
    let each = (0..SLICES).filter_map(|slice| {
        let part = (f64::from(slice) + 0.5) / f64::from(SLICES);
        let hz = band.lower_hz() * libm::pow(ratio, part);
        Some(renderer.response(hz, direction_deg)?.norm_sqr())
    });
    let mean = each.sum::<f64>() / f64::from(SLICES);
    let level = SensitivityLevel::of_power_gain(mean).db();
    Reading::measured(
        SensitivityLevel::from_db(rounded(level)),
        Uncertainty::EXACT,
    )
}

/// Least-squares slope of the phase in radians per hertz, all frequencies alike.
fn slope(renderer: &Renderer, direction_deg: f64, from_hz: f64, to_hz: f64) -> f64 {
    let count = ((to_hz - from_hz) / 2.0).ceil().max(32.0) as u32;
    let step_hz = (to_hz - from_hz) / f64::from(count);
    let (mut phase, mut before) = (0.0, None);
    let (mut xy, mut xx) = (0.0, 0.0);
    for i in 0..count {
        let off = (f64::from(i) + 0.5) * step_hz;
        let Some(gain) = renderer.response(from_hz + off, direction_deg) else {
            continue;
        };
        if let Some(before) = before.replace(gain) {
            phase += (gain * before.conj()).arg();
        }
        let x = off - 0.5 * (to_hz - from_hz);
        xy += x * phase;
        xx += x * x;
    }
    xy / xx
}
