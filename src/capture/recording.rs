//! The force and the microphone channel of one recording, frame by frame.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::container::SampleFormat;
use super::wav::WavFile;
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::quantity::Role;

/// This many samples in a row at full scale are called clipping; fewer may be
/// an honest peak (common practice, no source).
const CLIPPED_RUN: u64 = 3;

/// Where a channel is recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// The WAV file.
    pub file: PathBuf,
    /// Its channel, counted from 1.
    pub channel: usize,
}

/// A file that was read, for the record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InputFile {
    /// As the user or the session named it.
    pub path: PathBuf,
    /// SHA-256 of the whole file, hexadecimal.
    pub sha256: String,
    /// Length in bytes.
    pub bytes: u64,
}

/// An open recording: one file with both channels, or one file for each.
pub struct Recording {
    files: Vec<WavFile>,
    /// For each role: file and channel (from 0).
    picks: [Option<(usize, usize)>; 2],
    rate_hz: u32,
    frames: u64,
    read: u64,
    samples: Vec<f64>,
    clipping: [Clipping; 2],
    findings: Vec<Diagnostic>,
}

impl Recording {
    /// Opens the files of the channels given, force first.
    ///
    /// # Errors
    /// Those of reading a WAV header; [`Problem::NoSuchChannel`];
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
            samples: Vec::new(),
            clipping: [Clipping::default(); 2],
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
        for (index, file) in self.files.iter_mut().enumerate() {
            file.read(want, &mut self.samples)?;
            let channels = file.container().channels;
            for (slot, pick) in self.picks.iter().enumerate() {
                let Some((_, channel)) = pick.filter(|(file, _)| *file == index) else {
                    continue;
                };
                let values = self.samples.iter().skip(channel).step_by(channels);
                for (frame, value) in block.iter_mut().zip(values) {
                    frame[slot] = *value;
                }
            }
        }
        for slot in 0..2 {
            if let Some((file, channel)) = self.picks[slot] {
                self.inspect(block, slot)
                    .in_file(self.files[file].path())
                    .in_channel(&format!("{} ({})", channel + 1, Role::ALL[slot].name()))?;
            }
        }
        self.read += want as u64;
        Ok(())
    }

    /// Refuses what is not finite and counts what is clipped.
    fn inspect(&mut self, block: &[[f64; 2]], slot: usize) -> Result<()> {
        let mut peak = 0.0f64;
        let mut sum = 0.0;
        for frame in block {
            peak = peak.max(frame[slot].abs());
            sum += frame[slot];
        }
        let time = |position: usize| (self.read + position as u64) as f64 / f64::from(self.rate_hz);
        if !sum.is_finite() {
            let position = block.iter().position(|f| !f[slot].is_finite()).unwrap_or(0);
            return Err(Diagnostic::from(Problem::NotFinite).at_time(time(position)));
        }
        let Some((file, _)) = self.picks[slot] else {
            return Ok(());
        };
        if let SampleFormat::Integer(bits) = self.files[file].container().format {
            // The largest positive code is one step below 1.0.
            let full = 1.0 - 1.0 / f64::from(1u32 << (bits - 1));
            let clipping = &mut self.clipping[slot];
            if peak >= full {
                for (position, frame) in block.iter().enumerate() {
                    clipping.push(frame[slot].abs() >= full, self.read + position as u64);
                }
            } else {
                clipping.push(false, self.read);
            }
        }
        Ok(())
    }

    /// Ends the reading: the files with their hashes, and what was found.
    ///
    /// # Errors
    /// [`Problem::File`] if the rest of a file cannot be read.
    pub fn finish(mut self) -> Result<(Vec<InputFile>, Vec<Diagnostic>)> {
        for slot in 0..2 {
            let Some((file, channel)) = self.picks[slot] else {
                continue;
            };
            let clipping = &mut self.clipping[slot];
            clipping.push(false, self.frames);
            if clipping.runs > 0 {
                let problem = Problem::Clipped {
                    samples: clipping.samples,
                    runs: clipping.runs,
                    first_s: clipping.first as f64 / f64::from(self.rate_hz),
                };
                self.findings.push(
                    Diagnostic::from(problem)
                        .in_file(self.files[file].path())
                        .in_channel(&format!("{} ({})", channel + 1, Role::ALL[slot].name()))
                        .warning(),
                );
            }
        }
        let inputs = self
            .files
            .into_iter()
            .map(|file| {
                let (path, bytes, sha256) = file.finish()?;
                Ok(InputFile {
                    path,
                    sha256,
                    bytes,
                })
            })
            .collect::<Result<_>>()?;
        Ok((inputs, self.findings))
    }
}

/// Runs of samples at full scale.
#[derive(Debug, Clone, Copy, Default)]
struct Clipping {
    run: u64,
    runs: u64,
    samples: u64,
    first: u64,
}

impl Clipping {
    fn push(&mut self, full: bool, position: u64) {
        if full {
            self.run += 1;
        } else if self.run > 0 {
            if self.run >= CLIPPED_RUN {
                if self.runs == 0 {
                    self.first = position - self.run;
                }
                self.runs += 1;
                self.samples += self.run;
            }
            self.run = 0;
        }
    }
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
