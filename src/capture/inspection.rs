//! One WAV file by itself: what its container says and what its samples show.

use std::path::Path;

use serde::Serialize;

use super::container::Chunk;
use super::decode::SampleFormat;
use super::integrity::{Integrity, IntegrityReduction, Sameness};
use super::origin::Origin;
use super::recording::{InputFile, RATES_HZ};
use super::wav::WavFile;
use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// Frames read at a time.
const FRAMES: usize = 8192;

/// What one WAV file is; no calibration is needed to say so.
#[derive(Debug, Serialize)]
pub struct Inspection {
    /// The file.
    #[serde(flatten)]
    pub input: InputFile,
    /// `RIFF`, `RF64` or `BW64`.
    pub container: String,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Number of whole frames.
    pub frames: u64,
    /// Length in seconds.
    pub duration_s: f64,
    /// The chunks, in the order of the file.
    pub chunks: Vec<Chunk>,
    /// When it was made, if it says so.
    pub origin: Option<Origin>,
    /// What the samples of each channel show.
    pub channels: Vec<Integrity>,
}

impl Inspection {
    /// Reads a file from end to end; returns also what was put right and what is
    /// in doubt. `progress` is told the share done, from 0 to 1.
    ///
    /// # Errors
    /// Those of reading a WAV file, and [`crate::Problem::NotFinite`].
    pub fn of(path: &Path, progress: &mut dyn FnMut(f64)) -> Result<(Self, Vec<Diagnostic>)> {
        let mut file = WavFile::open(path)?;
        let origin = file.origin()?;
        let mut findings = file.take_repairs();
        let container = file.container();
        let (rate_hz, frames, channels) = (container.rate_hz, container.frames, container.channels);
        let (kind, format) = (container.kind.clone(), container.format);
        let chunks = container.chunks.clone();
        if !RATES_HZ.contains(&rate_hz) {
            let rate = Diagnostic::from(Problem::Rate { rate_hz }).warning();
            findings.push(rate.in_file(path));
        }
        let named = |channel: usize| (channel + 1).to_string();
        let mut reductions: Vec<_> = (0..channels)
            .map(|_| IntegrityReduction::new(rate_hz))
            .collect();
        let mut sameness = Sameness::new(channels);
        let mut lanes = vec![Vec::new(); channels];
        let mut done = 0;
        while done < frames {
            file.read(FRAMES)?;
            for (channel, lane) in lanes.iter_mut().enumerate() {
                file.decode(channel, lane);
                reductions[channel]
                    .push(lane)
                    .in_file(path)
                    .in_channel(&named(channel))?;
            }
            sameness.push(&lanes);
            done += FRAMES as u64;
            progress((done as f64 / frames as f64).min(1.0));
        }
        let mut integrity = Vec::new();
        for (channel, reduction) in reductions.into_iter().enumerate() {
            let mut found = reduction.finish();
            if !found.silent() {
                found.same_as = sameness.of(channel);
            }
            findings.extend(found.doubts().into_iter().map(|problem| {
                let doubt = Diagnostic::from(problem).warning();
                doubt.in_file(path).in_channel(&named(channel))
            }));
            integrity.push(found);
        }
        let inspection = Self {
            input: file.finish()?,
            container: kind,
            format,
            rate_hz,
            frames,
            duration_s: frames as f64 / f64::from(rate_hz),
            chunks,
            origin,
            channels: integrity,
        };
        Ok((inspection, findings))
    }
}
