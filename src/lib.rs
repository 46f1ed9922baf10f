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

pub mod diagnostic;
pub mod quantity;

pub use diagnostic::{Diagnostic, Problem, Result};
pub use quantity::{ForceLevel, PressureLevel, Reading};
