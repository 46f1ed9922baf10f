//! The speech intelligibility index, one-third-octave procedure.
//!
//! *Definition.* The share of speech above threshold and noise, weighted by what
//! each band carries: 0 to 1. It is an index of audibility; it is not the share
//! of words that this person understands.
//!
//! *Source.* ANSI S3.5-1997, clauses 4.2 to 4.8, average speech, one ear: from
//! two public implementations that agree; the standard was not opened.

use crate::table::speech_intelligibility::{BANDS, SpeechBand, speech_bands};

/// Noise that masks nothing: the procedure's own value for quiet, in dB.
pub const QUIET_DB: f64 = -50.0;

/// One figure per band of the procedure, 160 Hz to 8 kHz.
pub type Spectrum = [f64; BANDS];

/// The index for the equivalent spectrum levels of speech and noise (dB SPL in
/// 1 Hz, free field) and the thresholds in dB HL.
///
/// ```
/// use micronewton::assessment::speech_intelligibility::{QUIET_DB, index, normal_speech};
/// let index = index(&normal_speech(), &[QUIET_DB; 18], &[0.0; 18]);
/// assert!((index - 0.9958).abs() < 5e-5);
/// ```
pub fn index(speech: &Spectrum, noise: &Spectrum, threshold_db_hl: &Spectrum) -> f64 {
    let bands = speech_bands();
    let masked = masking(&bands, speech, noise);
    let audible = bands.iter().enumerate().map(|(i, band)| {
        let disturbance = masked[i].max(band.internal_noise_db + threshold_db_hl[i]);
        let level = 1.0 - (speech[i] - band.normal_speech_db - 10.0) / 160.0;
        let audible = (speech[i] - disturbance + 15.0) / 30.0;
        band.importance * level.min(1.0) * audible.clamp(0.0, 1.0)
    });
    audible.sum::<f64>().max(0.0)
}

/// Speech of normal effort at 1 m.
pub fn normal_speech() -> Spectrum {
    let mut spectrum = [QUIET_DB; BANDS];
    for (level, band) in spectrum.iter_mut().zip(speech_bands()) {
        *level = band.normal_speech_db;
    }
    spectrum
}

/// Equivalent masking spectrum levels: noise and the speech's own masking (24 dB
/// below it), spreading upwards.
fn masking(bands: &[SpeechBand], speech: &Spectrum, noise: &Spectrum) -> Vec<f64> {
    let power = |db: f64| 10f64.powf(0.1 * db);
    let own: Vec<f64> = speech
        .iter()
        .zip(noise)
        .map(|(e, n)| n.max(e - 24.0))
        .collect();
    let slope = |k: usize| 0.6 * (own[k] + 10.0 * bands[k].nominal_hz.log10() - 6.353) - 80.0;
    let spread = |i: usize| {
        let from_below = (0..i).map(|k| {
            let ratio = 0.89 * bands[i].nominal_hz / bands[k].nominal_hz;
            power(own[k] + 3.32 * slope(k) * ratio.log10())
        });
        10.0 * (power(noise[i]) + from_below.sum::<f64>()).log10()
    };
    let of = |i: usize| if i == 0 { own[0] } else { spread(i) };
    (0..bands.len()).map(of).collect()
}
