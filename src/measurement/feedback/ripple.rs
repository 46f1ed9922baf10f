//! The ripple that a loop leaves on the magnitude of the transfer, and the margin that
//! follows from it without any phase: a check of the margin from the inverse, and the
//! way where a substitution capture replaces the sound at the reference microphone.
//!
//! A stable loop multiplies the gain of the device by 1/(1 − L), which has the least
//! phase that goes with its magnitude, for L is stable and 1 − L has no zero beyond the
//! edge. In the cepstrum it stands from one turn of the loop on, at k times the loop's
//! delay with L^k/k; the smooth device stands before. Folded to one side, the late
//! quefrencies give 1/(1 − L) with its phase, and L. Own use of a textbook relation;
//! for L of one magnitude and delay the first amplitude is 8.686 |L| dB (own derivation,
//! in docs/feedback.md).

use std::ops::Range;

use rustfft::num_complex::Complex64;
use schemars::JsonSchema;
use serde::Serialize;

use super::cepstrum::{Cepstrum, rising, weighted_in_time};
use super::margin::{Margin, Worst, worst};
use super::motion::NEPER_DB;
use crate::levels::Transfer;
use crate::quantity::{LevelDifference, Origin, Reading, Uncertainty};

/// The loop's part begins between these shares of the device's delay …
const BEGINS: [f64; 2] = [0.55, 0.85];
/// … and is followed for so long, in s: 3 dB before oscillation a loop of 8 ms has lost
/// 18 dB by then.
const ENDS_S: [f64; 2] = [0.035, 0.05];
/// The same for spectra of two recordings, whose scatter fills all quefrencies.
const ENDS_APART_S: [f64; 2] = [0.020, 0.028];
/// Uncertainty (k = 2) of the method on simulated loops, in dB.
const METHOD_DB: f64 = 0.3;
/// Neighbouring bins under a Hann window are worth fewer independent ones.
const BIN_WIDTH: f64 = 1.5;
/// Reach of the picture to either side of the worst frequency in Hz, and of the
/// cepstrum in turns of the loop.
const AROUND_HZ: f64 = 600.0;
const TURNS: f64 = 4.0;
/// Step of the cepstrum's picture, in s.
const STEP_S: f64 = 1.25e-4;

/// What the magnitude of the transfer shows of the loop, for the eye and as a check.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Ripple {
    /// Margin before oscillation from the magnitude alone.
    pub margin: Reading<LevelDifference>,
    /// Lowest frequency of `ripple_db`, in Hz.
    pub from_hz: f64,
    /// Its step, in Hz.
    pub step_hz: f64,
    /// Gain of the capture less its smooth part, in dB, about the worst frequency.
    pub ripple_db: Vec<f64>,
    /// Step of `cepstrum_db`, in s, from a delay of 0 on.
    pub quefrency_step_s: f64,
    /// Amplitude of the ripple in dB by the delay that makes it, the greatest of each
    /// step; 0 where the device itself stands.
    pub cepstrum_db: Vec<f64>,
}

/// The loop by the magnitude of a gain.
struct ByMagnitude {
    cepstrum: Cepstrum,
    around: Vec<Complex64>,
    resolution_hz: f64,
    band_hz: [f64; 2],
}

impl ByMagnitude {
    fn new(
        transfer: &Transfer,
        band: &Range<usize>,
        ends_s: [f64; 2],
        log: impl Fn(usize) -> f64,
    ) -> Option<Self> {
        let delay_s = transfer.bulk_delay_s?;
        let resolution_hz = transfer.resolution_hz();
        let cepstrum = Cepstrum::new(transfer.bins().len(), resolution_hz, band, log);
        let begins = BEGINS.map(|share| share * delay_s);
        let late = |s: f64| {
            let ended = s > ends_s[1];
            rising(s, begins[0], begins[1]) * f64::from(u8::from(!ended))
        };
        let closed = cepstrum.least_phase(late);
        // Up to a time, L holds no later quefrencies; beyond it they are missing.
        let around: Vec<Complex64> = closed.iter().map(|gain| 1.0 - gain.inv()).collect();
        let known = |s: f64| rising(s, ends_s[1], ends_s[0]);
        Some(Self {
            around: weighted_in_time(&around, cepstrum.step_s(), known),
            cepstrum,
            resolution_hz,
            band_hz: [band.start, band.end].map(|bin| bin as f64 * resolution_hz),
        })
    }

