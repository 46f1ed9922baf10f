//! Reading recordings: WAV files in, blocks of full-scale samples out.
//!
//! A recording is read once, front to back, in blocks; its SHA-256 and the
//! faults of its samples are gathered in the same pass. Nothing here is
//! physical yet: 1.0 is the recorder's digital full scale.

mod container;
mod decode;
mod integrity;
mod recording;
mod wav;

pub use container::Container;
pub use decode::SampleFormat;
pub use integrity::{Integrity, Places};
pub use recording::{Evidence, InputFile, Recording, Source};
