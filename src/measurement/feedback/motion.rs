//! By how much the gain moves during a recording.
//!
//! A gain that moves in time by a relative standard deviation σ spreads the force that
//! follows the sound, as noise would: 1/γ² − 1 = σ². Noise, and what rings on beyond a
//! segment, add to that; the most coherent bins of the best bands have least of both.

use crate::levels::Transfer;
use crate::levels::pair::Cross;
use crate::quantity::Band;

/// Of a band, this share of the bins is the most coherent …
const BINS: f64 = 0.1;
/// … and of the bands this share is the best.
const BANDS: f64 = 0.25;
/// Decibels per neper.
pub(super) const NEPER_DB: f64 = 8.686;

/// Greatest standard deviation over time that the gain may have had in dB, by the best
/// of the third-octave bands within `band_hz`; 0 without any.
pub fn gain_motion_db(transfer: &Transfer, band_hz: [f64; 2]) -> f64 {
    let bin = |hz: f64| (hz / transfer.resolution_hz()).round() as usize;
    let of_band = |band: Band| {
        let bins = transfer
            .bins()
            .get(bin(band.lower_hz())..bin(band.upper_hz()))?;
        let incoherent = |cross: &Cross| 1.0 / cross.coherence().max(1e-9) - 1.0;
        let least = ranked(bins.iter().map(incoherent).collect(), BINS)?;
        Some(NEPER_DB * least.sqrt())
    };
    let motions = super::margin::bands(band_hz).filter_map(of_band).collect();
    ranked(motions, BANDS).unwrap_or(0.0)
}

/// The value that a share of the list lies below.
fn ranked(mut list: Vec<f64>, share: f64) -> Option<f64> {
    list.sort_by(f64::total_cmp);
    list.get((share * list.len() as f64) as usize).copied()
}
