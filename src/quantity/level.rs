//! Levels in decibels whose reference is part of their type.
//!
//! A force level and a pressure level cannot be added or compared by mistake:
//! only two levels of one reference have a [`LevelDifference`].

use std::borrow::Cow;
use std::marker::PhantomData;
use std::ops::{Add, Sub};

use schemars::{JsonSchema, Schema, SchemaGenerator};

use super::reading::Quantity;

/// What 0 dB stands for.
pub trait Reference: Copy {
    /// The reference as printed, for instance `1 µN`.
    const TEXT: &'static str;
    /// The root-mean-square value at 0 dB, in SI units.
    const RMS: f64;
}

/// 1 µN, the reference of force levels.
#[derive(Debug, Clone, Copy, PartialEq, JsonSchema)]
pub struct OneMicronewton;

impl Reference for OneMicronewton {
    const TEXT: &'static str = "1 µN";
    const RMS: f64 = 1e-6;
}

/// 20 µPa, the reference of sound pressure levels in air.
#[derive(Debug, Clone, Copy, PartialEq, JsonSchema)]
pub struct TwentyMicropascals;

impl Reference for TwentyMicropascals {
    const TEXT: &'static str = "20 µPa";
    const RMS: f64 = 20e-6;
}

/// A level in decibels relative to the reference `R`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level<R> {
    db: f64,
    reference: PhantomData<R>,
}

/// Force level, dB re 1 µN.
pub type ForceLevel = Level<OneMicronewton>;

/// Sound pressure level, dB re 20 µPa.
pub type PressureLevel = Level<TwentyMicropascals>;

impl<R: Reference> Level<R> {
    /// A level of `db` decibels.
    pub fn from_db(db: f64) -> Self {
        Self {
            db,
            reference: PhantomData,
        }
    }

    /// The level 10 lg(x² / x₀²) of a mean square in SI units (N² or Pa²).
    ///
    /// `None` for a mean square that is zero, negative or not finite: silence
    /// has no level, and −∞ dB must never pass for one.
    ///
    /// ```
    /// use micronewton::ForceLevel;
    /// let one_newton = ForceLevel::from_mean_square(1.0).unwrap();
    /// assert!((one_newton.db() - 120.0).abs() < 1e-9);
    /// assert!(ForceLevel::from_mean_square(0.0).is_none());
    /// ```
    pub fn from_mean_square(mean_square: f64) -> Option<Self> {
        let db = 10.0 * (mean_square / (R::RMS * R::RMS)).log10();
        db.is_finite().then(|| Self::from_db(db))
    }

    /// The figure in decibels.
    pub fn db(self) -> f64 {
        self.db
    }

    /// The mean square in SI units (N² or Pa²).
    pub fn mean_square(self) -> f64 {
        R::RMS * R::RMS * 10f64.powf(self.db / 10.0)
    }

    /// The level of the summed powers; `None` for an empty list.
    pub fn power_sum(levels: impl IntoIterator<Item = Self>) -> Option<Self> {
        Self::from_mean_square(levels.into_iter().map(Self::mean_square).sum())
    }
}

/// A type of its own for each reference; records hold levels as readings only.
impl<R: Reference> JsonSchema for Level<R> {
    fn schema_name() -> Cow<'static, str> {
        format!("Level re {}", R::TEXT).into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        f64::json_schema(generator)
    }
}

impl<R: Reference> Quantity for Level<R> {
    const UNIT: &'static str = "dB";
    const REFERENCE: Option<&'static str> = Some(R::TEXT);

    fn value(&self) -> f64 {
        self.db
    }
}

impl ForceLevel {
    /// What a device makes of a sound: force level minus sound pressure level.
    pub fn over(self, sound: PressureLevel) -> SensitivityLevel {
        SensitivityLevel(self.db - sound.db)
    }

    /// The sound of which a device of this sensitivity makes the force.
    pub fn before(self, sensitivity: SensitivityLevel) -> PressureLevel {
        PressureLevel::from_db(self.db - sensitivity.0)
    }
}

impl PressureLevel {
    /// The force that a device of this sensitivity makes of the sound.
    pub fn through(self, sensitivity: SensitivityLevel) -> ForceLevel {
        ForceLevel::from_db(self.db + sensitivity.0)
    }
}

/// Force level minus sound pressure level: the acousto-mechanical sensitivity
/// level, in dB re 1 µN/20 µPa.
#[derive(Debug, Clone, Copy, PartialEq, JsonSchema)]
pub struct SensitivityLevel(f64);

