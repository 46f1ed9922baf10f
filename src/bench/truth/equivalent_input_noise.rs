//! What a device adds by itself, as sound at its microphone: the stated noise of
//! the microphone, white, in each band.

use serde::Serialize;

use super::rounded;
use crate::bench::device::NOISE_WIDTH_HZ;
use crate::bench::scenario::{Capture, Scenario};
use crate::quantity::{Band, BandRange, PressureLevel, Reading, Uncertainty};

/// Bands of the total, in Hz.
const TOTAL_HZ: [f64; 2] = [200.0, 5000.0];

/// The truth of one capture.
#[derive(Debug, Serialize)]
pub(super) struct EquivalentInputNoise {
    capture: String,
    total: Reading<PressureLevel>,
    bands: Vec<BandNoise>,
}

#[derive(Debug, Serialize)]
struct BandNoise {
    #[serde(flatten)]
    band: Band,
    equivalent_input_noise: Reading<PressureLevel>,
}

impl EquivalentInputNoise {
    /// That of `capture`, if nothing else of a linear device makes noise and there
    /// is a capture to know its gain from.
    pub(super) fn of(scenario: &Scenario, capture: &Capture) -> Option<Self> {
        let device = &scenario.device;
        let of_role = |role: &str| scenario.captures().iter().any(|c| c.role() == role);
        let alone = capture.role() == "equivalent_input_noise"
            && of_role("sensitivity")
            && device.is_linear()
            && device.noise.output_db.is_none()
            && !capture.directional
            && !capture.noise_reduction;
        let db_spl = device.noise.input_db_spl.filter(|_| alone)?;
        let level = |width_hz: f64| {
            let db = db_spl + 10.0 * libm::log10(width_hz / NOISE_WIDTH_HZ);
            Reading::measured(PressureLevel::from_db(rounded(db)), Uncertainty::EXACT)
        };
        let bands = BandRange::default().bands();
        let carried = bands.filter(|band| band.upper_hz() <= scenario.rate() / 2.0);
        let inside = |band: &Band| (TOTAL_HZ[0]..=TOTAL_HZ[1]).contains(&band.nominal_hz());
        let carried: Vec<Band> = carried.collect();
        let total_hz = carried.iter().copied().filter(inside).map(Band::width_hz);
        Some(Self {
            capture: capture.name().to_owned(),
            total: level(total_hz.sum()),
            bands: carried
                .iter()
                .map(|band| BandNoise {
                    band: *band,
                    equivalent_input_noise: level(band.width_hz()),
                })
                .collect(),
        })
    }
}
