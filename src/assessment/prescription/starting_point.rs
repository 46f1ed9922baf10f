//! A starting point of our own:
//!
//! target = sound + ½ H + c − T₀ + zero
//!
//! *Method.* 1. Insertion gain by the half-gain rule, ½ H with the threshold H in
//! dB HL, less c = 10 dB at 250 Hz and 5 dB at 500 Hz (linear in dB over the
//! logarithm of frequency, held below 250 Hz, nothing from 1 kHz). 2. The
//! amplified sound, as its level above the free-field threshold T₀ of normal
//! hearing. 3. The force of that same level above the force of 0 dB HL: equal
//! sensation by air and by direct bone conduction. 4. No higher than leaves the
//! 99th percentile of the speech below the uncomfortable level.
//!
//! *Source.* Half gain: Lybarger 1944; the low-frequency reductions: McCandless
//! and Lyregaard 1983; both from memory. T₀: ISO 226:2003, from public code. The
//! carrying to force is our own derivation.
//!
//! *Limits.* The rules were made for air conduction. A starting point, not a
//! validated prescription.

use super::super::hearing::Hearing;
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{ForceLevel, Reading, SensitivityLevel};
use crate::table::speech_intelligibility::speech_bands;

/// What is said of it wherever it appears.
pub const TOLD: &str = "starting point, not a validated prescription: half-gain rule (Lybarger 1944) less 10 dB at 250 Hz and 5 dB at 500 Hz (McCandless and Lyregaard 1983), both from memory and made for air conduction; carried to force by equal level above the threshold of normal hearing, free field (ISO 226:2003) against dial zero; bounded so that the 99th percentile of the speech stays below the uncomfortable level";

/// The target in the band of `speech` for this person.
pub fn target(speech: &BandSpeech, hearing: &Hearing) -> Reading<ForceLevel> {
    let hz = speech.band.nominal_hz();
    let zero = hearing
        .zero()
        .and_then(|zero| Some((zero.at(hz)?, zero.uncertainty())));
    let bands = speech_bands();
    let normal = bands.iter().find(|band| band.nominal_hz == hz);
    let (Some((zero, of_zero)), Some(normal)) = (zero, normal) else {
        return Reading::not_measured("the zero of the dial is not known here");
    };
    let sound = match &speech.sound.leq {
        Reading::Measured(level, u) => (*level, u),
        Reading::NotMeasured(why) => return Reading::not_measured(why.clone()),
        _ => return Reading::not_measured("the sound is only a bound"),
    };
    let threshold = match hearing.threshold(speech.band) {
        Reading::Measured(level, _) => level,
        Reading::NotMeasured(why) => return Reading::NotMeasured(why),
        Reading::AtLeast(_, why) | Reading::AtMost(_, why) => return Reading::NotMeasured(why),
    };
    let gain_db = 0.5 * (threshold - zero).db() - low_frequency_db(hz);
    let sensitivity = SensitivityLevel::from_db(gain_db - normal.threshold_db + zero.db());
    let aimed = sound.0.through(sensitivity);
    let bounded = match (hearing.uncomfortable(speech.band), peak_db(speech)) {
        (Reading::Measured(lid, _), Some(peak_db)) => aimed.db().min(lid.db() - peak_db),
        _ => aimed.db(),
    };
    Reading::measured(ForceLevel::from_db(bounded), sound.1.plus(of_zero))
}

/// 99th percentile of the sound above its long-term average, in dB.
fn peak_db(speech: &BandSpeech) -> Option<f64> {
    let sound = &speech.sound;
    Some((sound.percentile_99.figure()? - sound.leq.figure()?).db())
}

/// Reduction of the insertion gain: 10 dB at 250 Hz, 5 dB at 500 Hz, none from
/// 1 kHz: 5 dB per octave.
fn low_frequency_db(hz: f64) -> f64 {
    (5.0 * (1000.0 / hz).log2()).clamp(0.0, 10.0)
}
