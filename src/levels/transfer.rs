//! The transfer from the reference microphone to the force, with its coherence
//! and its random error.
//!
//! The force is moved forward by its bulk delay, found from the data, so that
//! both channels of a segment hold the same sound; then cross-spectra are
//! averaged over long Hann segments that overlap by half. Estimate H1 = Gyx/Gxx,
//! coherence and random errors after Bendat and Piersol, Random Data, 4th ed.
//! (as a public transcription gives them).

use super::align::{Aligner, Piece};
use super::gain_spread::GainSpread;
use super::pair::{Cross, Pair};
use rustfft::num_complex::Complex64;

/// Length of a segment aimed at, in seconds: 1 dB before oscillation a loop of
/// 6 ms still rings for 0.36 s.
const SEGMENT_S: f64 = 0.68;
/// Squared correlation of two Hann windows that overlap by half: (1/6)².
const OVERLAP: f64 = 1.0 / 36.0;

/// The averaged transfer from microphone to force.
#[derive(Debug, Clone)]
pub struct Transfer {
    rate_hz: f64,
    length: usize,
    bins: Vec<Cross>,
    /// Sums of the squared powers of the force, bin by bin.
    squares: Vec<f64>,
    strongest: f64,
    /// Independent averages that the segments are worth.
    pub averages: f64,
    /// Power of the microphone channel by bin, also where the channels share nothing.
    sound: Vec<f64>,
    /// Independent averages that it is worth.
    pub sound_averages: f64,
    /// Bulk delay of the force in seconds, a whole number of frames; `None`
    /// where the channels share no broadband sound.
    pub bulk_delay_s: Option<f64>,
    /// By how much the gain follows the level, in dB: see [`GainSpread`].
    pub gain_spread_db: f64,
}

impl Transfer {
    /// Spacing of the bins in Hz.
    pub fn resolution_hz(&self) -> f64 {
        self.rate_hz / self.length as f64
    }

    /// Averaged spectra of every bin, from 0 Hz up to half the sampling rate.
    pub fn bins(&self) -> &[Cross] {
        &self.bins
    }

    /// Power of the microphone's strongest bin.
    pub fn strongest(&self) -> f64 {
        self.strongest
    }

    /// Power of the microphone channel in every bin, whether or not the channels share
    /// anything; as of [`Transfer::bins`] in scale.
    pub fn sound(&self) -> &[f64] {
        &self.sound
    }

    /// Probability that two channels that share nothing look as coherent in a bin:
    /// (1 − γ²)^(n − 1) for n averages (Bendat and Piersol, public transcription). Where
    /// few segments hold most of the force, n is no more than (Σ p)²/Σ p² of its
    /// powers p. `None` where the force is silent.
    pub fn chance(&self, bin: usize) -> Option<f64> {
        let cross = self.bins.get(bin)?;
        let segments = cross.force * cross.force / self.squares[bin];
        let averages = self.averages.min(segments) - 1.0;
        (cross.force > 0.0).then(|| (1.0 - cross.coherence()).powf(averages.max(0.0)))
    }

    /// Complex gain H1 of a bin in N/Pa, without the bulk delay; `None` where the
    /// microphone is silent.
    pub fn gain(&self, bin: usize) -> Option<Complex64> {
        let cross = self.bins.get(bin)?;
        (cross.microphone > 0.0).then(|| cross.both / cross.microphone)
    }

    /// Relative standard deviation of the gain's magnitude, and of its phase in
    /// radians: √(1 − γ²)/(γ √(2 n)). `None` where the channels share nothing.
    pub fn random_error(&self, bin: usize) -> Option<f64> {
        let coherence = self.bins.get(bin)?.coherence();
        (coherence > 0.0 && self.averages > 0.0)
            .then(|| ((1.0 - coherence) / (2.0 * coherence * self.averages)).sqrt())
    }
}

/// The fold that makes a [`Transfer`].
pub struct TransferReduction {
    rate_hz: f64,
    aligner: Aligner,
    pair: Pair,
    aligned: Vec<[f64; 2]>,
    spread: GainSpread,
    sums: Vec<Cross>,
    squares: Vec<f64>,
    segments: u64,
    /// Whether the delay was found.
    found: bool,
    as_recorded: bool,
}

