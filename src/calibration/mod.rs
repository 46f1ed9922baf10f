//! From full-scale samples to newtons and pascals.
//!
//! There is no default sensitivity: only [`Calibration::parse`] and
//! [`Calibrated::from_signal`], which say what the samples are, lead to levels.

mod channel;
mod document;
mod response;
pub mod revision;
mod signal;

pub use channel::Channel;
pub use document::Calibration;
pub use response::Response;
pub use revision::Revision;
pub use signal::Calibrated;
