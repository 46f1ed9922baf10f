//! # Input/output curve
//!
//! *Question.* How does the force follow the level of a tone: where does the device
//! begin to compress, by how much, and where does it limit?
//!
//! *Definition.* Force level over sound pressure level of one tone, settled at each
//! level. Knee: the level at which the curve bends. Slope: decibels of force per decibel
//! of sound, below and above the knee. Where it bends a second time, the device limits.
//!
//! *Method.* 1. The steps are found in the microphone channel; steps of one frequency
//! make a curve. 2. One straight line, else two, else three that meet, by least squares,
//! each over two points or more: the fewest that leave no point off by more than 0.3 dB.
//! Where three do not suffice, there is no knee; the slope from step to step stands
//! beside each point. 3. Levels asked for without a usable step are named.
//!
//! *Source.* 2000 Hz, 50 dB SPL to 90 dB SPL: ANSI S3.22 and IEC 60118-2 by public
//! summaries. Lines that meet: own method; the uncertainty of where two fitted lines
//! meet: textbook least squares.
//!
//! *Limits.* A device that bends gradually has no knee: the figure is that of the lines.
//! Steps must last until the gain has settled.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use super::presented::{Presented, check_deviation, presented};
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::Needs;
use crate::levels::bent_line::{BentLine, bent_line};
use crate::quantity::{
    ForceLevel, Number, Origin, PressureLevel, Reading, SensitivityLevel, Uncertainty,
};
use crate::trust::Check;

/// The samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up. Clipping is judged step by step.
pub const RELIES_ON: &[Check] = &[Check::ChannelOrder, Check::ChannelCopy, Check::Gaps];

/// How far a point may lie off the lines, in dB.
const OFF_DB: f64 = 0.3;

/// At which levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "InputOutputOptions")]
pub struct Options {
    /// Levels that a curve should hold, in dB SPL.
    pub levels_db_spl: Vec<f64>,
    /// How far from one of them a step may be presented and stand for it.
    pub largest_deviation_db: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            levels_db_spl: vec![50.0, 60.0, 70.0, 80.0, 90.0],
            largest_deviation_db: 2.0,
        }
    }
}

impl Options {
    /// Refuses levels outside 20 dB SPL to 110 dB SPL and a deviation outside 0 dB to
    /// 6 dB.
    ///
    /// # Errors
    /// [`crate::Problem::Value`].
    pub fn check(&self) -> Result<()> {
        let heard = |db: &f64| (20.0..=110.0).contains(db);
        if !self.levels_db_spl.iter().all(heard) {
            return Err(Diagnostic::value(
                "options.input_output.levels_db_spl",
                format!("{:?}", self.levels_db_spl),
                "20 dB SPL to 110 dB SPL",
            ));
        }
        check_deviation("input_output", self.largest_deviation_db)
    }
}

/// The curves.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "InputOutputOutcome")]
pub struct Outcome {
    /// One item per frequency.
    pub curves: Vec<Curve>,
    /// Every step that was found.
    pub steps: Vec<Presented>,
}

/// Force over sound at one frequency.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Curve {
    /// Frequency of the tone as it is named.
    pub nominal_hz: f64,
    /// Slope below the knee, or of the whole where there is none, dB/dB.
    pub slope_below: Reading<Number>,
    /// Where the curve bends first.
    pub knee: Reading<PressureLevel>,
    /// Slope above it, dB/dB.
    pub slope: Reading<Number>,
    /// Where it bends a second time.
    pub limiting: Reading<PressureLevel>,
    /// Points, rising in level.
    pub points: Vec<Point>,
    /// Levels asked for without a usable step, and why, in words.
    pub missing: Vec<String>,
}

/// One point of a curve.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "InputOutputPoint")]
pub struct Point {
    /// Level that was presented.
    pub sound: Reading<PressureLevel>,
    /// Force level that answered.
    pub force: Reading<ForceLevel>,
    /// Force level minus presented level.
    pub sensitivity: Reading<SensitivityLevel>,
    /// Slope from the point before, dB/dB.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope: Option<Reading<Number>>,
}

