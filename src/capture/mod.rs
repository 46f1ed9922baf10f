//! Reading recordings: WAV files in, blocks of full-scale samples out.
//!
//! A recording is read once, front to back, in blocks; its SHA-256 and the
//! faults of its samples are gathered in the same pass. Nothing here is
//! physical yet: 1.0 is the recorder's digital full scale.

mod container;
mod decode;
mod format;
mod inspection;
mod integrity;
mod origin;
mod recording;
mod wav;

pub use container::{Chunk, Container};
pub use decode::SampleFormat;
pub use inspection::Inspection;
pub use integrity::{Integrity, Places};
pub use origin::Origin;
pub use recording::{Evidence, InputFile, Recording, Source, hexadecimal};
