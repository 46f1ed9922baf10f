//! The force and the microphone channel of one recording, frame by frame.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::integrity::{Integrity, IntegrityReduction, Sameness};
use super::wav::WavFile;
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::quantity::Role;

/// Sampling rates at which bands and lines are computed, in Hz.
pub(super) const RATES_HZ: std::ops::RangeInclusive<u32> = 16_000..=192_000;

/// Where a channel is recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    /// The WAV file.
    pub file: PathBuf,
    /// Its channel, counted from 1.
    pub channel: usize,
}

/// A digest as it is printed.
pub fn hexadecimal(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A file that was read, for the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputFile {
    /// As the user or the session named it.
    pub path: PathBuf,
    /// SHA-256 of the whole file, hexadecimal; `None` where it was taken out.
    pub sha256: Option<String>,
    /// Length in bytes.
    pub bytes: u64,
}

/// What remains of a recording once it was read.
#[derive(Debug, Default)]
pub struct Evidence {
    /// The files, with their hashes.
    pub inputs: Vec<InputFile>,
    /// What was put right or is in doubt.
    pub findings: Vec<Diagnostic>,
    /// What the samples show of the recording, force and microphone; `None` for an
    /// absent channel.
    pub integrity: [Option<Integrity>; 2],
}

/// An open recording: one file with both channels, or one file for each.
pub struct Recording {
    files: Vec<WavFile>,
    /// For each role: file and channel (from 0).
    picks: [Option<(usize, usize)>; 2],
    rate_hz: u32,
    frames: u64,
    read: u64,
    /// Samples of the present block, by role.
    lanes: [Vec<f64>; 2],
    integrity: Vec<IntegrityReduction>,
    sameness: Sameness,
    findings: Vec<Diagnostic>,
}

impl Recording {
    /// Opens the files of the channels given, force first.
    ///
    /// # Errors
    /// Those of reading a WAV header; [`Problem::NoSuchChannel`]; [`Problem::Rate`];
    /// [`Problem::Unmatched`] if two files differ in sampling rate.
    pub fn open(sources: [Option<Source>; 2]) -> Result<Self> {
        let mut files: Vec<WavFile> = Vec::new();
        let mut picks = [None; 2];
        for (slot, source) in sources.iter().enumerate() {
            let Some(source) = source else { continue };
            let known = files.iter().position(|f| f.path() == source.file);
            let index = match known {
                Some(index) => index,
                None => {
                    files.push(WavFile::open(&source.file)?);
                    files.len() - 1
                }
            };
            let channels = files[index].container().channels;
            if source.channel == 0 || source.channel > channels {
                let problem = Problem::NoSuchChannel {
                    channel: source.channel,
                    channels,
                };
                return Err(Diagnostic::from(problem)
                    .in_file(&source.file)
                    .in_channel(Role::ALL[slot].name()));
            }
            picks[slot] = Some((index, source.channel - 1));
        }
        if let [Some((file, channel)), Some(other)] = picks
            && (file, channel) == other
        {
            let channel = channel + 1;
            return Err(
                Diagnostic::from(Problem::SameChannel { channel }).in_file(files[file].path())
            );
        }
        let first = files.first().ok_or(Problem::NoChannel)?;
        let rate_hz = first.container().rate_hz;
        if !RATES_HZ.contains(&rate_hz) {
            return Err(Diagnostic::from(Problem::Rate { rate_hz }).in_file(first.path()));
        }
        let mut frames = first.container().frames;
        let mut findings = Vec::new();
        if let Some(second) = files.get(1) {
            let other = second.container();
            if other.rate_hz != rate_hz {
                return Err(unmatched(
                    "the sampling rate",
                    format!("{rate_hz} Hz"),
                    first.path(),
                    format!("{} Hz", other.rate_hz),
                )
                .in_file(second.path()));
            }
            if other.frames != frames {
                findings.push(
                    unmatched(
                        "the number of frames",
                        frames.to_string(),
                        first.path(),
                        format!("{} (the common part is analysed)", other.frames),
                    )
                    .in_file(second.path())
                    .warning(),
                );
                frames = frames.min(other.frames);
            }
        }
        findings.extend(files.iter_mut().flat_map(WavFile::take_repairs));
        Ok(Self {
            files,
            picks,
            rate_hz,
            frames,
            read: 0,
            lanes: Default::default(),
            integrity: vec![
                IntegrityReduction::new(rate_hz),
                IntegrityReduction::new(rate_hz),
            ],
            sameness: Sameness::new(2),
            findings,
        })
    }

    /// Sampling rate in Hz.
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// Number of frames.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Replaces `block` by up to `frames` next frames, force and microphone, in full-scale
    /// units; an absent channel is zero. Leaves it empty at the end.
    ///
    /// # Errors
    /// [`Problem::File`], or [`Problem::NotFinite`] with file, channel and time.
    pub fn read(&mut self, frames: usize, block: &mut Vec<[f64; 2]>) -> Result<()> {
        let want = (self.frames - self.read).min(frames as u64) as usize;
        block.clear();
        block.resize(want, [0.0; 2]);
        for file in &mut self.files {
            file.read(want)?;
        }
        for slot in 0..2 {
            let Some((file, channel)) = self.picks[slot] else {
                continue;
            };
            let (file, lane) = (&self.files[file], &mut self.lanes[slot]);
            file.decode(channel, lane);
            self.integrity[slot]
                .push(lane)
                .in_file(file.path())
                .in_channel(&label(slot, channel))?;
            for (frame, value) in block.iter_mut().zip(lane) {
                frame[slot] = *value;
            }
        }
        if self.picks.iter().all(Option::is_some) {
            self.sameness.push(&self.lanes);
        }
        self.read += want as u64;
        Ok(())
    }

    /// Ends the reading.
    ///
    /// # Errors
    /// [`Problem::File`] if the rest of a file cannot be read.
    pub fn finish(self) -> Result<Evidence> {
        let mut integrity = [None, None];
        for (slot, reduction) in self.integrity.into_iter().enumerate() {
            if self.picks[slot].is_none() {
                continue;
            }
            let mut found = reduction.finish();
            if let (1, [Some(_), _]) = (slot, &integrity)
                && !found.silent()
            {
                found.same_as = self.sameness.of(slot);
            }
            integrity[slot] = Some(found);
        }
        let inputs = self.files.into_iter().map(WavFile::finish);
        Ok(Evidence {
            inputs: inputs.collect::<Result<_>>()?,
            findings: self.findings,
            integrity,
        })
    }
}

/// How a channel is called in messages: its number in the file and its role.
fn label(slot: usize, channel: usize) -> String {
    format!("{} ({})", channel + 1, Role::ALL[slot].name())
}

fn unmatched(what: &'static str, first: String, file: &Path, second: String) -> Diagnostic {
    Problem::Unmatched {
        what,
        first,
        first_file: file.display().to_string(),
        second,
    }
    .into()
}
