//! Whether the gain from microphone to force follows the level of the sound.
//!
//! In short frames, band by band, the gain in decibels is averaged over time and
//! compared with the ratio of the mean powers, in which loud frames count more.
//! For a device that keeps its gain the two are one; for one that compresses, the
//! first is greater; a loop that rings makes it a little less.

use super::pair::Pair;
use crate::quantity::{Band, BandRange};

/// Length of a frame aimed at, in seconds.
const FRAME_S: f64 = 0.043;
/// Frames within this of a band's loudest count, in dB.
const RANGE_DB: usize = 25;
/// Classes of level of 1 dB; the lowest stands for −150 dB re 1 Pa².
const CLASSES: usize = 200;
const LOWEST_DB: f64 = -150.0;
/// Bands that take part, in Hz.
const FROM_HZ: f64 = 400.0;
const TO_HZ: f64 = 6300.0;

/// Frames of one band at one level.
#[derive(Debug, Clone, Copy, Default)]
struct Class {
    count: f64,
    gain_db: f64,
    force: f64,
    microphone: f64,
}

/// The fold; frames are to come with the delay of the force taken off.
pub struct GainSpread {
    pair: Pair,
    bands: Vec<(std::ops::Range<usize>, Vec<Class>)>,
}

impl GainSpread {
    /// At rest, for `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let length = 1usize << (FRAME_S * rate_hz).log2().round() as u32;
        let bin = |hz: f64| (hz * length as f64 / rate_hz).round() as usize;
        let highest_hz = TO_HZ.min(0.4 * rate_hz);
        let inside = |band: &Band| (FROM_HZ..highest_hz).contains(&band.exact_hz());
        Self {
            pair: Pair::new(length, length),
            bands: BandRange::default()
                .bands()
                .filter(inside)
                .map(|band| bin(band.lower_hz())..bin(band.upper_hz()))
                .map(|bins| (bins, vec![Class::default(); CLASSES]))
                .collect(),
        }
    }

    /// Takes in aligned frames, in pieces that overlap by half.
    pub fn push(&mut self, aligned: &[[f64; 2]]) {
        let length = self.pair.length();
        for piece in aligned.windows(length).step_by(length / 2) {
            self.pair.transform(piece.iter().copied());
            for (bins, classes) in &mut self.bands {
                let (mut force, mut microphone) = (0.0, 0.0);
                for bin in bins.clone() {
                    let [f, m] = self.pair.bin(bin);
                    force += f.norm_sqr();
                    microphone += m.norm_sqr();
                }
                let class = (10.0 * microphone.log10() - LOWEST_DB) as usize;
                if force > 0.0 && microphone > 0.0 {
                    let class = &mut classes[class.min(CLASSES - 1)];
                    class.count += 1.0;
                    class.gain_db += 10.0 * (force / microphone).log10();
                    class.force += force;
                    class.microphone += microphone;
                }
            }
        }
    }

    /// Mean gain in dB less the gain of the mean powers, the middle one of all
    /// bands; 0 without sound.
    pub fn finish(self) -> f64 {
        let of_band = |(_, classes): (_, Vec<Class>)| {
            let loudest = classes.iter().rposition(|class| class.count > 0.0)?;
            let softest = loudest.saturating_sub(RANGE_DB);
            let sum = classes[softest..=loudest]
                .iter()
                .fold(Class::default(), |sum, class| Class {
                    count: sum.count + class.count,
                    gain_db: sum.gain_db + class.gain_db,
                    force: sum.force + class.force,
                    microphone: sum.microphone + class.microphone,
                });
            Some(sum.gain_db / sum.count - 10.0 * (sum.force / sum.microphone).log10())
        };
        let mut spreads: Vec<f64> = self.bands.into_iter().filter_map(of_band).collect();
        spreads.sort_by(f64::total_cmp);
        spreads.get(spreads.len() / 2).copied().unwrap_or(0.0)
    }
}
