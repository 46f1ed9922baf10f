//! The chunks of a WAV file, walked before any sample is believed.
//!
//! Plain decoders trust the header; recorders do not always write it right.
//! The walk finds `fmt ` and `data`, uses the length of the file where a size
//! field lies, says what it had to put right, and refuses what it cannot read
//! right. Layout after the RIFF/WAVE description and, for files beyond 4 GiB,
//! EBU Tech 3306 (`RF64`, `ds64`).

use std::io::{self, Read};

use super::decode::SampleFormat;
use crate::diagnostic::{Diagnostic, Problem, Result};

/// What the header of a WAV file says, after repairs.
#[derive(Debug)]
pub struct Container {
    /// How samples are stored.
    pub format: SampleFormat,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: usize,
    /// Number of whole frames.
    pub frames: u64,
    /// What was put right while reading the header.
    pub repairs: Vec<Diagnostic>,
}

impl Container {
    /// Bytes of one frame.
    pub fn frame_bytes(&self) -> usize {
        self.format.bytes() * self.channels
    }
}

/// Reads up to the first sample. `file_bytes` is the length of the file.
///
/// # Errors
/// [`Problem::NotWav`], [`Problem::BrokenWav`], [`Problem::UnsupportedWav`] or
/// [`Problem::Rate`]; every one names what was found.
pub fn walk(reader: &mut impl Read, file_bytes: u64) -> Result<Container> {
    let mut walker = Walker {
        reader,
        position: 0,
    };
    let magic: [u8; 12] = walker.bytes().map_err(|_| not_wav(&[]))?;
    let wide = matches!(&magic[..4], b"RF64" | b"BW64");
    if !(wide || &magic[..4] == b"RIFF") || &magic[8..] != b"WAVE" {
        return Err(not_wav(&magic[..4]));
    }
    let mut format = None;
    let mut wide_data_bytes = None;
    loop {
        let head: [u8; 8] = walker
            .bytes()
            .map_err(|_| broken("it ends before a `data` chunk"))?;
        let [id, size] = [&head[..4], &head[4..]];
        let stated = u32::from_le_bytes([size[0], size[1], size[2], size[3]]);
        match id {
            b"fmt " => format = Some(Format::read(&mut walker, stated)?),
            b"ds64" => {
                let body = walker.body(stated)?;
                let bytes = body
                    .get(8..16)
                    .ok_or_else(|| broken("its ds64 chunk is short"))?;
                wide_data_bytes = Some(u64::from_le_bytes(bytes.try_into().unwrap_or_default()));
            }
            b"data" => {
                let format = format.ok_or_else(|| broken("its `data` chunk precedes `fmt `"))?;
                let left = file_bytes.saturating_sub(walker.position);
                let stated = match wide_data_bytes {
                    Some(bytes) if stated == u32::MAX => bytes,
                    _ => u64::from(stated),
                };
                return format.container(stated, left);
            }
            _ if id.iter().all(|byte| (0x20..0x7f).contains(byte)) => walker.skip(stated)?,
            _ => return Err(broken("its chunks are out of step")),
        }
    }
}

struct Walker<'a, R> {
    reader: &'a mut R,
    position: u64,
}

impl<R: Read> Walker<'_, R> {
    fn bytes<const N: usize>(&mut self) -> io::Result<[u8; N]> {
        let mut bytes = [0; N];
        self.reader.read_exact(&mut bytes)?;
        self.position += N as u64;
        Ok(bytes)
    }

    /// The body of a chunk that is small by nature, and its pad byte.
    fn body(&mut self, size: u32) -> Result<Vec<u8>> {
        let mut body = vec![0; (size as usize).min(1024)];
        self.reader
            .read_exact(&mut body)
            .map_err(|_| broken("it ends inside its header"))?;
        self.position += body.len() as u64;
        self.skip_bytes(u64::from(size) - body.len() as u64 + u64::from(size & 1))?;
        Ok(body)
    }

    fn skip(&mut self, size: u32) -> Result<()> {
        self.skip_bytes(u64::from(size) + u64::from(size & 1))
    }

    fn skip_bytes(&mut self, count: u64) -> Result<()> {
        let copied = io::copy(&mut self.reader.by_ref().take(count), &mut io::sink())
            .map_err(|e| broken(&e.to_string()))?;
        self.position += copied;
        if copied < count {
            return Err(broken("it ends inside a chunk before `data`"));
        }
        Ok(())
    }
}