impl SensitivityLevel {
    /// That of a mean square gain in N²/Pa².
    ///
    /// ```
    /// use micronewton::quantity::SensitivityLevel;
    /// // 1 N/Pa is 20 µN per 20 µPa: the level re 1 N/Pa is 26.02 dB lower.
    /// assert!((SensitivityLevel::of_power_gain(1.0).db() - 26.0206).abs() < 1e-4);
    /// ```
    pub fn of_power_gain(power_gain: f64) -> Self {
        let one = OneMicronewton::RMS / TwentyMicropascals::RMS;
        Self(10.0 * (power_gain / (one * one)).log10())
    }

    /// The mean square gain in N²/Pa².
    pub fn power_gain(self) -> f64 {
        let one = OneMicronewton::RMS / TwentyMicropascals::RMS;
        one * one * 10f64.powf(self.0 / 10.0)
    }

    /// A sensitivity of `db` decibels.
    pub fn from_db(db: f64) -> Self {
        Self(db)
    }

    /// The figure in decibels.
    pub fn db(self) -> f64 {
        self.0
    }
}

impl Quantity for SensitivityLevel {
    const UNIT: &'static str = "dB";
    const REFERENCE: Option<&'static str> = Some("1 µN/20 µPa");

    fn value(&self) -> f64 {
        self.0
    }
}

/// A sensitivity level against another reference, in dB.
macro_rules! sensitivity_re {
    ($(#[$doc:meta])* $name:ident, $text:literal, $one:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct $name(f64);

        impl From<SensitivityLevel> for $name {
            fn from(sensitivity: SensitivityLevel) -> Self {
                let one: f64 = $one;
                Self(10.0 * (sensitivity.power_gain() / (one * one)).log10())
            }
        }

        impl Quantity for $name {
            const UNIT: &'static str = "dB";
            const REFERENCE: Option<&'static str> = Some($text);

            fn value(&self) -> f64 {
                self.0
            }
        }
    };
}

sensitivity_re! {
    /// The acousto-mechanical sensitivity level in dB re 1 N/Pa: 26.02 dB less than re
    /// 1 µN/20 µPa (20 lg 20).
    ///
    /// ```
    /// use micronewton::quantity::{Quantity, SensitivityLevel, SensitivityReNewtonPerPascal};
    /// let found = SensitivityReNewtonPerPascal::from(SensitivityLevel::from_db(35.0));
    /// assert!((found.value() - 8.9794).abs() < 1e-4);
    /// ```
    SensitivityReNewtonPerPascal, "1 N/Pa", 1.0
}

sensitivity_re! {
    /// The acousto-mechanical sensitivity level in dB re 1 µN/Pa: 93.98 dB more than re
    /// 1 µN/20 µPa (20 lg 50 000).
    ///
    /// ```
    /// use micronewton::quantity::{Quantity, SensitivityLevel, SensitivityReMicronewtonPerPascal};
    /// let found = SensitivityReMicronewtonPerPascal::from(SensitivityLevel::from_db(35.0));
    /// assert!((found.value() - 128.9794).abs() < 1e-4);
    /// ```
    SensitivityReMicronewtonPerPascal, "1 µN/Pa", OneMicronewton::RMS
}

/// A difference of two levels of one reference, in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelDifference(f64);

impl LevelDifference {
    /// A difference of `db` decibels.
    pub fn from_db(db: f64) -> Self {
        Self(db)
    }

    /// The figure in decibels.
    pub fn db(self) -> f64 {
        self.0
    }
}

impl Quantity for LevelDifference {
    const UNIT: &'static str = "dB";
    const REFERENCE: Option<&'static str> = None;

    fn value(&self) -> f64 {
        self.0
    }
}

impl<R: Reference> Sub for Level<R> {
    type Output = LevelDifference;

    fn sub(self, other: Self) -> LevelDifference {
        LevelDifference(self.db - other.db)
    }
}

impl<R: Reference> Add<LevelDifference> for Level<R> {
    type Output = Self;

    fn add(self, difference: LevelDifference) -> Self {
        Self::from_db(self.db + difference.0)
    }
}

impl Sub for LevelDifference {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn two_equal_levels_sum_to_3_01_db_more() {
        let level = ForceLevel::from_db(90.0);
        let sum = ForceLevel::power_sum([level, level]).unwrap();
        assert_abs_diff_eq!(sum.db(), 93.0103, epsilon = 1e-4);
    }

    #[test]
    fn a_level_and_its_mean_square_are_one_thing() {
        let level = PressureLevel::from_db(65.0);
        let back = PressureLevel::from_mean_square(level.mean_square()).unwrap();
        assert_abs_diff_eq!(back.db(), 65.0, epsilon = 1e-12);
    }
}
