//! From calibrated blocks to levels: one pass over the recording, memory that
//! does not grow with it.
//!
//! Each reduction is a fold with `new`, `push` and `finish`; [`reduce()`] runs
//! those that are asked for side by side.

pub mod align;
pub mod approach;
pub mod bands;
pub mod bank;
pub mod bent_line;
pub mod course;
pub mod decimate;
pub mod delay;
pub mod distribution;
pub mod filter;
pub mod frame;
pub mod gain;
pub mod gain_spread;
pub mod impulses;
pub mod inversion;
mod least_squares;
pub mod lines;
pub mod map;
pub mod pair;
pub mod periodic;
pub mod phase;
pub mod probe;
pub mod reduce;
pub mod response;
pub mod scatter;
pub mod skirts;
pub mod steps;
pub mod synchronous;
pub mod tone;
mod track;
pub mod transfer;
pub mod waveform;
pub mod weighting;

pub use approach::Approach;
pub use bands::{Bands, Interval};
pub use gain::Gain;
pub use reduce::{Levels, Needs, Scope, reduce};
pub use tone::StatedTone;
pub use transfer::Transfer;