/// The `fmt ` chunk.
struct Format {
    sample: SampleFormat,
    rate_hz: u32,
    channels: usize,
    repairs: Vec<Diagnostic>,
}

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;
/// Last 14 bytes of every wave sub-format identifier; the first two are the tag.
const GUID_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71,
];

impl Format {
    fn read<R: Read>(walker: &mut Walker<'_, R>, size: u32) -> Result<Self> {
        let body = walker.body(size)?;
        if body.len() < 16 {
            return Err(broken("its `fmt ` chunk is short"));
        }
        let u16_at = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
        let rate_hz = u32::from_le_bytes([body[4], body[5], body[6], body[7]]);
        let (channels, align, bits) = (u16_at(2), u16_at(12), u16_at(14));
        let extensible = u16_at(0) == EXTENSIBLE && body.len() >= 40;
        let tag = if extensible {
            if body[26..40] != GUID_TAIL {
                return Err(unsupported("an extensible format of unknown kind".into()));
            }
            u16_at(24)
        } else {
            u16_at(0)
        };
        if channels == 0 {
            return Err(broken("it has no channels"));
        }
        if !(16_000..=192_000).contains(&rate_hz) {
            return Err(Problem::Rate { rate_hz }.into());
        }
        let container_bits = align / channels * 8;
        let valid_bits = if extensible && u16_at(18) != 0 {
            u16_at(18)
        } else {
            bits
        };
        let mut repairs = Vec::new();
        let integer = |container_bits: u16| SampleFormat::Integer {
            bytes: usize::from(container_bits / 8),
            valid_bits,
            upper: true,
        };
        let sample = match (tag, container_bits) {
            (PCM, 8 | 16 | 24 | 32) if valid_bits == container_bits => integer(container_bits),
            // The extensible layout puts the valid bits at the top.
            (PCM, 16 | 24 | 32) if extensible && valid_bits < container_bits => {
                let what = format!(
                    "{valid_bits} valid bits taken as the upper ones of {container_bits}, as its format declares"
                );
                repairs.push(Diagnostic::from(Problem::RepairedWav { what }).note());
                integer(container_bits)
            }
            (PCM, _) => {
                return Err(unsupported(format!(
                    "{bits} bits in {} bytes a sample: where the bits lie is not declared",
                    container_bits / 8
                )));
            }
            (FLOAT, 32 | 64) => SampleFormat::Float {
                bytes: usize::from(container_bits / 8),
            },
            (FLOAT, other) => return Err(unsupported(format!("{other}-bit float"))),
            (6, _) => return Err(unsupported("A-law".into())),
            (7, _) => return Err(unsupported("µ-law".into())),
            (other, _) => return Err(unsupported(format!("format tag {other}"))),
        };
        Ok(Self {
            sample,
            rate_hz,
            channels: usize::from(channels),
            repairs,
        })
    }

    fn container(mut self, stated: u64, left: u64) -> Result<Container> {
        let mut bytes = stated;
        if stated == 0 && left > 0 || stated > left {
            bytes = left;
            let what = if stated == 0 || stated == u64::from(u32::MAX) {
                "the header does not say how long the recording is; read to the end of the file"
                    .into()
            } else {
                format!(
                    "the header promises {stated} bytes of samples, the file holds {left}; it was cut off"
                )
            };
            self.repairs
                .push(Diagnostic::from(Problem::RepairedWav { what }).warning());
        }
        let frame_bytes = (self.sample.bytes() * self.channels) as u64;
        if !bytes.is_multiple_of(frame_bytes) {
            let what = format!(
                "{} stray bytes after the last whole frame left out",
                bytes % frame_bytes
            );
            self.repairs
                .push(Diagnostic::from(Problem::RepairedWav { what }).warning());
        }
        let frames = bytes / frame_bytes;
        if frames == 0 {
            return Err(broken("it holds no samples"));
        }
        Ok(Container {
            format: self.sample,
            rate_hz: self.rate_hz,
            channels: self.channels,
            frames,
            repairs: self.repairs,
        })
    }
}

fn not_wav(first: &[u8]) -> Diagnostic {
    let found = if first.is_empty() {
        "there are too few bytes".to_owned()
    } else {
        format!("`{}` stands", first.escape_ascii())
    };
    Problem::NotWav { found }.into()
}

fn broken(what: &str) -> Diagnostic {
    Problem::BrokenWav { what: what.into() }.into()
}

fn unsupported(what: String) -> Diagnostic {
    Problem::UnsupportedWav { what }.into()
}
