//! A sweep in steps at one level: the curve of its usable steps, what stands for it,
//! and what is missing. Nothing is interpolated.

use std::collections::BTreeSet;

use schemars::JsonSchema;
use serde::Serialize;

use super::presented::{Presented, check_deviation, presented};
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::Levels;
use crate::quantity::{
    Band, BandRange, ForceLevel, LevelDifference, Origin, PressureLevel, Quantity, Reading,
    SensitivityLevel, Uncertainty,
};

/// The frequencies of the high-frequency average, in Hz.
pub const AVERAGE_HZ: [f64; 3] = [1000.0, 1600.0, 2500.0];

/// What was asked of a sweep.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// The measurement.
    pub measurement: &'static str,
    /// Level to present, in dB SPL.
    pub level_db_spl: f64,
    /// How far from it a step may be presented and count.
    pub largest_deviation_db: f64,
}

impl Asked {
    /// Refuses averages over no frequency of a third octave, and a deviation outside
    /// 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`], [`crate::Problem::UnknownBand`].
    pub fn check(&self, average_hz: &[f64], more_hz: &[f64]) -> Result<()> {
        let key = |name| format!("options.{}.{name}", self.measurement);
        for hz in average_hz.iter().chain(more_hz) {
            Band::named(*hz)?;
        }
        if average_hz.is_empty() {
            let expected = "at least one frequency";
            return Err(Diagnostic::value(&key("average_hz"), "[]", expected));
        }
        check_deviation(self.measurement, self.largest_deviation_db)?;
        if (20.0..=110.0).contains(&self.level_db_spl) {
            return Ok(());
        }
        Err(Diagnostic::value(
            &key("level_db_spl"),
            self.level_db_spl,
            "20 dB SPL to 110 dB SPL",
        ))
    }
}

/// One point of the curve.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "SweepPoint")]
pub struct Point {
    /// Frequency as it is named.
    pub nominal_hz: f64,
    /// Frequency as it was found.
    pub frequency_hz: f64,
    /// Force level at the level that was presented.
    pub force: Reading<ForceLevel>,
    /// Force level minus presented level.
    pub sensitivity: Reading<SensitivityLevel>,
    /// Presented level minus the one asked for.
    pub deviation: Reading<LevelDifference>,
}

/// What stands for a curve.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(bound = "Reading<Q>: Serialize")]
#[schemars(bound = "Reading<Q>: JsonSchema")]
pub struct Summary<Q> {
    /// The largest figure of the curve.
    pub maximum: Reading<Q>,
    /// Where it lies.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maximum_hz: Option<f64>,
    /// Mean in decibels at `average_hz`.
    pub high_frequency_average: Reading<Q>,
    /// Mean in decibels at the special-purpose frequencies, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub special_purpose_average: Option<Reading<Q>>,
}

/// The steps of a capture that count.
pub struct Sweep {
    /// What was asked of it.
    pub asked: Asked,
    /// The curve, in ascending frequency.
    pub curve: Vec<Point>,
    /// Third-octave midbands without a usable step, and why, in words.
    pub missing: Vec<String>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

impl Sweep {
    /// Finds the steps and keeps those that were presented as asked.
    ///
    /// # Errors
    /// [`crate::Problem::ChannelMissing`] without both channels.
    pub fn of(capture: &Levels, asked: Asked) -> Result<Self> {
        let steps = presented(capture, asked.measurement)?;
        let usable = steps.iter().filter(|step| step.usable());
        let mut curve: Vec<Point> = usable.map(|step| point(step, asked)).collect();
        curve.retain(|p| {
            let deviation = p.deviation.figure();
            deviation.is_some_and(|d| d.db().abs() <= asked.largest_deviation_db)
        });
        curve.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        Ok(Self {
            asked,
            missing: missing(&curve, &steps, capture, asked)?,
            curve,
            steps,
        })
    }

    /// What stands for the curve of one figure of its points.
    pub fn summary<Q: Quantity>(
        &self,
        [average_hz, special_purpose_hz]: [&[f64]; 2],
        of: impl Fn(&Point) -> &Reading<Q> + Copy,
        make: impl Fn(f64) -> Q + Copy,
    ) -> Summary<Q> {
        let measured = self.curve.iter().filter_map(|p| Some((p, of(p).figure()?)));
        let highest = measured.max_by(|a, b| a.1.value().total_cmp(&b.1.value()));
        let highest = highest.map(|(point, _)| point);
        let nothing = || Reading::not_measured("no step of the sweep can be used");
        Summary {
            maximum: highest.map_or_else(nothing, |point| of(point).clone()),
            maximum_hz: highest.map(|point| point.nominal_hz),
            high_frequency_average: self.average(average_hz, of, make),
            special_purpose_average: (!special_purpose_hz.is_empty())
                .then(|| self.average(special_purpose_hz, of, make)),
        }
    }

