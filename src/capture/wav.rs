//! One WAV file, read front to back in blocks of frames.

use std::fs::File;
use std::io::{self, Read, Seek};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::container::{Container, walk};
use super::origin::Origin;
use super::recording::{InputFile, hexadecimal};
use crate::diagnostic::{At, Diagnostic, Result};

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
    /// The bytes of the present block.
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
        let mut file = File::open(path).map_err(|e| Diagnostic::io("opening", &e))?;
        let about = file.metadata().map_err(|e| Diagnostic::io("opening", &e))?;
        if about.is_dir() {
            return Err(Diagnostic::io(
                "opening",
                &io::Error::from(io::ErrorKind::IsADirectory),
            ));
        }
        if !about.is_file() {
            return Err(Diagnostic::file("opening", "this is not an ordinary file"));
        }
        let container = walk(&mut io::BufReader::new(&mut file), about.len())?;
        let reading = |e| Diagnostic::io("reading", &e);
        file.rewind().map_err(reading)?;
        let hashing = Hashing {
            file,
            hash: Sha256::new(),
            bytes: 0,
        };
        let mut reader = io::BufReader::with_capacity(PIECE, hashing);
        let header = &mut reader.by_ref().take(container.samples_at);
        io::copy(header, &mut io::sink()).map_err(reading)?;
        Ok(Self {
            path: path.to_owned(),
            block: Vec::new(),
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

    /// When the recording was made, as its chunks say. Opens the file once more:
    /// they may stand behind the samples.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn origin(&self) -> Result<Option<Origin>> {
        let file = File::open(&self.path).map_err(|e| Diagnostic::io("opening", &e));
        Origin::read(&mut file.in_file(&self.path)?, &self.container.chunks).in_file(&self.path)
    }

    /// Takes the notes on what was repaired, with the file's name.
    pub fn take_repairs(&mut self) -> Vec<Diagnostic> {
        let repairs = std::mem::take(&mut self.container.repairs);
        repairs.into_iter().map(|d| d.in_file(&self.path)).collect()
    }

    /// Reads the next `frames` frames, or as many as are left.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn read(&mut self, frames: usize) -> Result<()> {
        let frames = (self.container.frames - self.read).min(frames as u64);
        self.block
            .resize(frames as usize * self.container.frame_bytes(), 0);
        self.reader
            .read_exact(&mut self.block)
            .map_err(|e| Diagnostic::io("reading", &e))
            .in_file(&self.path)?;
        self.read += frames;
        Ok(())
    }

    /// Replaces `samples` by those of `channel` (from 0) in the frames just read,
    /// in full-scale units.
    pub fn decode(&self, channel: usize, samples: &mut Vec<f64>) {
        let Container {
            format, channels, ..
        } = self.container;
        format.decode(&self.block, channels, channel, samples);
    }

    /// Reads the rest of the file, for its hash.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn finish(mut self) -> Result<InputFile> {
        io::copy(&mut self.reader, &mut io::sink())
            .map_err(|e| Diagnostic::io("reading", &e))
            .in_file(&self.path)?;
        let hashing = self.reader.into_inner();
        let digest = hashing.hash.finalize();
        Ok(InputFile {
            path: self.path,
            sha256: Some(hexadecimal(&digest)),
            bytes: hashing.bytes,
        })
    }
}