    /// Complex loop gain, between the bins along the chord.
    fn around(&self, hz: f64) -> Complex64 {
        let at = hz / self.resolution_hz;
        let bin = (at as usize).min(self.around.len() - 2);
        let share = at - bin as f64;
        self.around[bin] * (1.0 - share) + self.around[bin + 1] * share
    }

    fn worst(&self) -> Option<Worst> {
        worst(self.band_hz, |hz| self.around(hz))
    }

    /// Standard deviation of L, given that of the natural logarithm in each bin.
    fn error(&self, transfer: &Transfer, ends_s: [f64; 2], per_bin: f64) -> f64 {
        let width_hz = self.band_hz[1] - self.band_hz[0];
        let of_all = width_hz / (self.resolution_hz * (transfer.bins().len() - 1) as f64);
        let length = 2.0 * (transfer.bins().len() - 1) as f64;
        let coefficient = per_bin * (of_all * BIN_WIDTH / length).sqrt();
        let begins_s = transfer.bulk_delay_s.unwrap_or(0.0) * BEGINS[0];
        let count = (ends_s[1] - begins_s).max(0.0) / self.cepstrum.step_s();
        2.0 * coefficient * (count / 2.0).sqrt()
    }

    fn picture(&self, delay_s: f64) -> Vec<f64> {
        let step = |s: f64| (s / self.cepstrum.step_s()).round() as usize;
        let count = ((TURNS * delay_s).min(ENDS_S[1]) / STEP_S) as usize;
        let of_step = |n: usize| {
            let from_s = n as f64 * STEP_S;
            if from_s < BEGINS[0] * delay_s {
                return 0.0;
            }
            let within = step(from_s)..step(from_s + STEP_S).max(step(from_s) + 1);
            let amplitudes = within.map(|n| NEPER_DB * self.cepstrum.amplitude(n));
            amplitudes.fold(
                0.0,
                |most: f64, a| if a.abs() > most.abs() { a } else { most },
            )
        };
        (0..count).map(|n| hundredth(of_step(n))).collect()
    }
}

impl Ripple {
    /// Of the transfer over the bins of `band`.
    pub fn new(transfer: &Transfer, band: &Range<usize>) -> Option<Self> {
        let log = |bin: usize| ln(transfer.gain(bin).map_or(0.0, |gain| gain.norm()));
        let found = ByMagnitude::new(transfer, band, ENDS_S, log)?;
        let worst = found.worst();
        let errors = band.clone().filter_map(|bin| transfer.random_error(bin));
        let mean = (errors.map(|e| e * e).sum::<f64>() / band.len() as f64).sqrt();
        let margin = told(worst.as_ref(), found.error(transfer, ENDS_S, mean));
        let smooth = found.cepstrum.least_phase(|s| {
            let [from, to] = BEGINS.map(|share| share * transfer.bulk_delay_s.unwrap_or(0.0));
            rising(s, to, from)
        });
        let centre_hz = worst.map_or(0.5 * (found.band_hz[0] + found.band_hz[1]), |w| {
            w.frequency_hz
        });
        let bin = |hz: f64| ((hz / found.resolution_hz) as usize).clamp(band.start, band.end - 1);
        let shown = bin(centre_hz - AROUND_HZ)..bin(centre_hz + AROUND_HZ);
        let db = |bin: usize| NEPER_DB * (log(bin) - smooth[bin].norm().ln());
        Some(Self {
            margin,
            from_hz: shown.start as f64 * found.resolution_hz,
            step_hz: 2.0 * found.resolution_hz,
            ripple_db: shown.step_by(2).map(|bin| hundredth(db(bin))).collect(),
            quefrency_step_s: STEP_S,
            cepstrum_db: found.picture(transfer.bulk_delay_s.unwrap_or(0.0)),
        })
    }
}

