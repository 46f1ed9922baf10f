//! Calibrated frames: force in newtons, sound pressure in pascals.

use super::channel::Channel;
use super::document::Calibration;
use super::response::{Inverse, LENGTH};
use crate::capture::{Evidence, Recording};
use crate::diagnostic::Result;
use crate::quantity::Role;

/// A recording in newtons and pascals. Only this enters `levels`.
///
/// An uncalibrated recording cannot be reduced:
/// ```compile_fail,E0308
/// use micronewton::capture::Recording;
/// use micronewton::levels::{Needs, Scope, reduce};
/// fn levels(recording: Recording) {
///     reduce(recording, Needs::default(), Scope::default(), &mut |_| {});
/// }
/// ```
pub struct Calibrated {
    frames: Frames,
    channels: [Option<Channel>; 2],
    /// Newtons or pascals per full scale.
    units: [f64; 2],
    inverse: [Option<Inverse>; 2],
}

enum Frames {
    Recording(Recording),
    Signal {
        frames: Vec<[f64; 2]>,
        rate_hz: u32,
        at: usize,
    },
}

impl Calibration {
    /// Makes a recording, opened with the channels named here, a calibrated one.
    pub fn apply(&self, recording: Recording) -> Calibrated {
        let channels = self.channels().clone();
        let rate_hz = f64::from(recording.rate_hz());
        let units = [0, 1].map(|slot| {
            let channel = channels[slot].as_ref();
            channel.map_or(0.0, |c| self.full_scale_v() / c.sensitivity)
        });
        let inverse = [0, 1].map(|slot| {
            let response = channels[slot].as_ref()?.response.as_ref()?;
            Some(Inverse::new(response, rate_hz))
        });
        Calibrated {
            frames: Frames::Recording(recording),
            channels,
            units,
            inverse,
        }
    }
}

impl Calibrated {
    /// A signal in memory: force in N and sound pressure in Pa, frame by frame.
    /// Its calibration is taken as exact.
    pub fn from_signal(rate_hz: u32, frames: Vec<[f64; 2]>) -> Self {
        Self {
            frames: Frames::Signal {
                frames,
                rate_hz,
                at: 0,
            },
            channels: Role::ALL.map(|role| Some(Channel::exact(role))),
            units: [1.0; 2],
            inverse: [None, None],
        }
    }

    /// Sampling rate in Hz.
    pub fn rate_hz(&self) -> u32 {
        match &self.frames {
            Frames::Recording(recording) => recording.rate_hz(),
            Frames::Signal { rate_hz, .. } => *rate_hz,
        }
    }

    /// Number of frames.
    pub fn frames(&self) -> u64 {
        match &self.frames {
            Frames::Recording(recording) => recording.frames(),
            Frames::Signal { frames, .. } => frames.len() as u64,
        }
    }

    /// The calibration of each channel.
    pub fn channels(&self) -> &[Option<Channel>; 2] {
        &self.channels
    }

    /// Replaces `block` by the next frames in N and Pa; empty at the end.
    ///
    /// # Errors
    /// Those of [`Recording::read`].
    pub fn read(&mut self, block: &mut Vec<[f64; 2]>) -> Result<()> {
        match &mut self.frames {
            Frames::Recording(recording) => recording.read(LENGTH, block)?,
            Frames::Signal { frames, at, .. } => {
                let end = (*at + LENGTH).min(frames.len());
                block.clear();
                block.extend_from_slice(&frames[*at..end]);
                *at = end;
            }
        }
        for frame in block.iter_mut() {
            frame[0] *= self.units[0];
            frame[1] *= self.units[1];
        }
        for (slot, inverse) in self.inverse.iter_mut().enumerate() {
            if let Some(inverse) = inverse {
                inverse.push(block, slot);
            }
        }
        Ok(())
    }

    /// Ends the reading: the files read and what was found in them; nothing for a
    /// signal in memory.
    ///
    /// # Errors
    /// Those of [`Recording::finish`].
    pub fn finish(self) -> Result<Evidence> {
        match self.frames {
            Frames::Recording(recording) => recording.finish(),
            Frames::Signal { .. } => Ok(Evidence::default()),
        }
    }
}
