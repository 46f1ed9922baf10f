//! One WAV file, read front to back in blocks of frames.
//!
//! Each block of bytes goes to `hound` as a small WAV file of its own with a
//! clean header, so that the decoder meets neither the odd headers of real
//! recorders nor its own limit of 4 GiB.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::container::{Container, SampleFormat, walk};
use crate::diagnostic::{At, Diagnostic, Result};

/// Bytes of a canonical header: RIFF, `fmt ` of 16 bytes, `data`.
const HEADER: usize = 44;
/// The file is read, and hashed, in pieces of this many bytes.
const PIECE: usize = 1 << 16;

/// A reader that hashes what passes, and counts it.
struct Hashing {
    file: File,
    hash: Sha256,
    bytes: u64,
}

impl Read for Hashing {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.hash.update(&buffer[..count]);
        self.bytes += count as u64;
        Ok(count)
    }
}

/// An open WAV file.
pub struct WavFile {
    path: PathBuf,
    reader: io::BufReader<Hashing>,
    container: Container,
    read: u64,
    /// Canonical header, then the bytes of the current block.
    block: Vec<u8>,
}

impl WavFile {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    /// [`crate::Problem::File`] and those of the container walk, with the file's name.
    pub fn open(path: &Path) -> Result<Self> {
        Self::open_unnamed(path).in_file(path)
    }

    fn open_unnamed(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|e| Diagnostic::io("opening", &e))?;
        let about = file.metadata().map_err(|e| Diagnostic::io("opening", &e))?;
        if about.is_dir() {
            return Err(Diagnostic::io(
                "opening",
                &io::Error::from(io::ErrorKind::IsADirectory),
            ));
        }
        let hashing = Hashing {
            file,
            hash: Sha256::new(),
            bytes: 0,
        };
        let mut reader = io::BufReader::with_capacity(PIECE, hashing);
        let container = walk(&mut reader, about.len())?;
        Ok(Self {
            path: path.to_owned(),
            block: header(&container),
            reader,
            container,
            read: 0,
        })
    }

    /// The file's name as given.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What the header says.
    pub fn container(&self) -> &Container {
        &self.container
    }

    /// Takes the notes on what was repaired, with the file's name.
    pub fn take_repairs(&mut self) -> Vec<Diagnostic> {
        let repairs = std::mem::take(&mut self.container.repairs);
        repairs.into_iter().map(|d| d.in_file(&self.path)).collect()
    }

    /// Replaces `samples` by those of up to `frames` next frames, interleaved and
    /// in full-scale units; empty at the end.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn read(&mut self, frames: usize, samples: &mut Vec<f64>) -> Result<()> {
        samples.clear();
        let left = self.container.frames - self.read;
        let frames = left.min(frames as u64) as usize;
        if frames == 0 {
            return Ok(());
        }
        let bytes = frames * self.container.channels * self.container.format.bytes();
        self.block.resize(HEADER + bytes, 0);
        set_size(&mut self.block, bytes);
        self.reader
            .read_exact(&mut self.block[HEADER..])
            .map_err(|e| Diagnostic::io("reading", &e))
            .in_file(&self.path)?;
        self.read += frames as u64;
        self.decode(samples)
            .map_err(|e| Diagnostic::io("decoding", &io::Error::other(e)))
            .in_file(&self.path)
    }

    fn decode(&self, samples: &mut Vec<f64>) -> hound::Result<()> {
        let mut reader = hound::WavReader::new(&self.block[..])?;
        match self.container.format {
            SampleFormat::Integer(bits) => {
                let scale = 1.0 / f64::from(1u32 << (bits - 1));
                for sample in reader.samples::<i32>() {
                    samples.push(f64::from(sample?) * scale);
                }
            }
            SampleFormat::Float => {
                for sample in reader.samples::<f32>() {
                    samples.push(f64::from(sample?));
                }
            }
        }
        Ok(())
    }

    /// Reads the rest of the file and returns its length in bytes and SHA-256.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn finish(mut self) -> Result<(PathBuf, u64, String)> {
        io::copy(&mut self.reader, &mut io::sink())
            .map_err(|e| Diagnostic::io("reading", &e))
            .in_file(&self.path)?;
        let hashing = self.reader.into_inner();
        let digest = hashing.hash.finalize();
        let hex = digest.iter().map(|byte| format!("{byte:02x}")).collect();
        Ok((self.path, hashing.bytes, hex))
    }
}

/// The canonical header for the container's format; sizes are set per block.
fn header(container: &Container) -> Vec<u8> {
    let (tag, bits) = match container.format {
        SampleFormat::Integer(bits) => (1u16, bits),
        SampleFormat::Float => (3, 32),
    };
    let align = container.format.bytes() * container.channels;
    let mut bytes = Vec::with_capacity(HEADER);
    bytes.extend(b"RIFF\0\0\0\0WAVEfmt ");
    bytes.extend(16u32.to_le_bytes());
    bytes.extend(tag.to_le_bytes());
    bytes.extend((container.channels as u16).to_le_bytes());
    bytes.extend(container.rate_hz.to_le_bytes());
    bytes.extend((container.rate_hz * align as u32).to_le_bytes());
    bytes.extend((align as u16).to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data\0\0\0\0");
    bytes
}

fn set_size(block: &mut [u8], bytes: usize) {
    block[4..8].copy_from_slice(&((bytes + HEADER - 8) as u32).to_le_bytes());
    block[40..44].copy_from_slice(&(bytes as u32).to_le_bytes());
}
