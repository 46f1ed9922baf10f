//! Front-to-back difference of a capture in which both sides sound at once, from the
//! geometry.

use serde::Serialize;

use super::{BandDifference, difference};
use crate::bench::renderer::Renderer;
use crate::bench::scenario::{Capture, Scenario};
use crate::bench::stimulus::Stimulus;
use crate::quantity::{LevelDifference, Reading};

/// Frequencies per band over which is averaged.
const SLICES: usize = 16;

#[derive(Debug, Serialize)]
pub(super) struct DirectionalAtOnce {
    capture: String,
    bands: Vec<BandDifference>,
    broadband: Reading<LevelDifference>,
}

impl DirectionalAtOnce {
    /// Of a linear device; `None` where the capture holds no interleaved tones.
    pub(super) fn of(scenario: &Scenario, capture: &Capture, renderer: &Renderer) -> Option<Self> {
        let Stimulus::InterleavedTones { tones, .. } = &capture.stimulus else {
            return None;
        };
        if capture.role != "front_and_back" || !scenario.device.is_linear() {
            return None;
        }
        let (mut bands, mut sums) = (Vec::new(), [0.0; 2]);
        for band in tones.lines().ok()?.iter().map(|lines| lines.band) {
            if band.upper_hz() > scenario.rate() / 2.0 {
                continue;
            }
            let power = |turned_deg: f64| -> Option<f64> {
                let mut sum = 0.0;
                for i in 0..SLICES {
                    let share = (i as f64 + 0.5) / SLICES as f64;
                    let hz = band.lower_hz() * libm::pow(band.upper_hz() / band.lower_hz(), share);
                    let gain = renderer.response(hz, capture.direction_deg + turned_deg)?;
                    sum += gain.norm_sqr();
                }
                Some(sum)
            };
            let [front, back] = [power(0.0)?, power(180.0)?];
            sums[0] += front;
            sums[1] += back;
            bands.push(BandDifference {
                band,
                front_to_back: difference(10.0 * libm::log10(front / back)),
            });
        }
        Some(Self {
            capture: capture.name.clone(),
            bands,
            broadband: difference(10.0 * libm::log10(sums[0] / sums[1])),
        })
    }
}