impl TransferReduction {
    /// At rest, for `rate_hz`; frames in which no common sound is found do not count.
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        let length = 1usize << (SEGMENT_S * rate_hz).log2().round() as u32;
        Self {
            rate_hz,
            aligner: Aligner::new(rate_hz),
            pair: Pair::new(length, length),
            aligned: Vec::new(),
            spread: GainSpread::new(rate_hz),
            sums: vec![Cross::default(); length / 2 + 1],
            squares: vec![0.0; length / 2 + 1],
            segments: 0,
            found: false,
            as_recorded: false,
        }
    }

    /// The same; where none is found in the whole recording, frames count as they
    /// were recorded.
    pub fn as_recorded(rate_hz: u32) -> Self {
        Self {
            as_recorded: true,
            ..Self::new(rate_hz)
        }
    }

    /// Takes in a block of frames in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        let Piece { frames, aligned } = self.aligner.push(frames);
        let first = aligned && !self.found;
        if first {
            // What came before the common sound lies otherwise.
            self.aligned.clear();
        }
        self.aligned.extend_from_slice(frames);
        self.take(first);
    }

    /// Averages what is complete, from scratch where the delay was found just now.
    fn take(&mut self, first: bool) {
        if first {
            self.found = true;
            self.forget();
        }
        self.average();
    }

    fn forget(&mut self) {
        self.sums.fill(Cross::default());
        self.squares.fill(0.0);
        self.segments = 0;
        self.spread = GainSpread::new(self.rate_hz);
    }

    fn average(&mut self) {
        let length = self.pair.length();
        let mut start = 0;
        while start + length <= self.aligned.len() {
            let segment = &self.aligned[start..start + length];
            self.pair.transform(segment.iter().copied());
            // Segments overlap: their first halves are the whole.
            self.spread.push(&segment[..length / 2]);
            for (bin, (sum, square)) in self.sums.iter_mut().zip(&mut self.squares).enumerate() {
                let pair = self.pair.bin(bin);
                sum.add(pair, 1.0);
                *square += pair[0].norm_sqr().powi(2);
            }
            self.segments += 1;
            start += length / 2;
        }
        self.aligned.drain(..start);
    }

    /// The transfer found.
    pub fn finish(mut self) -> Transfer {
        let Piece { frames, aligned } = self.aligner.finish();
        let first = aligned && !self.found;
        if first {
            self.aligned.clear();
        }
        self.aligned.extend_from_slice(frames);
        self.take(first);
        let sound = self.sums.iter().map(|bin| bin.microphone).collect();
        let sound_averages = averages(self.segments);
        if !(self.found || self.as_recorded) {
            // Where they share nothing there is no transfer to be had.
            self.forget();
        }
        Transfer {
            rate_hz: self.rate_hz,
            length: self.pair.length(),
            strongest: self
                .sums
                .iter()
                .fold(0.0, |most, bin| bin.microphone.max(most)),
            sound,
            sound_averages,
            bins: self.sums,
            squares: self.squares,
            gain_spread_db: self.spread.finish(),
            averages: averages(self.segments),
            bulk_delay_s: self.aligner.delay_s(),
        }
    }
}

/// Independent averages that segments are worth.
fn averages(segments: u64) -> f64 {
    let segments = segments as f64;
    segments / (1.0 + 2.0 * OVERLAP * (1.0 - 1.0 / segments.max(1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// White noise, and the same delayed by `delay` frames with other noise.
    fn noisy(delay: usize, other: f64, seconds: usize, rate_hz: usize) -> Vec<[f64; 2]> {
        let mut state = 7u64;
        let mut draw = || {
            let each = || {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 32) as f64 / 2f64.powi(32) - 0.5
            };
            std::iter::repeat_with(each).take(4).sum::<f64>()
        };
        let sound: Vec<f64> = (0..seconds * rate_hz).map(|_| draw()).collect();
        (0..sound.len())
            .map(|n| {
                let late = n.checked_sub(delay).map_or(0.0, |at| sound[at]);
                [0.5 * late + other * draw(), sound[n]]
            })
            .collect()
    }

    fn transfer(frames: &[[f64; 2]], rate_hz: u32) -> Transfer {
        let mut reduction = TransferReduction::new(rate_hz);
        for block in frames.chunks(1000) {
            reduction.push(block);
        }
        reduction.finish()
    }

    #[test]
    fn delay_gain_and_coherence_are_those_of_the_signal() {
        let found = transfer(&noisy(163, 0.5, 20, 16_000), 16_000);
        assert_eq!(found.bulk_delay_s, Some(163.0 / 16_000.0));
        // As much other noise as signal: coherence 1/2.
        let mut deviations = Vec::new();
        let mut coherence = 0.0;
        for bin in 400..4000 {
            let gain = found.gain(bin).unwrap();
            let error = found.random_error(bin).unwrap();
            deviations.push((gain.norm() / 0.5 - 1.0) / error);
            coherence += found.bins()[bin].coherence() / 3600.0;
        }
        let count = deviations.len() as f64;
        let spread = (deviations.iter().map(|d| d * d).sum::<f64>() / count).sqrt();
        // The bias of the coherence is (1 − γ²)²/n (Bendat and Piersol, 9.75).
        assert_abs_diff_eq!(coherence, 0.5 + 0.25 / found.averages, epsilon = 0.01);
        assert_abs_diff_eq!(spread, 1.0, epsilon = 0.1);
    }

    #[test]
    fn two_noises_have_no_delay_and_little_coherence() {
        let mut frames = noisy(0, 1.0, 6, 16_000);
        for (frame, other) in frames
            .iter_mut()
            .zip(noisy(50, 1.0, 7, 16_000).iter().skip(9000))
        {
            frame[1] = other[0];
        }
        let found = transfer(&frames, 16_000);
        assert_eq!(found.bulk_delay_s, None);
        let mean = found.bins()[100..4000]
            .iter()
            .map(Cross::coherence)
            .sum::<f64>()
            / 3900.0;
        assert!(mean < 2.0 / found.averages, "{mean}");
    }

    #[test]
    fn sound_that_begins_late_is_still_aligned() {
        let mut frames = vec![[0.0; 2]; 16_000 * 11];
        frames.extend(noisy(80, 0.01, 6, 16_000));
        let found = transfer(&frames, 16_000);
        assert_eq!(found.bulk_delay_s, Some(0.005));
        assert!(found.bins()[1000].coherence() > 0.99);
    }
}
