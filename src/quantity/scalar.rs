//! Figures without a reference: a number and its unit.

use super::reading::Quantity;

macro_rules! scalar {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct $name(pub f64);

        impl Quantity for $name {
            const UNIT: &'static str = $unit;
            const REFERENCE: Option<&'static str> = None;

            fn value(&self) -> f64 {
                self.0
            }
        }
    };
}

scalar! {
    /// A frequency in hertz.
    Frequency, "Hz"
}
scalar! {
    /// An angle in degrees.
    Degrees, "°"
}
scalar! {
    /// A part of a whole in percent.
    Percentage, "%"
}
scalar! {
    /// A duration in seconds.
    Seconds, "s"
}
