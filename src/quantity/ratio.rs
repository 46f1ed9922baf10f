//! Figures without a physical unit: shares and indices.

use super::reading::Quantity;

/// A share of a whole, in percent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Percent(pub f64);

impl Quantity for Percent {
    const UNIT: &'static str = "%";
    const REFERENCE: Option<&'static str> = None;

    fn value(&self) -> f64 {
        self.0
    }
}

/// A bare number, for instance an index from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Number(pub f64);

impl Quantity for Number {
    const UNIT: &'static str = "1";
    const REFERENCE: Option<&'static str> = None;

    fn value(&self) -> f64 {
        self.0
    }
}
