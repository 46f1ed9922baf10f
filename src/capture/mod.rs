//! Reading recordings: WAV files in, blocks of full-scale samples out.
//!
//! A recording is read once, front to back, in blocks; its SHA-256 and the
//! faults of its samples are gathered in the same pass. Nothing here is
//! physical yet: 1.0 is the recorder's digital full scale.

mod container;
mod recording;
mod wav;

pub use container::{Container, SampleFormat};
pub use recording::{InputFile, Recording, Source};
