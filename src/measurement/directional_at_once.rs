//! # Front-to-back difference, from one capture
//!
//! *Question.* Do the directional microphones favour the front, while front and back
//! sound at once?
//!
//! *Definition.* Gain, force over pressure at the reference microphone, at the tones
//! from the front minus that at the tones from the back, band by band.
//!
//! *Method.* 1. Both loudspeakers play at once, each its own tones
//! ([`InterleavedTones`](Options)); a third of all lines stays silent. 2. Gain at every tone:
//! cross-power over the power of the microphone; an unequal presentation and the
//! calibration cancel. 3. In each band a straight line over the logarithm of
//! frequency and a step between the sides are fitted to the gains in dB; the step is
//! the difference. 4. Its uncertainty from what the fit leaves: noise, distortion and
//! a gain that bends; 13 degrees of freedom, Student's factor. 5. The silent lines
//! hold noise and distortion: a side whose tones stand less than 10 dB above them, in
//! force or sound, has no gain; of the back force it makes the difference a lower
//! bound. 6. Broadband: power gains of all measured bands added up, the same sound in
//! each. Mean over the bands by their importance for speech.
//!
//! *Source.* Own wording and own choice of the tones. Least squares and Student's
//! factor: textbook. Importance: ANSI S3.5-1997.
//!
//! *Limits.* A device that adapts hears both sides at once: its figure is not that of
//! one sound after the other. The clocks of player and recorder may differ by 50
//! parts in a million; faster drift moves tones out of their lines. Distortion that
//! falls on the tones of its own side follows them and is not seen. A wrong period shows
//! in low bands only: high up its tones lie on the same lines.

use schemars::JsonSchema;
use serde::Serialize;

pub use super::OneCapture as Input;
use super::importance::Weighted;
use crate::diagnostic::Result;
use crate::levels::periodic::PeriodicLines;
use crate::levels::{Bands, Needs, scatter};
pub use crate::quantity::InterleavedTones as Options;
use crate::quantity::interleaved::Lines;
use crate::quantity::{Band, LevelDifference, Origin, Reading, Role, Uncertainty};
use crate::trust::Check;

/// Samples.
pub const NEEDS: Needs = Needs {
    waveform: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = super::directional::RELIES_ON;

/// The differences.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DirectionalAtOnceOutcome")]
pub struct Outcome {
    /// One item per band.
    pub bands: Vec<BandDifference>,
    /// Of the power gains of all measured bands together.
    pub broadband: Reading<LevelDifference>,
    /// Weighted by the importance of the bands for speech.
    pub importance_weighted: Weighted,
}

/// The difference in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DirectionalAtOnceBandDifference")]
pub struct BandDifference {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Front minus back.
    pub front_to_back: Reading<LevelDifference>,
    /// Silent lines of the force, noise and distortion, relative to its tones from
    /// the front, line by line.
    pub unwanted: Reading<LevelDifference>,
}

/// The differences in every band that was played.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    let channels = input.capture.both_channels("directional_at_once")?;
    let found = PeriodicLines::of(input.capture.waveform()?, options.period_s);
    let (mut bands, mut steps) = (Vec::new(), Vec::new());
    for lines in options.lines()? {
        let gap = channels.iter().find_map(|channel| channel.gap(lines.band));
        let sides = match (gap, &found) {
            (Some(gap), _) => Err(gap),
            (_, None) => Err("the interval holds fewer than four periods of the tones".into()),
            (None, Some(found)) => Sides::of(found, &lines),
        };
        let step = sides.as_ref().map_err(Clone::clone).and_then(Sides::step);
        let front_to_back = match &step {
            Ok(Step::Found(fit)) => {
                let student = scatter::student(fit.freedom);
                reading(fit.step_db, student * fit.standard_db)
            }
            Ok(Step::AtLeast(db)) => Reading::AtLeast(
                LevelDifference::from_db(*db),
                "the tones from the back stand less than 10 dB above the silent lines of the force"
                    .into(),
            ),
            Err(why) => Reading::not_measured(why.clone()),
        };
        bands.push(BandDifference {
            band: lines.band,
            front_to_back,
            unwanted: match sides {
                Ok(sides) => sides.unwanted(),
                Err(why) => Reading::not_measured(why),
            },
        });
        if let Ok(Step::Found(fit)) = step {
            steps.push((lines.band, fit));
        }
    }
    // What the bands leave is independent: their degrees of freedom add up.
    let student = scatter::student(steps.iter().map(|(_, fit)| fit.freedom).sum());
    let each: Vec<_> = steps
        .iter()
        .map(|(band, fit)| (*band, reading(fit.step_db, student * fit.standard_db)))
        .collect();
    Ok(Outcome {
        importance_weighted: Weighted::over(each.iter().map(|(band, r)| (*band, r))),
        broadband: broadband(steps.iter().map(|(_, fit)| fit), student),
        bands,
    })
}

