//! Bands of the speech intelligibility index.

use super::rows;

const TEXT: &str = include_str!("speech_intelligibility.csv");

/// Number of bands, 160 Hz to 8 kHz.
pub const BANDS: usize = 18;

/// One third-octave band of the index.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeechBand {
    /// Nominal midband frequency in Hz.
    pub nominal_hz: f64,
    /// Band level minus spectrum level, in dB.
    pub bandwidth_db: f64,
    /// Share of speech that the band carries; the shares sum to 1.
    pub importance: f64,
    /// Reference internal noise, spectrum level in dB SPL.
    pub internal_noise_db: f64,
    /// Speech of normal effort at 1 m, spectrum level in dB SPL.
    pub normal_speech_db: f64,
    /// Free-field threshold of normal hearing in dB SPL.
    pub threshold_db: f64,
}

/// The bands, rising.
pub fn speech_bands() -> Vec<SpeechBand> {
    let band = |row: Vec<Option<f64>>| match row[..] {
        [
            Some(nominal_hz),
            Some(bandwidth_db),
            Some(importance),
            Some(internal_noise_db),
            Some(normal_speech_db),
            Some(threshold_db),
        ] => Some(SpeechBand {
            nominal_hz,
            bandwidth_db,
            importance,
            internal_noise_db,
            normal_speech_db,
            threshold_db,
        }),
        _ => None,
    };
    rows(TEXT).filter_map(band).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_band_is_read_and_the_importance_sums_to_one() {
        let bands = speech_bands();
        assert_eq!(bands.len(), BANDS);
        let sum: f64 = bands.iter().map(|band| band.importance).sum();
        assert!((sum - 1.0).abs() < 1e-12, "{sum}");
    }
}
