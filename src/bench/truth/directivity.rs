//! Patterns and directivity index of a series of angles, from the geometry.

use serde::Serialize;

use super::{CaptureTruth, difference};
use crate::bench::renderer::Renderer;
use crate::bench::scenario::{Capture, Scenario};
use crate::quantity::{Band, BandRange, LevelDifference, Reading};

/// Frequencies per band and angles per half turn over which is averaged.
const SLICES: usize = 8;
const ANGLES: usize = 90;

#[derive(Debug, Serialize)]
pub(super) struct Directivity {
    bands: Vec<Pattern>,
}

#[derive(Debug, Serialize)]
struct Pattern {
    #[serde(flatten)]
    band: Band,
    directivity_index: Reading<LevelDifference>,
    angles: Vec<Angle>,
}

#[derive(Debug, Serialize)]
struct Angle {
    angle_deg: f64,
    relative_to_front: Reading<LevelDifference>,
}

/// From −180° (without) to 180°.
fn wrapped(angle_deg: f64) -> f64 {
    let turned = angle_deg.rem_euclid(360.0);
    if turned > 180.0 {
        turned - 360.0
    } else {
        turned
    }
}

impl Directivity {
    /// Of all captures by angle, of a linear device; `None` without one from the
    /// front.
    pub(super) fn of(scenario: &Scenario, captures: &[CaptureTruth]) -> Option<Self> {
        let all = scenario.captures().iter().zip(captures);
        let mut series: Vec<(f64, &CaptureTruth)> = all
            .filter(|(capture, truth)| capture.role == "angle" && !truth.gains.is_empty())
            .map(|(capture, truth)| (wrapped(capture.direction_deg), truth))
            .collect();
        series.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (_, front) = series.iter().find(|(angle, _)| *angle == 0.0)?;
        if !scenario.device.is_linear() {
            return None;
        }
        let each = front.gains.iter().zip(&front.indices).enumerate();
        let pattern = |(i, ((band, gain), index)): (usize, (&(Band, f64), &f64))| Pattern {
            band: *band,
            directivity_index: difference(*index),
            angles: series
                .iter()
                .filter_map(|(angle_deg, truth)| {
                    let ratio = truth.gains.get(i)?.1 / gain;
                    Some(Angle {
                        angle_deg: *angle_deg,
                        relative_to_front: difference(10.0 * libm::log10(ratio)),
                    })
                })
                .collect(),
        };
        Some(Self {
            bands: each.map(pattern).collect(),
        })
    }
}

/// Front over the mean of all directions of space per band, in dB, for the capture
/// from the front of a series; the pattern is the same all about its axis.
pub(super) fn indices_db(scenario: &Scenario, capture: &Capture, renderer: &Renderer) -> Vec<f64> {
    if capture.role != "angle" || wrapped(capture.direction_deg) != 0.0 {
        return Vec::new();
    }
    let rate_hz = scenario.rate();
    let bands = BandRange::default().bands();
    let carried = bands.filter(|band| band.upper_hz() <= rate_hz / 2.0);
    carried
        .filter_map(|band| {
            let power = |angle_deg: f64| -> Option<f64> {
                let mut sum = 0.0;
                for i in 0..SLICES {
                    let share = (i as f64 + 0.5) / SLICES as f64;
                    // Equal power per octave.
                    let hz = band.lower_hz() * libm::pow(band.upper_hz() / band.lower_hz(), share);
                    sum += renderer.response(hz, angle_deg)?.norm_sqr();
                }
                Some(sum)
            };
            let (mut mean, mut weights) = (0.0, 0.0);
            for i in 0..ANGLES {
                let angle_deg = (i as f64 + 0.5) * 180.0 / ANGLES as f64;
                let weight = libm::sin(angle_deg.to_radians());
                mean += weight * power(angle_deg)?;
                weights += weight;
            }
            Some(10.0 * libm::log10(power(0.0)? * weights / mean))
        })
        .collect()
}
