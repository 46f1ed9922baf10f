//! What the outcomes mean: each file holds an outcome, or what was found while
//! reading, against a criterion and says whether it is met.

pub mod conformance;

pub use conformance::{Limits, Verdict};
