//! # Output force level for 90 dB SPL
//!
//! *Question.* What is the largest force that the device delivers, tone by tone?
//!
//! *Definition.* Level of the fundamental in the force while a tone of 90 dB SPL is
//! presented and the gain is full on, settled (OFL90); the largest of them; and their
//! mean in decibels at the average frequencies: 1000 Hz, 1600 Hz and 2500 Hz unless
//! others are chosen, and three special-purpose ones where the maker names them.
//!
//! *Method.* 1. The steps of the sweep are found in the microphone channel. 2. Over
//! the settled half of each, the fundamental of both channels by correlation. 3. A
//! step counts if the sound stands within 2 dB of 90 dB SPL; by how much it departs
//! is told, the force is not corrected for it: near the limit of the output it hardly
//! follows. 4. Third-octave midbands from 200 Hz to 8000 Hz without a usable step are
//! listed as missing; nothing is interpolated.
//!
//! *Source.* IEC 60118-9 and ANSI S3.22 by public summaries, the standards not
//! opened: frequencies of both averages, 90 dB SPL, measured range.
//!
//! *Limits.* A sweep without steps has no settled part. The gain must be full on: a
//! recording cannot tell.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use super::presented::{Presented, presented};
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::Needs;
use crate::quantity::{
    Band, BandRange, ForceLevel, LevelDifference, Origin, PressureLevel, Reading, Uncertainty,
};
use crate::trust::Check;

/// The samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up. Clipping is judged step by step.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Gaps,
    Check::MicrophonePosition,
];

/// Presented level that the standards name, in dB SPL.
const PRESENTED_DB: f64 = 90.0;

/// What to take the averages over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Options {
    /// Frequencies of the high-frequency average.
    pub average_hz: Vec<f64>,
    /// Frequencies of the special-purpose average; none: no such average.
    pub special_purpose_hz: Vec<f64>,
    /// How far from 90 dB SPL a step may be presented and count.
    pub largest_deviation_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            average_hz: vec![1000.0, 1600.0, 2500.0],
            special_purpose_hz: Vec::new(),
            largest_deviation_db: 2.0,
        }
    }
}

impl Options {
    /// Refuses averages over no frequency of a third octave, and a deviation outside
    /// 0 dB to 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`], [`crate::Problem::UnknownBand`].
    pub fn check(&self) -> Result<()> {
        let key = "options.output_force_level";
        for hz in self.average_hz.iter().chain(&self.special_purpose_hz) {
            Band::named(*hz)?;
        }
        if self.average_hz.is_empty() {
            let key = format!("{key}.average_hz");
            return Err(Diagnostic::value(&key, "[]", "at least one frequency"));
        }
        if self.largest_deviation_db > 0.0 && self.largest_deviation_db <= 6.0 {
            return Ok(());
        }
        Err(Diagnostic::value(
            &format!("{key}.largest_deviation_db"),
            self.largest_deviation_db,
            "more than 0 dB, at most 6 dB",
        ))
    }
}

/// The curve and what stands for it.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Outcome {
    /// The largest force of the curve.
    pub maximum: Reading<ForceLevel>,
    /// Where it lies.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maximum_hz: Option<f64>,
    /// Mean in decibels at `average_hz`.
    pub high_frequency_average: Reading<ForceLevel>,
    /// Mean in decibels at the special-purpose frequencies, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub special_purpose_average: Option<Reading<ForceLevel>>,
    /// The curve, in ascending frequency.
    pub curve: Vec<Point>,
    /// Third-octave midbands without a usable step, and why, in words.
    pub missing: Vec<String>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

/// One point of the curve.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Point {
    /// Frequency as it is named.
    pub nominal_hz: f64,
    /// Frequency as it was found.
    pub frequency_hz: f64,
    /// Force level at the level that was presented.
    pub force: Reading<ForceLevel>,
    /// Presented level minus 90 dB SPL.
    pub deviation: Reading<LevelDifference>,
}

