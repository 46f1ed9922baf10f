//! # Was the box closed?
//!
//! *Evidence.* What the session states. In an open box the noise of the room
//! and its reflections come into noise, distance and direction.

use super::{Found, Input};

/// What to do.
pub const NEXT: &str = "close the box and record again";

/// Looks.
pub fn check(input: &Input<'_>) -> Found {
    match input.stated.box_open {
        Some(false) => Found::passed("closed, as stated"),
        Some(true) => Found::doubtful(
            "the box was open: the room's noise and reflections come into noise and directional figures",
        ),
        None => Found::not_checked("not stated"),
    }
}
