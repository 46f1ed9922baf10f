//! The chunks of a WAV file, walked before any sample is believed.
//!
//! Plain decoders trust the header; recorders do not always write it right.
//! The walk finds `fmt ` and `data` in whatever order, finds its step again where
//! a pad byte is missing or too many, uses the length of the file where a size
//! field lies, says what it had to put right, and refuses what it cannot read
//! right. Layout after the RIFF/WAVE description and, for files beyond 4 GiB,
//! EBU Tech 3306 and ITU-R BS.2088 (`RF64`, `BW64`, `ds64`).

use std::io::{self, Read, Seek, SeekFrom};

use serde::Serialize;

use super::decode::SampleFormat;
use super::format::Format;
use crate::diagnostic::{Diagnostic, Problem, Result};

/// What the header of a WAV file says, after repairs.
#[derive(Debug)]
pub struct Container {
    /// `RIFF`, or `RF64` or `BW64` with sizes of 64 bits.
    pub kind: String,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: usize,
    /// Number of whole frames.
    pub frames: u64,
    /// Where the samples begin, in bytes from the beginning of the file.
    pub samples_at: u64,
    /// The chunks, in the order of the file.
    pub chunks: Vec<Chunk>,
    /// What was put right while reading the header.
    pub repairs: Vec<Diagnostic>,
}

/// One chunk of the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Chunk {
    /// Its four letters.
    pub id: String,
    /// Where its content begins, in bytes from the beginning of the file.
    pub at: u64,
    /// Length of its content in bytes, as used.
    pub bytes: u64,
}

impl Container {
    /// Bytes of one frame.
    pub fn frame_bytes(&self) -> usize {
        self.format.bytes() * self.channels
    }
}

/// Walks the chunks of a file of `file_bytes`.
///
/// # Errors
/// [`Problem::NotWav`], [`Problem::BrokenWav`] or [`Problem::UnsupportedWav`]; every
/// one names what was found.
pub fn walk(file: &mut (impl Read + Seek), file_bytes: u64) -> Result<Container> {
    let mut walker = Walker {
        file,
        file_bytes,
        wide_sizes: Vec::new(),
        chunks: Vec::new(),
        repairs: Vec::new(),
    };
    let (kind, begin, stated) = walker.beginning()?;
    walker.chunks(begin)?;
    // A pad byte more or less is nothing to speak of.
    if walker.repairs.is_empty() && kind == "RIFF" && (stated + 8).abs_diff(file_bytes) > 1 {
        walker.repaired(format!(
            "its header speaks of {} bytes in all, the file has {file_bytes}",
            stated + 8
        ));
    }
    let find = |id: &str| walker.chunks.iter().find(|chunk| chunk.id == id).cloned();
    let data = find("data").ok_or_else(|| broken("it ends before a `data` chunk"))?;
    let fmt = find("fmt ").ok_or_else(|| broken("it has no `fmt ` chunk"))?;
    if fmt.at > data.at {
        walker.repaired("its `fmt ` chunk stands behind the samples".into());
    }
    let mut body = [0; Format::LENGTH];
    let length = body.len().min(fmt.bytes as usize);
    walker.read_at(fmt.at, &mut body[..length])?;
    let format = Format::parse(&body[..length])?;
    walker.repairs.extend(format.repairs());
    let frame_bytes = (format.container_bytes * format.channels) as u64;
    let stray = data.bytes % frame_bytes;
    if stray > 0 {
        walker.repaired(format!(
            "{stray} stray bytes after the last whole frame left out"
        ));
    }
    let frames = data.bytes / frame_bytes;
    if frames == 0 {
        return Err(broken("it holds no samples"));
    }
    let (sample, note) = format.sample(walker.file, data.at, frames)?;
    walker.repairs.extend(note);
    Ok(Container {
        kind,
        format: sample,
        rate_hz: format.rate_hz,
        channels: format.channels,
        frames,
        samples_at: data.at,
        chunks: walker.chunks,
        repairs: walker.repairs,
    })
}

/// Chunks that recorders write; any other four printable letters are walked over
/// too, but nothing is found again by them.
const KNOWN: [&[u8; 4]; 22] = [
    b"fmt ", b"data", b"fact", b"LIST", b"bext", b"iXML", b"axml", b"JUNK", b"junk", b"PAD ",
    b"FLLR", b"cue ", b"id3 ", b"ID3 ", b"chna", b"ds64", b"PEAK", b"smpl", b"inst", b"plst",
    b"cart", b"_PMX",
];
/// A file with more chunks than this is no recording.
const MOST_CHUNKS: usize = 1000;
/// Stands in a size field of 32 bits whose figure is elsewhere, or unknown.
const ELSEWHERE: u64 = u32::MAX as u64;

struct Walker<'a, F> {
    file: &'a mut F,
    file_bytes: u64,
    /// Sizes of the `ds64` chunk.
    wide_sizes: Vec<([u8; 4], u64)>,
    chunks: Vec<Chunk>,
    repairs: Vec<Diagnostic>,
}