/// The curve of the usable steps.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let steps = presented(input.capture, "output_force_level")?;
    let mut curve: Vec<Point> = steps.iter().filter(|s| s.usable()).map(point).collect();
    curve.retain(|p| {
        let deviation = p.deviation.figure();
        deviation.is_some_and(|d| d.db().abs() <= options.largest_deviation_db)
    });
    curve.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let measured = curve
        .iter()
        .filter_map(|p| Some((p, p.force.figure()?.db())));
    let highest = measured.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(p, _)| p);
    let highest_hz = input.capture.waveform()?.highest_hz;
    Ok(Outcome {
        maximum: highest.map_or_else(
            || Reading::not_measured("no step of the sweep can be used"),
            |p| p.force.clone(),
        ),
        maximum_hz: highest.map(|p| p.nominal_hz),
        high_frequency_average: average(&curve, &options.average_hz),
        special_purpose_average: (!options.special_purpose_hz.is_empty())
            .then(|| average(&curve, &options.special_purpose_hz)),
        missing: missing(&curve, &steps, highest_hz, options)?,
        curve,
        steps,
    })
}

fn point(step: &Presented) -> Point {
    let nominal = Reading::measured(PressureLevel::from_db(PRESENTED_DB), Uncertainty::EXACT);
    Point {
        nominal_hz: step.nominal_hz(),
        frequency_hz: step.frequency_hz,
        force: step.force.clone(),
        deviation: step.sound.minus(&nominal),
    }
}

/// Mean of decibels; a frequency without a figure leaves none.
fn average(curve: &[Point], at_hz: &[f64]) -> Reading<ForceLevel> {
    let share = 1.0 / at_hz.len() as f64;
    let (mut sum, mut budget) = (0.0, Uncertainty::EXACT);
    for hz in at_hz {
        let point = curve.iter().find(|p| p.nominal_hz == *hz);
        let Some(Reading::Measured(level, part)) = point.map(|p| &p.force) else {
            return Reading::not_measured(format!("there is no figure at {hz} Hz"));
        };
        sum += share * level.db();
        budget = shared(budget, &part.through(|error| share * error));
    }
    Reading::measured(ForceLevel::from_db(sum), budget)
}

/// Uncertainty of a sum: an error of the calibration is one error of all, the rest
/// adds in squares.
fn shared(sum: Uncertainty, part: &Uncertainty) -> Uncertainty {
    let known = |of: &Uncertainty, origin| of.parts().find(|(o, _)| *o == origin);
    let mut all = Uncertainty::EXACT;
    let origins: std::collections::BTreeSet<Origin> =
        sum.parts().chain(part.parts()).map(|(o, _)| o).collect();
    for origin in origins {
        let [a, b] = [&sum, part].map(|of| known(of, origin).map_or(Some(0.0), |(_, u)| u));
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
    highest_hz: f64,
    options: &Options,
) -> Result<Vec<String>> {
    let range = BandRange::new(Band::named(200.0)?, Band::named(8000.0)?)?;
    let lacking = range.bands().filter(|band| {
        let present = |p: &Point| p.nominal_hz == band.nominal_hz();
        !curve.iter().any(present)
    });
    let reason = |band: Band| {
        let hz = band.nominal_hz();
        if band.exact_hz() > highest_hz {
            return format!("{hz} Hz: above what the sampling rate carries");
        }
        match steps.iter().find(|s| s.step.is_near(hz)) {
            None => format!("{hz} Hz: no step was found"),
            Some(step) => match (&step.sound, &step.verdict) {
                (Reading::Measured(sound, _), _) => format!(
                    "{hz} Hz: presented at {:.1} dB SPL; 90 dB SPL within {} dB are needed",
                    sound.db(),
                    options.largest_deviation_db
                ),
                (Reading::NotMeasured(why) | Reading::AtMost(_, why), _) => {
                    format!("{hz} Hz: {why}")
                }
                _ => format!("{hz} Hz: not usable"),
            },
        }
    };
    Ok(lacking.map(reason).collect())
}
