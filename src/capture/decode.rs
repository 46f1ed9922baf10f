//! From the bytes of a block to samples in full-scale units.

use serde::Serialize;

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum SampleFormat {
    /// Little-endian integer; one byte is unsigned with 128 for zero.
    Integer {
        /// Bytes of the container, 1 to 4.
        bytes: usize,
        /// Bits that count, sign included.
        valid_bits: u16,
        /// Whether they are the upper bits of the container or the lower ones.
        upper: bool,
    },
    /// IEEE float of 4 or 8 bytes.
    Float {
        /// Bytes.
        bytes: usize,
    },
}

impl SampleFormat {
    /// Bytes of one sample.
    pub fn bytes(self) -> usize {
        match self {
            Self::Integer { bytes, .. } | Self::Float { bytes } => bytes,
        }
    }

    /// Replaces `samples` by those of one channel (from 0) in `block`, whole
    /// interleaved frames of `channels`. An integer's largest code is one step
    /// below 1.0.
    pub fn decode(self, block: &[u8], channels: usize, channel: usize, samples: &mut Vec<f64>) {
        let frames = block.chunks_exact(self.bytes() * channels);
        let at = self.bytes() * channel;
        let scale = match self {
            Self::Integer {
                bytes, upper: true, ..
            } => 0.5f64.powi(8 * bytes as i32 - 1),
            Self::Integer { valid_bits, .. } => 0.5f64.powi(i32::from(valid_bits) - 1),
            Self::Float { .. } => 1.0,
        };
        samples.clear();
        match self {
            Self::Integer { bytes: 1, .. } => samples.extend(
                frames.map(|f| scale * (f64::from(u8::from_le_bytes(sample(f, at))) - 128.0)),
            ),
            Self::Integer { bytes: 2, .. } => {
                samples.extend(frames.map(|f| scale * f64::from(i16::from_le_bytes(sample(f, at)))))
            }
            Self::Integer { bytes: 3, .. } => samples.extend(frames.map(|f| {
                let [low, middle, high] = sample(f, at);
                scale * f64::from(i32::from_le_bytes([0, low, middle, high]) >> 8)
            })),
            Self::Integer { .. } => {
                samples.extend(frames.map(|f| scale * f64::from(i32::from_le_bytes(sample(f, at)))))
            }
            Self::Float { bytes: 4 } => {
                samples.extend(frames.map(|f| f64::from(f32::from_le_bytes(sample(f, at)))));
            }
            Self::Float { .. } => {
                samples.extend(frames.map(|f| f64::from_le_bytes(sample(f, at))));
            }
        }
    }
}

/// The `N` bytes at `at` of a frame that holds them.
fn sample<const N: usize>(frame: &[u8], at: usize) -> [u8; N] {
    let bytes = frame.get(at..).and_then(<[u8]>::first_chunk);
    bytes.copied().unwrap_or([0; N])
}