/// The margin beside a substitution capture: the same sound, the device off.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Substitution {
    /// The margin with its sound in place of what the reference microphone hears.
    pub margin: Reading<LevelDifference>,
    /// By how much the margin without it is greater: beyond its uncertainty, the
    /// reference microphone hears what comes back, and the gain margin of the capture is
    /// that of the substitution.
    pub overstated: Reading<LevelDifference>,
}

impl Substitution {
    /// Of a capture and its margin; `sound` is the transfer of the substitution.
    pub fn new(
        transfer: &Transfer,
        sound: &Transfer,
        band: &Range<usize>,
        margin: &Margin,
    ) -> Self {
        let by_it = by_substitution(transfer, sound, band);
        let overstated = match (&margin.gain_margin, &by_it) {
            (Reading::Measured(a, ua), Reading::Measured(b, ub)) => {
                Reading::measured(*a - *b, ua.plus(ub))
            }
            _ => Reading::not_measured("one of the two margins is a bound"),
        };
        Self {
            margin: by_it,
            overstated,
        }
    }

    /// Whether the reference microphone hears what comes back.
    pub fn hears(&self) -> bool {
        matches!(&self.overstated, Reading::Measured(db, uncertainty)
            if db.db() > uncertainty.expanded().unwrap_or(f64::INFINITY))
    }
}

/// The margin with the sound of a substitution capture, recorded without the device's
/// output, in place of what the reference microphone hears.
fn by_substitution(
    transfer: &Transfer,
    substitution: &Transfer,
    band: &Range<usize>,
) -> Reading<LevelDifference> {
    if substitution.resolution_hz() != transfer.resolution_hz() {
        return Reading::not_measured("the substitution capture has another sampling rate");
    }
    if substitution.sound_averages < 4.0 {
        return Reading::not_measured("the substitution capture is too short; record 10 s");
    }
    let log = |bin: usize| {
        let powers = [transfer.bins()[bin].force, substitution.sound()[bin]];
        0.5 * (ln(powers[0]) - ln(powers[1]))
    };
    let Some(found) = ByMagnitude::new(transfer, band, ENDS_APART_S, log) else {
        return Reading::not_measured("the two channels share no broadband sound");
    };
    // Two spectra of noises of their own, half of whose relative error is that of the
    // amplitude (Bendat and Piersol, public transcription).
    let per_bin = 0.5 * (1.0 / transfer.averages + 1.0 / substitution.sound_averages).sqrt();
    told(
        found.worst().as_ref(),
        found.error(transfer, ENDS_APART_S, per_bin),
    )
}

/// A margin, or that there is none.
fn told(worst: Option<&Worst>, error: f64) -> Reading<LevelDifference> {
    let Some(worst) = worst else {
        return Reading::not_measured("no sound comes back in phase");
    };
    let margin = LevelDifference::from_db(-20.0 * worst.gain.log10());
    if worst.gain < 4.0 * error {
        let least_db = -20.0 * (worst.gain + 2.0 * error).log10();
        return Reading::AtLeast(
            LevelDifference::from_db(least_db.max(0.0)),
            "what comes back is not clear of the scatter".into(),
        );
    }
    let random_db = 2.0 * NEPER_DB * error / worst.gain;
    let uncertainty =
        Uncertainty::of(Origin::Statistics, random_db).and(Origin::Analysis, METHOD_DB);
    Reading::measured(margin, uncertainty)
}

fn ln(value: f64) -> f64 {
    value.max(f64::MIN_POSITIVE).ln()
}

/// The eye asks for no more.
fn hundredth(db: f64) -> f64 {
    (db * 100.0).round() / 100.0
}
