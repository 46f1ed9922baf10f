//! The mean of a difference over bands, weighted by what each band carries of
//! speech.
//!
//! *Source.* Band importance of ANSI S3.5-1997, average speech, as
//! [`speech_bands`] holds it. Bands without a figure are left out and the rest
//! made to sum to one; how much they carry is told.

use schemars::JsonSchema;
use serde::Serialize;

use crate::quantity::{Band, LevelDifference, Percentage, Reading, Uncertainty};
use crate::table::speech_intelligibility::speech_bands;

/// An importance-weighted mean and what it rests on.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Weighted {
    /// The mean.
    pub mean: Reading<LevelDifference>,
    /// Share of the importance that the bands with a figure carry.
    pub share: Reading<Percentage>,
}

impl Weighted {
    /// Of the measured ones of `bands`. What chance does to one band it does not
    /// do to the next: uncertainties add in squares.
    pub fn over<'a>(bands: impl IntoIterator<Item = (Band, &'a Reading<LevelDifference>)>) -> Self {
        let known = speech_bands();
        let (mut sum, mut share) = (0.0, 0.0);
        let mut uncertainty = Uncertainty::EXACT;
        for (band, reading) in bands {
            let known = known.iter().find(|k| k.nominal_hz == band.nominal_hz());
            if let (Some(known), Reading::Measured(figure, budget)) = (known, reading) {
                let weight = known.importance;
                sum += weight * figure.db();
                share += weight;
                uncertainty = uncertainty.plus(&budget.through(|error| weight * error));
            }
        }
        let mean = if share > 0.0 {
            let uncertainty = uncertainty.through(|error| error / share);
            Reading::measured(LevelDifference::from_db(sum / share), uncertainty)
        } else {
            Reading::not_measured("no band that carries speech has a figure")
        };
        let share = Reading::measured(Percentage(100.0 * share), Uncertainty::EXACT);
        Self { mean, share }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Origin;

    /// 160 Hz carries 0.0083 and 1 kHz 0.0818 of speech (ANSI S3.5-1997, Table 3,
    /// from a public implementation).
    #[test]
    fn a_band_counts_by_its_importance() {
        let reading = |db| {
            Reading::measured(
                LevelDifference::from_db(db),
                Uncertainty::of(Origin::Statistics, 0.3),
            )
        };
        let band = |hz| Band::named(hz).unwrap();
        let (low, high, absent) = (reading(10.0), reading(0.0), Reading::not_measured("none"));
        let bands = [
            (band(160.0), &low),
            (band(1000.0), &high),
            (band(2000.0), &absent),
        ];
        let weighted = Weighted::over(bands);
        let mean = weighted.mean.figure().unwrap().db();
        assert!((mean - 10.0 * 0.0083 / 0.0901).abs() < 0.001, "{mean}");
        let share = weighted.share.figure().unwrap().0;
        assert!((share - 9.01).abs() < 0.01, "{share}");
    }

    #[test]
    fn without_a_figure_there_is_no_mean() {
        assert_eq!(Weighted::over([]).mean.figure(), None);
    }
}
