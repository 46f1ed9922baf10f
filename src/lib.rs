#![doc = include_str!("../README.md")]
#![deny(missing_docs)]
#![cfg_attr(
    not(test),
    deny(
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::exit,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

pub mod assessment;
pub mod bench;
pub mod calibration;
pub mod capture;
pub mod comparison;
pub mod diagnostic;
pub mod levels;
pub mod measurement;
pub mod pipeline;
pub mod quantity;
pub mod report;
pub mod table;
pub mod trust;

pub use calibration::{Calibrated, Calibration};
pub use diagnostic::{Diagnostic, Problem, Result};
pub use quantity::{ForceLevel, PressureLevel, Reading};