fn reading(db: f64, expanded_db: f64) -> Reading<LevelDifference> {
    let uncertainty = Uncertainty::of(Origin::Statistics, expanded_db);
    Reading::measured(LevelDifference::from_db(db), uncertainty)
}

/// Front over back of the power gains added up. A band moves each sum by its share;
/// its two sides are equally uncertain and independent.
fn broadband<'a>(
    fits: impl Iterator<Item = &'a Fit> + Clone,
    student: f64,
) -> Reading<LevelDifference> {
    let power = |db: f64| 10f64.powf(db / 10.0);
    let [front, back] =
        [0, 1].map(|side| fits.clone().map(|f| power(f.sides_db[side])).sum::<f64>());
    let squares = fits.map(|fit| {
        let shares = [
            power(fit.sides_db[0]) / front,
            power(fit.sides_db[1]) / back,
        ];
        let of_side = fit.standard_db.powi(2) / 2.0;
        shares
            .iter()
            .map(|share| share * share * of_side)
            .sum::<f64>()
    });
    if front > 0.0 && back > 0.0 {
        reading(
            10.0 * (front / back).log10(),
            student * squares.sum::<f64>().sqrt(),
        )
    } else {
        Reading::not_measured("no band has a figure")
    }
}

/// The tones of one band.
struct Sides<'a> {
    found: &'a PeriodicLines,
    lines: &'a Lines,
}

/// What the tones say.
enum Step {
    Found(Fit),
    /// Front over back in dB, noise and distortion counted to the back.
    AtLeast(f64),
}

/// A straight line and a step between the sides.
struct Fit {
    /// Front minus back, in dB.
    step_db: f64,
    standard_db: f64,
    freedom: f64,
    /// Gain of front and back in the middle, in dB.
    sides_db: [f64; 2],
}

impl<'a> Sides<'a> {
    /// The tones, if the microphone holds them and the force those from the front.
    fn of(found: &'a PeriodicLines, lines: &'a Lines) -> std::result::Result<Self, String> {
        let highest = lines.sides.iter().flatten().max();
        if highest.is_none_or(|line| *line >= found.force.len()) {
            return Err("the sampling rate does not reach the tones".into());
        }
        let sides = Self { found, lines };
        if !sides.presented() {
            let why = "not every tone stands 10 dB above the silent lines of the microphone: play the tones of `options.directional_at_once`, and both loudspeakers";
            return Err(why.into());
        }
        if !sides.clear(Role::Force, 0) {
            let why = "the tones from the front stand less than 10 dB above the silent lines of the force";
            return Err(why.into());
        }
        Ok(sides)
    }

    fn power(&self, role: Role) -> &[f64] {
        match role {
            Role::Force => &self.found.force,
            Role::Microphone => &self.found.microphone,
        }
    }

    fn mean(&self, role: Role, lines: &[usize]) -> f64 {
        let power = self.power(role);
        lines.iter().map(|line| power[*line]).sum::<f64>() / lines.len().max(1) as f64
    }

    /// Whether the microphone holds each tone: other sounds hit some of them only.
    fn presented(&self) -> bool {
        let silent = self.mean(Role::Microphone, &self.lines.silent);
        let share = 10f64.powf(-Bands::CLEAR_DB / 10.0);
        let mut tones = self.lines.sides.iter().flatten();
        tones.all(|line| silent < share * self.found.microphone[*line])
    }

    /// Whether a side stands clear of the silent lines.
    fn clear(&self, role: Role, side: usize) -> bool {
        let silent = self.mean(role, &self.lines.silent);
        let share = 10f64.powf(-Bands::CLEAR_DB / 10.0);
        silent < share * self.mean(role, &self.lines.sides[side])
    }

