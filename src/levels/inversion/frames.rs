//! Short frames of two recordings side by side, under one window.

use rustfft::num_complex::Complex64;

use crate::levels::pair::Pair;
use crate::levels::waveform::Waveform;

/// Length of a frame aimed at, in seconds: a third octave at 100 Hz holds four bins.
const FRAME_S: f64 = 0.17;

/// Frames of the overlap of two recordings; the second is read `lag` later.
pub struct Frames<'a> {
    recordings: [&'a Waveform; 2],
    from: [usize; 2],
    count: usize,
    transforms: [Pair; 2],
}

impl<'a> Frames<'a> {
    /// The overlap when frame `n` of the first belongs to `n + lag` of the second.
    pub fn new(recordings: [&'a Waveform; 2], lag: i64) -> Self {
        let from = [-lag, lag].map(|from| usize::try_from(from).unwrap_or(0));
        let left = |i: usize| recordings[i].frames.len().saturating_sub(from[i]);
        let length = 1usize << (FRAME_S * recordings[0].rate_hz).log2().round() as u32;
        Self {
            recordings,
            from,
            count: left(0).min(left(1)),
            transforms: [Pair::new(length, length), Pair::new(length, length)],
        }
    }

    /// Sampling rate in Hz.
    pub fn rate_hz(&self) -> f64 {
        self.recordings[0].rate_hz
    }

    /// Length of a frame in samples.
    pub fn length(&self) -> usize {
        self.transforms[0].length()
    }

    /// From one frame to the next, in samples: one half of a frame.
    pub fn hop(&self) -> usize {
        self.length() / 2
    }

    /// Length of the overlap in samples.
    pub fn overlap(&self) -> usize {
        self.count
    }

    /// Where frames begin, in samples of the overlap.
    pub fn starts(&self) -> impl Iterator<Item = usize> + use<> {
        let last = (self.count + 1).saturating_sub(self.length());
        (0..last).step_by(self.hop())
    }

    /// Transforms the frame at `start` of both recordings.
    pub fn transform(&mut self, start: usize) {
        for ((transform, recording), from) in self
            .transforms
            .iter_mut()
            .zip(self.recordings)
            .zip(self.from)
        {
            let frames = recording.frames[from + start..].iter();
            transform.transform(frames.map(|frame| frame.map(f64::from)));
        }
    }

    /// Force and microphone at a bin, of the first and the second recording.
    pub fn bin(&self, bin: usize) -> [[Complex64; 2]; 2] {
        [self.transforms[0].bin(bin), self.transforms[1].bin(bin)]
    }

    /// Mean square of what lies in bins of power `|X|²`: the factor.
    pub fn scale(&self) -> f64 {
        self.transforms[0].scale()
    }
}
