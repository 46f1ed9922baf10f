//! Figures out of documents: one CSV each, with its source in the head, and one
//! typed accessor each.

pub mod calibrator;