    fn step(&self) -> std::result::Result<Step, String> {
        if !self.clear(Role::Force, 1) {
            return self.bound();
        }
        let gains = [0, 1].map(|side| {
            let lines = self.lines.sides[side].iter();
            let tone = |line: &usize| ((*line as f64).ln(), self.found.gain_db(*line));
            lines.map(tone).collect::<Vec<_>>()
        });
        Fit::of(&gains).map(Step::Found).ok_or_else(unknown)
    }

    /// The back force can be no more than what its lines hold; less its own chance.
    fn bound(&self) -> std::result::Result<Step, String> {
        let [front, back] = [0, 1].map(|side| {
            let lines = &self.lines.sides[side];
            let [force, sound] = Role::ALL.map(|role| self.mean(role, lines));
            force / sound
        });
        let lines = &self.lines.sides[1];
        let mean = self.mean(Role::Force, lines);
        let apart: Vec<f64> = lines
            .iter()
            .map(|l| self.found.force[*l] / mean - 1.0)
            .collect();
        let own_db = scatter::expanded_db(&apart, f64::INFINITY).ok_or_else(unknown)?;
        let db = 10.0 * (front / back).log10() - own_db;
        db.is_finite()
            .then_some(Step::AtLeast(db))
            .ok_or_else(unknown)
    }

    fn unwanted(&self) -> Reading<LevelDifference> {
        let silent = self.mean(Role::Force, &self.lines.silent);
        let lines = self.lines.silent.iter();
        let apart: Vec<f64> = lines.map(|l| self.found.force[*l] / silent - 1.0).collect();
        match scatter::expanded_db(&apart, f64::INFINITY) {
            Some(own_db) if silent > 0.0 => {
                let front = self.mean(Role::Force, &self.lines.sides[0]);
                reading(10.0 * (silent / front).log10(), own_db)
            }
            _ => Reading::not_measured("the silent lines hold nothing"),
        }
    }
}

fn unknown() -> String {
    super::gain_difference::UNKNOWN.to_owned()
}

impl Fit {
    /// To `(ln line, gain in dB)` of front and back; `None` where a gain is none.
    fn of(gains: &[Vec<(f64, f64)>; 2]) -> Option<Self> {
        let count = gains[0].len() + gains[1].len();
        let freedom = count.checked_sub(3).filter(|f| *f > 0)? as f64;
        let points = || {
            let side = |(gains, s): (&Vec<(f64, f64)>, f64)| {
                gains.iter().map(|(x, y)| [*x, s, *y]).collect::<Vec<_>>()
            };
            gains.iter().zip([0.5, -0.5]).flat_map(side)
        };
        let mean = [0, 1, 2].map(|i| points().map(|p| p[i]).sum::<f64>() / count as f64);
        let product = |i: usize, j: usize| -> f64 {
            points().map(|p| (p[i] - mean[i]) * (p[j] - mean[j])).sum()
        };
        let [xx, xs, ss] = [product(0, 0), product(0, 1), product(1, 1)];
        let [xy, sy, yy] = [product(0, 2), product(1, 2), product(2, 2)];
        let determinant = xx * ss - xs * xs;
        let slope = (ss * xy - xs * sy) / determinant;
        let step_db = (xx * sy - xs * xy) / determinant;
        let left = (yy - slope * xy - step_db * sy).max(0.0);
        let standard_db = (left / freedom * xx / determinant).sqrt();
        let middle = mean[2] - step_db * mean[1];
        let fit = Self {
            step_db,
            standard_db,
            freedom,
            sides_db: [middle + 0.5 * step_db, middle - 0.5 * step_db],
        };
        (fit.step_db.is_finite() && fit.standard_db.is_finite()).then_some(fit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2 + 3x and a step of 5 dB, without error.
    #[test]
    fn a_slope_is_no_step() {
        let side = |from: i32, s: f64| -> Vec<(f64, f64)> {
            (from..from + 6)
                .map(|x| (f64::from(x), 2.0 + 3.0 * f64::from(x) + 5.0 * s))
                .collect()
        };
        let fit = Fit::of(&[side(0, 0.5), side(1, -0.5)]).unwrap();
        assert!((fit.step_db - 5.0).abs() < 1e-9);
        assert!(fit.standard_db < 1e-6);
    }

    #[test]
    fn a_gain_of_nothing_has_no_fit() {
        let silent = vec![(0.0, f64::NEG_INFINITY), (1.0, 0.0)];
        assert!(Fit::of(&[silent, vec![(0.5, 0.0), (1.5, 0.0)]]).is_none());
    }
}