    /// The point named `hz`.
    pub fn at(&self, hz: f64) -> Option<&Point> {
        self.curve.iter().find(|point| point.nominal_hz == hz)
    }

    /// Mean of decibels over `at_hz`; a frequency without a figure leaves none.
    pub fn average<Q: Quantity>(
        &self,
        at_hz: &[f64],
        of: impl Fn(&Point) -> &Reading<Q>,
        make: impl Fn(f64) -> Q,
    ) -> Reading<Q> {
        let absent = |hz| Reading::not_measured(format!("there is no figure at {hz} Hz"));
        let each = at_hz.iter().map(|hz| match self.at(*hz).map(&of) {
            Some(reading @ Reading::Measured(..)) => reading.clone(),
            _ => absent(*hz),
        });
        mean(&each.collect::<Vec<_>>(), make)
    }
}

fn point(step: &Presented, asked: Asked) -> Point {
    let level = PressureLevel::from_db(asked.level_db_spl);
    Point {
        nominal_hz: step.nominal_hz(),
        frequency_hz: step.frequency_hz,
        force: step.force.clone(),
        sensitivity: step.sensitivity(),
        deviation: step
            .sound
            .minus(&Reading::measured(level, Uncertainty::EXACT)),
    }
}

/// Mean of decibels; one that was not measured leaves none.
pub fn mean<Q: Quantity>(each: &[Reading<Q>], make: impl Fn(f64) -> Q) -> Reading<Q> {
    let share = 1.0 / each.len() as f64;
    let (mut sum, mut budget) = (0.0, Uncertainty::EXACT);
    for reading in each {
        match reading {
            Reading::Measured(quantity, part) => {
                sum += share * quantity.value();
                budget = shared(&budget, &part.through(|error| share * error));
            }
            Reading::NotMeasured(why) => return Reading::not_measured(why.clone()),
            Reading::AtMost(..) | Reading::AtLeast(..) => {
                return Reading::not_measured("one of the levels is only a bound");
            }
        }
    }
    Reading::measured(make(sum), budget)
}

/// Uncertainty of a sum: an error of the calibration is one error of all, the rest
/// adds in squares.
fn shared(sum: &Uncertainty, part: &Uncertainty) -> Uncertainty {
    let known = |of: &Uncertainty, origin| of.parts().find(|(o, _)| *o == origin);
    let mut all = Uncertainty::EXACT;
    let origins: BTreeSet<Origin> = sum.parts().chain(part.parts()).map(|(o, _)| o).collect();
    for origin in origins {
        let [a, b] = [sum, part].map(|of| known(of, origin).map_or(Some(0.0), |(_, u)| u));
        let both = a.zip(b).map(|(a, b)| match origin.of_calibration() {
            true => a + b,
            false => a.hypot(b),
        });
        all = all.and(origin, both);
    }
    all
}

/// What is missing from 200 Hz to 8 kHz, one sentence each.
fn missing(
    curve: &[Point],
    steps: &[Presented],
    capture: &Levels,
    asked: Asked,
) -> Result<Vec<String>> {
    let waveform = capture.waveform()?;
    let range = BandRange::new(Band::named(200.0)?, Band::named(8000.0)?)?;
    let lacking = range.bands().filter(|band| {
        let present = |p: &Point| p.nominal_hz == band.nominal_hz();
        !curve.iter().any(present)
    });
    let reason = |band: Band| {
        let hz = band.nominal_hz();
        if band.exact_hz() > waveform.highest_hz {
            return format!("{hz} Hz: above what the sampling rate carries");
        }
        let Some(step) = steps.iter().find(|step| step.step.is_near(hz)) else {
            return match waveform.cut_at_s {
                Some(s) => format!(
                    "{hz} Hz: no step was found up to {s:.0} s; the rest of the interval was not searched"
                ),
                None => format!("{hz} Hz: no step was found"),
            };
        };
        match &step.sound {
            Reading::Measured(sound, _) => format!(
                "{hz} Hz: presented at {:.1} dB SPL; {} dB SPL within {} dB are needed",
                sound.db(),
                asked.level_db_spl,
                asked.largest_deviation_db
            ),
            Reading::NotMeasured(why) | Reading::AtMost(_, why) | Reading::AtLeast(_, why) => {
                format!("{hz} Hz: {why}")
            }
        }
    };
    Ok(lacking.map(reason).collect())
}
