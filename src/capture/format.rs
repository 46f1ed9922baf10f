//! The `fmt ` chunk, and where in their containers the bits of a sample lie.

use std::io::{Read, Seek, SeekFrom};

use super::container::{broken, u32_at, unsupported};
use super::decode::SampleFormat;
use crate::diagnostic::{Diagnostic, Problem, Result};

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;
/// Last 14 bytes of every wave sub-format identifier; the first two are the tag.
const GUID_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xAA, 0x00, 0x38, 0x9B, 0x71,
];
/// No recorder samples faster than this.
const MOST_HZ: u32 = 768_000;
/// Frames looked at together.
const FRAMES: u64 = 8192;

/// What the `fmt ` chunk declares.
pub(super) struct Format {
    tag: u16,
    extensible: bool,
    pub channels: usize,
    pub rate_hz: u32,
    bytes_per_s: u32,
    pub container_bytes: usize,
    valid_bits: u16,
}

impl Format {
    /// Bytes of the chunk that are read; what stands behind is of no use here.
    pub const LENGTH: usize = 40;

    /// Reads the chunk.
    ///
    /// # Errors
    /// [`Problem::BrokenWav`] or [`Problem::UnsupportedWav`].
    pub fn parse(body: &[u8]) -> Result<Self> {
        if body.len() < 16 {
            return Err(broken("its `fmt ` chunk is short"));
        }
        let u16_at = |at: usize| u16::from_le_bytes([body[at], body[at + 1]]);
        let extensible = u16_at(0) == EXTENSIBLE;
        let (channels, align, bits) = (u16_at(2), u16_at(12), u16_at(14));
        let (tag, declared) = match (extensible, body.len() >= Self::LENGTH) {
            (false, _) => (u16_at(0), 0),
            (true, false) => return Err(broken("its extensible `fmt ` chunk is short")),
            (true, true) if body[26..40] == GUID_TAIL => (u16_at(24), u16_at(18)),
            (true, true) => return Err(unsupported("an extensible format of unknown kind".into())),
        };
        let rate_hz = u32_at(body, 4);
        if channels == 0 {
            return Err(broken("it has no channels"));
        }
        if !(1..=MOST_HZ).contains(&rate_hz) {
            return Err(broken(&format!("its sampling rate is {rate_hz} Hz")));
        }
        let valid_bits = if declared == 0 { bits } else { declared };
        let container_bytes = usize::from(align / channels);
        if align % channels != 0 || usize::from(valid_bits.max(bits)) > 8 * container_bytes {
            return Err(broken(&format!(
                "{channels} channels of {} bits do not make a frame of {align} bytes",
                valid_bits.max(bits)
            )));
        }
        if valid_bits < 2 || container_bytes == 0 {
            return Err(broken(&format!("its samples have {valid_bits} bits")));
        }
        Ok(Self {
            tag,
            extensible,
            channels: usize::from(channels),
            rate_hz,
            bytes_per_s: u32_at(body, 8),
            container_bytes,
            valid_bits,
        })
    }

    /// What contradicts itself without harm to the samples.
    pub fn repairs(&self) -> Option<Diagnostic> {
        let frame_bytes = (self.container_bytes * self.channels) as u64;
        let expected = u64::from(self.rate_hz) * frame_bytes;
        let stated = self.bytes_per_s;
        (u64::from(stated) != expected).then(|| {
            let what = format!(
                "its header speaks of {stated} bytes a second; {} Hz and {frame_bytes} bytes a frame make {expected}",
                self.rate_hz
            );
            Diagnostic::from(Problem::RepairedWav { what }).warning()
        })
    }