impl<F: Read + Seek> Walker<'_, F> {
    fn repaired(&mut self, what: String) {
        self.repairs
            .push(Diagnostic::from(Problem::RepairedWav { what }).warning());
    }

    fn read_at(&mut self, at: u64, bytes: &mut [u8]) -> Result<()> {
        let read = self.file.seek(SeekFrom::Start(at));
        read.and_then(|_| self.file.read_exact(bytes))
            .map_err(|error| match error.kind() {
                io::ErrorKind::UnexpectedEof => broken("it ends inside its header"),
                _ => Diagnostic::io("reading", &error),
            })
    }

    /// The kind of container, where its first chunk stands, and its stated length.
    fn beginning(&mut self) -> Result<(String, u64, u64)> {
        let mut magic = [0; 12];
        self.read_at(0, &mut magic).map_err(|_| not_wav(&[]))?;
        let mut begin = 0;
        if let [b'I', b'D', b'3', _, _, _, a, b, c, d, _, _] = magic {
            // An ID3v2 tag: ten bytes, then a length of four times seven bits.
            let length = [a, b, c, d].map(|byte| u64::from(byte & 0x7f));
            begin = 10 + length.iter().fold(0, |sum, seven| sum << 7 | seven);
            self.read_at(begin, &mut magic)
                .map_err(|_| not_wav(b"ID3"))?;
            self.repaired(format!("a tag of {begin} bytes in front of the WAV file"));
        }
        let [kind, form] = [&magic[..4], &magic[8..]];
        match kind {
            b"RIFX" => return Err(unsupported("big-endian (RIFX)".into())),
            b"RIFF" | b"RF64" | b"BW64" if form == b"WAVE" => {}
            _ => return Err(not_wav(kind)),
        }
        Ok((text(kind), begin + 12, u64::from(u32_at(&magic, 4))))
    }

    fn chunks(&mut self, mut at: u64) -> Result<()> {
        let mut data_seen = false;
        while at + 8 <= self.file_bytes {
            let mut head = [0; 8];
            self.read_at(at, &mut head)?;
            let [a, b, c, d, ..] = head;
            let id = [a, b, c, d];
            let stated = match u64::from(u32_at(&head, 4)) {
                ELSEWHERE => self.wide_size(id),
                size => size,
            };
            let at_body = at + 8;
            let left = self.file_bytes - at_body;
            let first_data = id == *b"data" && !data_seen;
            let bytes = if first_data {
                self.data_bytes(stated, at_body)?
            } else {
                stated
            };
            let printable = id.iter().all(|byte| (0x20..0x7f).contains(byte));
            if !printable || bytes > left {
                if data_seen {
                    break;
                }
                return Err(match printable {
                    true => broken(&format!(
                        "its `{}` chunk is longer than the file",
                        text(&id)
                    )),
                    false => broken("its chunks are out of step"),
                });
            }
            if id == *b"data" && data_seen {
                self.repaired(format!("a second `data` chunk of {bytes} bytes left out"));
            }
            data_seen |= first_data;
            self.chunks.push(Chunk {
                id: text(&id),
                at: at_body,
                bytes,
            });
            if self.chunks.len() > MOST_CHUNKS {
                return Err(broken("it has too many chunks"));
            }
            if id == *b"ds64" {
                self.read_wide_sizes(at_body, bytes)?;
            }
            at = self.next(&id, at_body + bytes)?;
        }
        if at < self.file_bytes {
            let left = self.file_bytes - at;
            self.repaired(format!(
                "{left} bytes at the end belong to no whole chunk and were left out"
            ));
        }
        Ok(())
    }

    fn wide_size(&self, id: [u8; 4]) -> u64 {
        let size = self.wide_sizes.iter().find(|(name, _)| *name == id);
        size.map_or(ELSEWHERE, |(_, size)| *size)
    }

    fn read_wide_sizes(&mut self, at: u64, bytes: u64) -> Result<()> {
        let mut body = [0; 1024];
        let length = body.len().min(bytes as usize);
        self.read_at(at, &mut body[..length])?;
        let body = &body[..length];
        let whole = body
            .get(8..16)
            .ok_or_else(|| broken("its `ds64` chunk is short"))?;
        self.wide_sizes.push((*b"data", u64_at(whole, 0)));
        let table = body.get(28..).unwrap_or(&[]).chunks_exact(12);
        self.wide_sizes
            .extend(table.map(|row| ([row[0], row[1], row[2], row[3]], u64_at(row, 4))));
        Ok(())
    }

    /// Where the chunk after `id` stands, if that ends at `end`: chunks of odd
    /// length are followed by a pad byte, which some writers forget.
    fn next(&mut self, id: &[u8; 4], end: u64) -> Result<u64> {
        let odd = self.chunks.last().is_some_and(|chunk| chunk.bytes % 2 == 1);
        let (right, wrong) = if odd { (end + 1, end) } else { (end, end + 1) };
        if self.known(right)? || !self.known(wrong)? {
            return Ok(right.min(self.file_bytes));
        }
        let what = if odd { "missing" } else { "one too many" };
        self.repaired(format!(
            "the pad byte after its `{}` chunk is {what}",
            text(id)
        ));
        Ok(wrong)
    }

    fn known(&mut self, at: u64) -> Result<bool> {
        let mut id = [0; 4];
        if at + 8 > self.file_bytes {
            return Ok(false);
        }
        self.read_at(at, &mut id)?;
        Ok(KNOWN.contains(&&id))
    }

    /// How many bytes of samples there really are from `at` on.
    fn data_bytes(&mut self, stated: u64, at: u64) -> Result<u64> {
        let left = self.file_bytes - at;
        if stated == ELSEWHERE && left != ELSEWHERE || stated == 0 && left > 0 && !self.known(at)? {
            self.repaired(
                "the header does not say how long the recording is; read to the end of the file"
                    .into(),
            );
            return Ok(left);
        }
        if stated > left {
            self.repaired(format!(
                "the header promises {stated} bytes of samples, the file holds {left}; it was cut off"
            ));
            return Ok(left);
        }
        // A size of 32 bits that ran over: what is missing are whole turns of it.
        let turn = 1 << 32;
        let turned = stated + (left - stated) / turn * turn;
        let behind = at + turned + turned % 2;
        if turned > stated
            && !self.known(at + stated + stated % 2)?
            && (behind + 8 > self.file_bytes || self.known(behind)?)
        {
            self.repaired(format!(
                "its size of 32 bits ran over: {turned} bytes of samples read instead of {stated}"
            ));
            return Ok(turned);
        }
        Ok(stated)
    }
}

