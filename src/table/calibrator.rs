//! What a sound calibrator of class 1 may depart from (IEC 60942:2017).

use serde::Deserialize;

/// Limits at one nominal frequency; touching one counts as inside.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
pub struct Limits {
    from_hz: f64,
    to_hz: f64,
    ends: Ends,
    /// Departure from the stated frequency, in percent of it.
    pub frequency_percent: f64,
    /// Departure of the largest and the smallest F-weighted level from the mean,
    /// in dB.
    pub fluctuation_db: f64,
    /// Total distortion and noise, in percent.
    pub distortion_percent: f64,
}

/// Which ends of a range belong to it.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
enum Ends {
    #[serde(rename = "[]")]
    Both,
    #[serde(rename = "(]")]
    Upper,
    #[serde(rename = "()")]
    Neither,
}

impl Limits {
    /// The limits at `nominal_hz`; `None` outside 31.5 Hz to 16 kHz.
    pub fn class_1(nominal_hz: f64) -> Option<Self> {
        rows().find(|row| row.covers(nominal_hz))
    }

    fn covers(&self, hz: f64) -> bool {
        let inside = self.from_hz < hz && hz < self.to_hz;
        let lower = hz == self.from_hz && self.ends == Ends::Both;
        let upper = hz == self.to_hz && self.ends != Ends::Neither;
        inside || lower || upper
    }
}

fn rows() -> impl Iterator<Item = Limits> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(include_str!("calibrator_class_1.csv").as_bytes())
        .into_deserialize()
        .filter_map(std::result::Result::ok)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_read_and_every_frequency_has_one() {
        assert_eq!(rows().count(), 4);
        for hz in [31.5, 63.0, 63.1, 159.9, 160.0, 1250.0, 1250.1, 16_000.0] {
            assert_eq!(rows().filter(|row| row.covers(hz)).count(), 1, "{hz}");
        }
        assert_eq!(Limits::class_1(31.0), None);
        assert_eq!(Limits::class_1(16_001.0), None);
    }
}