    /// How a sample is stored; looks at all `frames` from `at` on where the bits do
    /// not fill their container, and says what it took them for.
    ///
    /// # Errors
    /// [`Problem::UnsupportedWav`], also where neither the header nor the samples
    /// show where the bits lie; [`Problem::File`].
    pub fn sample(
        &self,
        file: &mut (impl Read + Seek),
        at: u64,
        frames: u64,
    ) -> Result<(SampleFormat, Option<Diagnostic>)> {
        let bytes = self.container_bytes;
        let integer = |valid_bits, upper| SampleFormat::Integer {
            bytes,
            valid_bits,
            upper,
        };
        let container_bits = 8 * bytes as u16;
        match (self.tag, bytes) {
            (PCM, 1) => return Ok((integer(8, true), None)),
            (PCM, 2..=4) if self.valid_bits == container_bits => {
                return Ok((integer(container_bits, true), None));
            }
            (PCM, 2..=4) => {}
            (FLOAT, 4 | 8) if self.valid_bits == container_bits => {
                return Ok((SampleFormat::Float { bytes }, None));
            }
            (FLOAT, _) => {
                return Err(unsupported(format!(
                    "{}-bit float in {bytes} bytes",
                    self.valid_bits
                )));
            }
            (PCM, _) => return Err(unsupported(format!("integers of {bytes} bytes"))),
            (6, _) => return Err(unsupported("A-law".into())),
            (7, _) => return Err(unsupported("µ-law".into())),
            (other, _) => return Err(unsupported(format!("format tag {other}"))),
        }
        let used = self.used(file, at, frames)?;
        let valid_bits = self.valid_bits;
        let told = |as_what: &str| {
            let what =
                format!("{valid_bits} valid bits taken as the {as_what} ones of {container_bits}");
            Diagnostic::from(Problem::RepairedWav { what })
        };
        // The extensible layout declares the upper bits; the plain one, nothing.
        match (used, self.extensible) {
            ((false, _), true) => Ok((integer(valid_bits, true), Some(told("upper").note()))),
            ((false, true), false) => {
                Ok((integer(valid_bits, true), Some(told("upper").warning())))
            }
            ((true, false), _) => Ok((integer(valid_bits, false), Some(told("lower").warning()))),
            ((true, true), true) => {
                let what = format!(
                    "{valid_bits} valid bits are declared, but all {container_bits} are in use and were read"
                );
                let finding = Diagnostic::from(Problem::RepairedWav { what }).warning();
                Ok((integer(container_bits, true), Some(finding)))
            }
            ((same, _), false) => Err(unsupported(format!(
                "{valid_bits} bits in {bytes} bytes a sample, and {} them",
                if same {
                    "no room beside"
                } else {
                    "nothing shows where to find"
                }
            ))),
        }
    }

    /// Whether the lower bits beyond the valid ones, and the upper ones beyond a
    /// sign, are in use.
    fn used(&self, file: &mut (impl Read + Seek), at: u64, frames: u64) -> Result<(bool, bool)> {
        let reading = |error| Diagnostic::io("reading", &error);
        let frame_bytes = self.container_bytes * self.channels;
        let container_bits = 8 * self.container_bytes as u16;
        let whole = SampleFormat::Integer {
            bytes: self.container_bytes,
            valid_bits: container_bits,
            upper: true,
        };
        // In steps of the container, in the upper and in the lower place.
        let step = 0.5f64.powi(i32::from(self.valid_bits) - 1);
        let small = 0.5f64.powi(i32::from(container_bits - self.valid_bits));
        let (mut lower, mut upper) = (false, false);
        let (mut block, mut samples) = (Vec::new(), Vec::new());
        file.seek(SeekFrom::Start(at)).map_err(reading)?;
        let mut left = frames;
        while left > 0 && !(lower && upper) {
            let count = left.min(FRAMES);
            left -= count;
            block.resize(count as usize * frame_bytes, 0);
            file.read_exact(&mut block).map_err(reading)?;
            for channel in 0..self.channels {
                whole.decode(&block, self.channels, channel, &mut samples);
                lower |= samples.iter().any(|x| (x / step).fract() != 0.0);
                upper |= samples.iter().any(|x| *x < -small || *x >= small);
            }
        }
        Ok((lower, upper))
    }
}
