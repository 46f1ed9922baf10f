//! What goes round the loop, from the transfer between the two channels.
//!
//! The closed loop H = A/(1 − A F) has an inverse of exactly two terms,
//! 1/H = 1/A − F (van Waterschoot and Moonen 2011, Proc. IEEE 99(2), 288–327, for
//! the loop; the use of its inverse is our own). The device's part stands around
//! no delay; what comes back stands one delay of the device later, for no sound
//! is fed back before the force is there. A signal over the lags is fitted to
//! 1/H and cut there. First 1/H is multiplied by the smooth part of the device, of
//! least phase, from the low quefrencies of ln|H|: that makes the device's part
//! short. The rest follows: L = A F at every frequency.

use std::ops::Range;

use rustfft::num_complex::Complex64;

use super::cepstrum::{Cepstrum, rising};
use super::least_squares::{Bin, Fit};
use crate::levels::Transfer;

/// Lowest and highest frequency used, in Hz.
const FROM_HZ: f64 = 350.0;
const TO_HZ: f64 = 8000.0;
/// Bins below this squared coherence tell nothing.
const COHERENT: f64 = 0.3;
/// A band is used where most of its bins are above this squared coherence …
const SHARED: f64 = 0.8;
/// … and where the sound is no mere tones: geometric over arithmetic mean of its
/// power.
const FLAT: f64 = 0.1;
/// A device that answers faster cannot be parted from what comes back, in s.
const SHORTEST_S: f64 = 0.002;
/// Lags looked at before the device's answer and after the first return, in s: a
/// path that resonates at 1.2 kHz with Q = 9 rings for 16 ms.
const BEFORE_S: f64 = 0.003;
const AFTER_S: f64 = 0.020;
/// What comes back may stand this much before the delay: the band is limited.
const EARLY_S: f64 = 0.0004;
/// Neighbouring bins under a Hann window are worth fewer independent ones.
const BIN_WIDTH: f64 = 1.5;
/// Misfit of a linear device that does not change: neighbouring windows leak
/// into each other.
const LINEAR_MISFIT: f64 = 2.0;

/// Why a loop could not be estimated.
pub type Reason = &'static str;

/// The loop over frequency.
pub struct LoopGain {
    fit: Fit,
    early: Range<usize>,
    late: Range<usize>,
    smooth: Vec<Complex64>,
    resolution_hz: f64,
    /// Bins of the transfer that the estimate rests on.
    pub band: Range<usize>,
    /// Lowest and highest frequency of the estimate, in Hz.
    pub band_hz: [f64; 2],
    /// By how much better a loop explains the transfer than a single echo in it,
    /// as the difference of two sums of squares in units of the errors.
    pub loop_evidence: f64,
}

impl LoopGain {
    /// Estimates the loop.
    ///
    /// # Errors
    /// Why the transfer does not allow it.
    pub fn new(transfer: &Transfer) -> Result<Self, Reason> {
        let delay_s = transfer
            .bulk_delay_s
            .ok_or("the two channels share no broadband sound")?;
        if delay_s < SHORTEST_S {
            return Err("the force follows the sound too fast to part device and feedback path");
        }
        if transfer.averages < 4.0 {
            return Err("the recording is too short; record 10 s of speech or noise");
        }
        let resolution_hz = transfer.resolution_hz();
        let band = coherent_band(transfer)
            .ok_or("the two channels share no sound over a wide band; play speech or noise")?;
        let smooth = smooth_part(transfer, &band, 0.8 * delay_s);
        let of_bin = |invert: bool| {
            let (smooth, band) = (&smooth, band.clone());
            let usable = move |bin: usize| {
                let gain = transfer.gain(bin)?;
                let error = transfer.random_error(bin)?;
                let flat = gain / smooth[bin];
                let value = if invert { flat.inv() } else { flat };
                (gain.norm() > 0.0 && transfer.bins()[bin].coherence() > COHERENT).then(|| Bin {
                    frequency_hz: bin as f64 * resolution_hz,
                    value,
                    // An amplitude error of a part in ten thousand is everywhere.
                    variance: 2.0 * value.norm_sqr() * error * error + 1e-8,
                })
            };
            band.filter_map(usable).collect::<Vec<Bin>>()
        };
        let band_hz = [band.start, band.end].map(|bin| bin as f64 * resolution_hz);
        let step_s = 1.0 / (2.3 * band_hz[1]);
        let lags_before = (BEFORE_S / step_s) as usize;
        let from_s = -(lags_before as f64) * step_s;
        let cut = ((delay_s - EARLY_S - from_s) / step_s).ceil() as usize;
        let count = ((delay_s + AFTER_S - from_s) / step_s) as usize;
        let spread = |lag: usize| {
            let lag_s = from_s + lag as f64 * step_s;
            if lag < cut {
                (-lag_s.abs() / 6e-4).exp() + 1e-3 * (-lag_s.abs() / 2e-3).exp()
            } else {
                0.5 * (-(lag_s - delay_s - 1e-3).max(0.0) / 2.5e-3).exp()
            }
        };
        let spreads: Vec<f64> = (0..count).map(spread).collect();
        let fitted = |invert, count: usize| {
            Fit::new(&of_bin(invert), from_s, step_s, &spreads[..count])
                .ok_or("the transfer could not be inverted")
        };
        let fit = fitted(true, count)?;
        // Before the second round a loop has one term in 1/H, an echo in H.
        let second = (((2.0 * delay_s - EARLY_S - from_s) / step_s) as usize).min(count);
        let (round, echo) = (fitted(true, second)?, fitted(false, second)?);
        let better = (echo.misfit - round.misfit) / round.misfit.max(1.0);
        Ok(Self {
            loop_evidence: better * band.len() as f64 / BIN_WIDTH,
            fit,
            early: 0..cut,
            late: cut..count,
            smooth,
            resolution_hz,
            band,
            band_hz,
        })
    }