/// The little-endian number of 32 bits at `at`; missing bytes are zero.
pub(super) fn u32_at(bytes: &[u8], at: usize) -> u32 {
    let four = bytes.get(at..).and_then(<[u8]>::first_chunk);
    u32::from_le_bytes(four.copied().unwrap_or_default())
}

/// The same of 64 bits.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> u64 {
    let eight = bytes.get(at..).and_then(<[u8]>::first_chunk);
    u64::from_le_bytes(eight.copied().unwrap_or_default())
}

fn text(id: &[u8]) -> String {
    id.escape_ascii().to_string()
}

fn not_wav(first: &[u8]) -> Diagnostic {
    let found = if first.is_empty() {
        "there are too few bytes".to_owned()
    } else {
        format!("`{}` stands", text(first))
    };
    Problem::NotWav { found }.into()
}

pub(super) fn broken(what: &str) -> Diagnostic {
    Problem::BrokenWav { what: what.into() }.into()
}

pub(super) fn unsupported(what: String) -> Diagnostic {
    Problem::UnsupportedWav { what }.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A header in front of any length of zeros.
    struct Sparse {
        header: Vec<u8>,
        bytes: u64,
        at: u64,
    }

    impl Read for Sparse {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let count = buffer.len().min((self.bytes - self.at) as usize);
            for byte in &mut buffer[..count] {
                *byte = *self.header.get(self.at as usize).unwrap_or(&0);
                self.at += 1;
            }
            Ok(count)
        }
    }

    impl Seek for Sparse {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            let SeekFrom::Start(at) = to else {
                unreachable!()
            };
            self.at = at;
            Ok(at)
        }
    }

    /// Two channels of 16 bits behind `chunks`.
    fn walked(kind: &[u8], chunks: &[u8], size: u32, samples: u64) -> Container {
        let mut header = [kind, &u32::MAX.to_le_bytes(), b"WAVE", chunks].concat();
        header.extend(b"fmt \x10\0\0\0\x01\0\x02\0\x80\xbb\0\0\0\xee\x02\0\x04\0\x10\0data");
        header.extend(size.to_le_bytes());
        let bytes = header.len() as u64 + samples;
        let mut file = Sparse {
            header,
            bytes,
            at: 0,
        };
        walk(&mut file, bytes).unwrap()
    }

    const SAMPLES: u64 = 11 << 30;

    #[test]
    fn sizes_beyond_4_gib_are_read_from_ds64() {
        let mut ds64 = b"ds64\x1c\0\0\0\0\0\0\0\0\0\0\0".to_vec();
        ds64.extend(SAMPLES.to_le_bytes());
        ds64.extend([0; 12]);
        let container = walked(b"RF64", &ds64, u32::MAX, SAMPLES);
        assert_eq!(container.frames, SAMPLES / 4);
        assert!(container.repairs.is_empty(), "{:?}", container.repairs);
    }

    #[test]
    fn a_size_of_32_bits_that_ran_over_is_put_right_and_said() {
        let container = walked(b"RIFF", &[], SAMPLES as u32, SAMPLES);
        assert_eq!(container.frames, SAMPLES / 4);
        let said = container.repairs.last().unwrap().to_string();
        assert!(said.contains("ran over"), "{said}");
    }
}
