//! Frames in which the force stands beside the sound that caused it.
//!
//! The force is moved forward by its [bulk delay](super::delay), looked for in
//! the last few seconds until it is found. Earlier frames share no sound that
//! would tell how they lie; they are handed on as they are. Once it is found it
//! holds: both channels run by one clock.

use super::delay::{self, bulk_delay};

/// The delay is looked for in this much of the recording, in seconds.
const LOOK_S: f64 = 4.0;

/// A stretch of frames.
pub struct Piece<'a> {
    /// Force and microphone, in N and Pa.
    pub frames: &'a [[f64; 2]],
    /// Whether the delay was found; if not, they lie as recorded.
    pub aligned: bool,
}

/// Moves the force forward.
pub struct Aligner {
    rate_hz: f64,
    pending: Vec<[f64; 2]>,
    ready: Vec<[f64; 2]>,
    delay: Option<usize>,
}

impl Aligner {
    /// So much of the end of a recording, in seconds, may have no force to it.
    pub const LONGEST_S: f64 = delay::LONGEST_S;

    /// Nothing taken in yet, at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            pending: Vec::new(),
            ready: Vec::new(),
            delay: None,
        }
    }

    /// Takes in frames and hands on those that are ready; none while it waits
    /// for enough of them to find the delay in.
    pub fn push(&mut self, frames: &[[f64; 2]]) -> Piece<'_> {
        self.pending.extend_from_slice(frames);
        let look = (LOOK_S * self.rate_hz) as usize;
        if self.delay.is_none() {
            if self.pending.len() < look {
                return self.hand_on(0);
            }
            self.delay = bulk_delay(&self.pending, self.rate_hz);
        }
        match self.delay {
            Some(delay) => self.hand_on(self.pending.len().saturating_sub(delay)),
            None => self.hand_on(self.pending.len() - look / 2),
        }
    }

    /// Hands on the rest of the recording.
    pub fn finish(&mut self) -> Piece<'_> {
        if self.delay.is_none() {
            self.delay = bulk_delay(&self.pending, self.rate_hz);
        }
        let delay = self.delay.unwrap_or(0);
        self.hand_on(self.pending.len().saturating_sub(delay))
    }

    /// The delay found, in seconds, a whole number of frames.
    pub fn delay_s(&self) -> Option<f64> {
        self.delay.map(|frames| frames as f64 / self.rate_hz)
    }

    fn hand_on(&mut self, count: usize) -> Piece<'_> {
        let later = &self.pending[self.delay.unwrap_or(0).min(self.pending.len())..];
        let pairs = self.pending[..count].iter().zip(later);
        self.ready.clear();
        self.ready
            .extend(pairs.map(|(sound, force)| [force[0], sound[1]]));
        self.pending.drain(..count);
        Piece {
            frames: &self.ready,
            aligned: self.delay.is_some(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: usize = 16_000;

    /// Noise from a linear congruential generator, and the same `delay` frames
    /// later as force, with nothing before `silent` frames.
    fn noisy(delay: usize, silent: usize, frames: usize) -> Vec<[f64; 2]> {
        noisy_from(7, delay, silent, frames)
    }

    fn noisy_from(seed: u64, delay: usize, silent: usize, frames: usize) -> Vec<[f64; 2]> {
        let mut state = seed;
        let mut sound = |n: usize| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let drawn = (state >> 32) as f64 / 2f64.powi(32) - 0.5;
            if n < silent { 0.0 } else { drawn }
        };
        let sound: Vec<f64> = (0..frames).map(&mut sound).collect();
        let force = |n: usize| n.checked_sub(delay).map_or(0.0, |at| sound[at]);
        (0..frames).map(|n| [force(n), sound[n]]).collect()
    }

    fn aligned(frames: &[[f64; 2]], block: usize) -> (Vec<[f64; 2]>, Option<f64>) {
        let mut aligner = Aligner::new(RATE_HZ as f64);
        let mut found = Vec::new();
        for block in frames.chunks(block) {
            found.extend_from_slice(aligner.push(block).frames);
        }
        found.extend_from_slice(aligner.finish().frames);
        (found, aligner.delay_s())
    }

    #[test]
    fn force_and_sound_come_out_side_by_side_whatever_the_blocks() {
        let delay = 192;
        let frames = noisy(delay, 0, 5 * RATE_HZ);
        for block in [1000, 4096, frames.len()] {
            let (found, delay_s) = aligned(&frames, block);
            assert_eq!(delay_s, Some(0.012));
            assert_eq!(found.len(), frames.len() - delay);
            assert!(found.iter().all(|[force, sound]| force == sound));
        }
    }

    #[test]
    fn sound_that_begins_late_keeps_its_time() {
        let silent = 9 * RATE_HZ;
        let (found, delay_s) = aligned(&noisy(80, silent, 14 * RATE_HZ), 1000);
        assert_eq!(delay_s, Some(0.005));
        assert_eq!(found.len(), 14 * RATE_HZ - 80);
        assert_eq!(found.iter().position(|f| f[1] != 0.0), Some(silent));
        assert!(found.iter().all(|[force, sound]| force == sound));
    }

    #[test]
    fn channels_that_share_nothing_come_out_as_they_went_in() {
        let mut frames = noisy(0, 0, 9 * RATE_HZ);
        let others = noisy_from(8_191, 0, 0, 9 * RATE_HZ);
        for (frame, other) in frames.iter_mut().zip(&others) {
            frame[0] = other[0];
        }
        let (found, delay_s) = aligned(&frames, 1000);
        assert_eq!(delay_s, None);
        assert!(found == frames);
    }
}