    /// Complex loop gain L = A F.
    pub fn around(&self, hz: f64) -> Complex64 {
        let early = self.fit.spectrum(hz, self.early.clone());
        -self.fit.spectrum(hz, self.late.clone()) / early
    }

    /// Gain of the device, A, in N/Pa, without its bulk delay.
    pub fn device(&self, hz: f64) -> Complex64 {
        self.smooth_at(hz) / self.fit.spectrum(hz, self.early.clone())
    }

    /// Gain of the feedback path, F, in Pa/N, with the bulk delay.
    pub fn path(&self, hz: f64) -> Complex64 {
        -self.fit.spectrum(hz, self.late.clone()) / self.smooth_at(hz)
    }

    fn smooth_at(&self, hz: f64) -> Complex64 {
        let bin = (hz / self.resolution_hz).round() as usize;
        self.smooth[bin.min(self.smooth.len() - 1)]
    }

    /// Standard deviation of |L| from the random errors of the transfer, in dB.
    pub fn around_error_db(&self, hz: f64) -> f64 {
        self.error_db(hz, 1.0, 1.0)
    }

    /// The same of |F|.
    pub fn path_error_db(&self, hz: f64) -> f64 {
        self.error_db(hz, 0.0, 1.0)
    }

    /// The same of |A|.
    pub fn device_error_db(&self, hz: f64) -> f64 {
        self.error_db(hz, 1.0, 0.0)
    }

    fn error_db(&self, hz: f64, of_early: f64, of_late: f64) -> f64 {
        let part = |range: &Range<usize>, share: f64| {
            let whole = self.fit.spectrum(hz, range.clone());
            range
                .clone()
                .map(|lag| share * (self.fit.turn(hz, lag) / whole).re)
                .collect::<Vec<f64>>()
        };
        let mut form = part(&self.early, -of_early);
        form.extend(part(&self.late, of_late));
        let variance = self.fit.variance(&form) * BIN_WIDTH * self.fit.misfit.max(1.0);
        20.0 / std::f64::consts::LN_10 * variance.sqrt()
    }

    /// By how much the transfer departs from one linear device that stays the
    /// same, relative to what such a one shows; 0 where it does not.
    pub fn variation(&self) -> f64 {
        (self.fit.misfit / LINEAR_MISFIT - 1.0).max(0.0)
    }
}

/// The bins over which both channels share sound: from the first to the last
/// third of an octave in which most bins are coherent; at least two octaves.
fn coherent_band(transfer: &Transfer) -> Option<Range<usize>> {
    let resolution_hz = transfer.resolution_hz();
    let bins = transfer.bins();
    let bin = |hz: f64| ((hz / resolution_hz) as usize).min(bins.len());
    let highest_hz = TO_HZ.min(0.8 * resolution_hz * (bins.len() - 1) as f64);
    let third = 2f64.powf(1.0 / 3.0);
    let mut edges = vec![FROM_HZ];
    while edges[edges.len() - 1] * third < highest_hz * 1.001 {
        edges.push(edges[edges.len() - 1] * third);
    }
    let shared: Vec<bool> = edges
        .windows(2)
        .map(|edge| {
            let band = &bins[bin(edge[0])..bin(edge[1])];
            let coherent = band.iter().filter(|b| b.coherence() > SHARED).count();
            let mean = |of: &dyn Fn(f64) -> f64| {
                band.iter().map(|b| of(b.microphone)).sum::<f64>() / band.len() as f64
            };
            let flatness = mean(&f64::ln).exp() / mean(&|power| power);
            2 * coherent > band.len() && flatness > FLAT
        })
        .collect();
    let first = shared.iter().position(|s| *s)?;
    let length = shared[first..].iter().take_while(|s| **s).count();
    (length >= 6).then(|| bin(edges[first])..bin(edges[first + length]))
}

/// The smooth part of the transfer with the least phase: ln|H| up to a quefrency.
fn smooth_part(transfer: &Transfer, band: &Range<usize>, up_to_s: f64) -> Vec<Complex64> {
    let log = |bin: usize| {
        let gain = transfer.gain(bin).map_or(0.0, |gain| gain.norm());
        gain.max(f64::MIN_POSITIVE).ln()
    };
    let bins = transfer.bins().len();
    let cepstrum = Cepstrum::new(bins, transfer.resolution_hz(), band, log);
    cepstrum.least_phase(|s| rising(s, up_to_s, 0.0))
}
