//! One-third-octave bands after IEC 61260-1:2014, base ten.
//!
//! Exact midband frequency f_m = 1000 · 10^(x/10) Hz, band edges
//! f_m · 10^(∓1/20), for the integer index x. The nominal frequency is only a
//! name; every calculation uses the exact one.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Serialize;
use serde::ser::SerializeStruct;

use crate::diagnostic::{Problem, Result};

/// Nominal midband frequencies of the indices −16 to 13 (IEC 61260-1:2014,
/// Annex E; the same names stand in ISO 266).
const NOMINAL_HZ: [f64; 30] = [
    25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0,
    630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0,
    10000.0, 12500.0, 16000.0, 20000.0,
];
const LOWEST: i32 = -16;

/// One third-octave band, 25 Hz to 20 kHz.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Band {
    index: i32,
}

impl Band {
    /// The band whose nominal midband frequency is `nominal_hz`.
    ///
    /// # Errors
    /// [`Problem::UnknownBand`] if no band from 25 Hz to 20 kHz has that name.
    ///
    /// ```
    /// use micronewton::quantity::Band;
    /// let band = Band::named(1250.0).unwrap();
    /// assert!((band.exact_hz() - 1258.925).abs() < 1e-3);
    /// ```
    pub fn named(nominal_hz: f64) -> Result<Self> {
        NOMINAL_HZ
            .iter()
            .position(|hz| *hz == nominal_hz)
            .map(|position| Self {
                index: LOWEST + position as i32,
            })
            .ok_or_else(|| Problem::UnknownBand { nominal_hz }.into())
    }

    /// The band in which `frequency_hz` lies, if it lies in 25 Hz to 20 kHz.
    pub fn containing(frequency_hz: f64) -> Option<Self> {
        let index = (10.0 * (frequency_hz / 1000.0).log10()).round() as i32;
        (LOWEST..LOWEST + NOMINAL_HZ.len() as i32)
            .contains(&index)
            .then_some(Self { index })
    }

    /// The index x of IEC 61260-1: 0 at 1 kHz.
    pub fn index(self) -> i32 {
        self.index
    }

    /// The name of the band in Hz.
    pub fn nominal_hz(self) -> f64 {
        NOMINAL_HZ[(self.index - LOWEST) as usize]
    }

    /// Exact midband frequency in Hz.
    pub fn exact_hz(self) -> f64 {
        1000.0 * 10f64.powf(f64::from(self.index) / 10.0)
    }

    /// Lower band edge in Hz.
    pub fn lower_hz(self) -> f64 {
        self.exact_hz() * 10f64.powf(-0.05)
    }

    /// Upper band edge in Hz.
    pub fn upper_hz(self) -> f64 {
        self.exact_hz() * 10f64.powf(0.05)
    }

    /// Width of the ideal band in Hz.
    pub fn width_hz(self) -> f64 {
        self.upper_hz() - self.lower_hz()
    }

    /// The name as sentences print it: `630 Hz`, `1.25 kHz`.
    pub fn name(self) -> String {
        match self.label().strip_suffix('k') {
            Some(kilohertz) => format!("{kilohertz} kHz"),
            None => format!("{} Hz", self.label()),
        }
    }

    /// The name as tables print it: `630`, `1.25k`.
    pub fn label(self) -> String {
        let hz = self.nominal_hz();
        if hz < 1000.0 {
            format!("{hz}")
        } else {
            format!("{}k", hz / 1000.0)
        }
    }
}

impl Serialize for Band {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Serialized<S> {
        let mut object = serializer.serialize_struct("Band", 2)?;
        object.serialize_field("nominal_hz", &self.nominal_hz())?;
        object.serialize_field("exact_hz", &self.exact_hz())?;
        object.end()
    }
}

impl JsonSchema for Band {
    fn schema_name() -> Cow<'static, str> {
        "Band".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A third-octave band by its midband frequencies, nominal and exact",
            "type": "object",
            "properties": {"nominal_hz": {"type": "number"}, "exact_hz": {"type": "number"}},
            "required": ["nominal_hz", "exact_hz"],
        })
    }
}

type Serialized<S> =
    std::result::Result<<S as serde::Serializer>::Ok, <S as serde::Serializer>::Error>;

/// A run of neighbouring bands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandRange {
    lowest: Band,
    highest: Band,
}

impl BandRange {
    /// The bands from `lowest` to `highest`, both included.
    ///
    /// # Errors
    /// [`Problem::BandOrder`] if `lowest` lies above `highest`.
    pub fn new(lowest: Band, highest: Band) -> Result<Self> {
        if lowest > highest {
            return Err(Problem::BandOrder {
                lowest_hz: lowest.nominal_hz(),
                highest_hz: highest.nominal_hz(),
            }
            .into());
        }
        Ok(Self { lowest, highest })
    }

    /// The lowest band.
    pub fn lowest(self) -> Band {
        self.lowest
    }

    /// The highest band.
    pub fn highest(self) -> Band {
        self.highest
    }

    /// The bands in rising order.
    pub fn bands(self) -> impl DoubleEndedIterator<Item = Band> {
        (self.lowest.index..=self.highest.index).map(|index| Band { index })
    }
}

impl Default for BandRange {
    /// 100 Hz to 10 kHz.
    fn default() -> Self {
        Self {
            lowest: Band { index: -10 },
            highest: Band { index: 10 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn edges_of_neighbours_coincide() {
        let bands: Vec<Band> = BandRange::default().bands().collect();
        for pair in bands.windows(2) {
            assert_relative_eq!(pair[0].upper_hz(), pair[1].lower_hz(), max_relative = 1e-14);
        }
    }

    #[test]
    fn a_frequency_finds_its_band() {
        for band in BandRange::default().bands() {
            assert_eq!(Band::containing(band.lower_hz() * 1.0001), Some(band));
            assert_eq!(Band::containing(band.upper_hz() * 0.9999), Some(band));
        }
        assert_eq!(Band::containing(1.0), None);
    }

    #[test]
    fn labels_read_as_tables_print_them() {
        assert_eq!(Band::named(31.5).unwrap().label(), "31.5");
        assert_eq!(Band::named(1250.0).unwrap().label(), "1.25k");
    }
}