/// A curve for each frequency of two levels and more.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    options.check()?;
    let steps = presented(input.capture, "input_output")?;
    let mut frequencies: Vec<f64> = steps.iter().map(Presented::nominal_hz).collect();
    frequencies.sort_by(f64::total_cmp);
    frequencies.dedup();
    let curves = frequencies
        .into_iter()
        .map(|hz| curve(hz, &steps, options))
        .filter(|curve| curve.points.len() > 1);
    Ok(Outcome {
        curves: curves.collect(),
        steps,
    })
}

fn curve(nominal_hz: f64, steps: &[Presented], options: &Options) -> Curve {
    let of: Vec<&Presented> = steps
        .iter()
        .filter(|step| step.nominal_hz() == nominal_hz)
        .collect();
    let mut usable: Vec<(f64, f64, f64, &Presented)> = of
        .iter()
        .filter_map(|step| {
            let (Reading::Measured(sound, _), Reading::Measured(force, budget)) =
                (&step.sound, &step.force)
            else {
                return None;
            };
            let own = [Origin::Noise, Origin::Analysis].map(|o| budget.part(o).unwrap_or(0.0));
            Some((sound.db(), force.db(), own[0].hypot(own[1]), *step))
        })
        .collect();
    usable.sort_by(|a, b| a.0.total_cmp(&b.0));
    let xy: Vec<[f64; 2]> = usable.iter().map(|(x, y, ..)| [*x, *y]).collect();
    let error_db = usable.iter().map(|u| u.2).fold(0.0, f64::max);
    let points = usable.iter().enumerate().map(|(n, (x, y, u, step))| Point {
        sound: step.sound.clone(),
        force: step.force.clone(),
        sensitivity: step.sensitivity(),
        slope: n.checked_sub(1).map(|before| {
            let (x0, y0, u0, _) = usable[before];
            let budget = Uncertainty::of(Origin::Noise, u.hypot(u0) / (x - x0));
            Reading::measured(Number((y - y0) / (x - x0)), budget)
        }),
    });
    let fitted = bent_line(&xy, OFF_DB);
    let [slope_below, slope] = slopes(fitted.as_ref(), error_db);
    Curve {
        nominal_hz,
        slope_below,
        knee: bend(fitted.as_ref(), 0, error_db),
        slope,
        limiting: bend(fitted.as_ref(), 1, error_db),
        points: points.collect(),
        missing: missing(&of, options),
    }
}

const NO_LINES: &str =
    "three straight lines do not describe the curve, or there are fewer than two points to each";

/// Below the first bend, and above it.
fn slopes(fitted: Option<&BentLine>, error_db: f64) -> [Reading<Number>; 2] {
    let at = |index: usize| match fitted.map(|lines| lines.parts.get(index)) {
        None => Reading::not_measured(NO_LINES),
        Some(None) => Reading::not_measured("the curve is one straight line"),
        Some(Some(part)) => Reading::measured(
            Number(part.slope),
            Uncertainty::of(Origin::Noise, error_db * part.slope_error),
        ),
    };
    [at(0), at(1)]
}

fn bend(fitted: Option<&BentLine>, index: usize, error_db: f64) -> Reading<PressureLevel> {
    let Some(lines) = fitted else {
        return Reading::not_measured(NO_LINES);
    };
    let Some(bend) = lines.bends.get(index) else {
        return Reading::not_measured(match lines.bends.len() {
            0 => "the curve is one straight line",
            _ => "the curve bends once",
        });
    };
    let budget = Uncertainty::of(Origin::Noise, error_db.hypot(lines.off) * bend.error);
    Reading::measured(PressureLevel::from_db(bend.at), budget)
}

/// Levels without a usable step, one sentence each.
fn missing(steps: &[&Presented], options: &Options) -> Vec<String> {
    let stands_for = |step: &&&Presented, db: f64| {
        let sound = step.sound.figure().map_or(step.step.level_db, |s| s.db());
        (sound - db).abs() <= options.largest_deviation_db
    };
    let lacking = options.levels_db_spl.iter().filter_map(|db| {
        let mut near = steps.iter().filter(|step| stands_for(step, *db));
        if near.clone().any(|step| step.usable()) {
            return None;
        }
        let why = near.find_map(|step| step.verdict.reason());
        Some(format!(
            "{db} dB SPL: {}",
            why.unwrap_or("no step was found")
        ))
    });
    lacking.collect()
}
