//! The figures of the trade: levels that know their reference, third-octave
//! bands, and readings that say how sure they are, or why they are absent.
//!
//! This is the bottom layer; every stage imports it and it imports none.

pub mod band;
pub mod date;
pub mod interleaved;
pub mod level;
pub mod observation;
pub mod ratio;
pub mod reading;
pub mod role;
pub mod scalar;
pub mod uncertainty;

pub use band::{Band, BandRange};
pub use date::Date;
pub use interleaved::InterleavedTones;
pub use level::{
    ForceLevel, Level, LevelDifference, PressureLevel, SensitivityLevel,
    SensitivityReMicronewtonPerPascal, SensitivityReNewtonPerPascal,
};
pub use observation::{Observation, observations};
pub use ratio::{Number, Percent};
pub use reading::{Quantity, Reading};
pub use role::Role;
pub use scalar::{Degrees, Frequency, Percentage, Seconds};
pub use uncertainty::{Origin, Uncertainty};
