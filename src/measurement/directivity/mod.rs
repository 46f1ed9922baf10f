//! # Directivity
//!
//! *Question.* From where does the device hear, and by which pattern?
//!
//! *Definition.* Gain, force level minus sound pressure level at the reference
//! microphone, over the angle of the sound, relative to the front (0°).
//!
//! *Method.* 1. Gain of each capture in each band; an unequal presentation and the
//! calibration cancel. 2. Planar index: power from the front over the mean of all
//! angles of the plane, unweighted. 3. Directivity index: over the mean of all
//! directions of space, if the pattern is the same all about the axis from back to
//! front: each angle stands for the zone of the sphere that reaches half way to the
//! next. 4. Front half over rear half of space, the power bent between angles as its
//! second differences say.
//! 5. |a + (1 − a) cos θ| fitted to the amplitudes: a, what it leaves, its null.
//! 6. Two microphones in a row fitted to all bands together: exchanged ones, a
//! blocked port, unequal sensitivity or delay. 7. Uncertainty: the scatter of the gains in time; how much the mean moves when
//! the weights are drawn otherwise. 8. Where a capture without
//! stimulus is given, a force less than 3 dB above it is a bound; else what the
//! noise adds is a part of the uncertainty.
//!
//! *Source.* Directivity index and first-order patterns: textbook. Zones: own
//! derivation from the area of spherical zones. Importance: ANSI S3.5-1997.
//!
//! *Limits.* A box is no free field, and the device is not on a head. Angles in one
//! plane say nothing of the others but by the assumed symmetry.

mod faults;
mod first_order;
mod microphones;
mod ring;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Captures;
use super::gain_difference::{NOISE_CLEAR, UNKNOWN, added_db};
use super::importance::Weighted;
use crate::diagnostic::{Problem, Result};
use crate::levels::{Levels, Needs};
use crate::quantity::{Band, Degrees, LevelDifference, Number, Origin, Percentage, Reading, Role};
use crate::trust::Check;
pub use faults::{Fault, FaultKind, Microphones, Pattern};
use first_order::FirstOrder;
use ring::{Point, Ring, SAME_DEG};

/// Third-octave levels.
pub const NEEDS: Needs = Needs {
    bands: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = super::directional::RELIES_ON;

/// Parts of captures by angle begin so.
const PART: &str = "angle_";

/// The part that a capture with the sound from `angle_deg` plays; one part for one
/// direction, whatever turns it is written with.
pub fn part(angle_deg: f64) -> String {
    format!("{PART}{}", wrapped(angle_deg))
}

/// From −180° (without) to 180°.
fn wrapped(angle_deg: f64) -> f64 {
    let turned = angle_deg.rem_euclid(360.0);
    if turned > 180.0 {
        turned - 360.0
    } else {
        turned
    }
}

/// Captures by angle, and one without stimulus.
pub struct Input<'a> {
    /// By rising angle from −180° (without) to 180°; 0 is the front.
    pub captures: Vec<(f64, &'a Levels)>,
    /// No stimulus.
    pub noise: Option<&'a Levels>,
}

impl<'a> Input<'a> {
    /// Finds the captures.
    ///
    /// # Errors
    /// [`crate::Problem::RoleMissing`] without one from any angle.
    pub fn bind(captures: &Captures<'a>) -> Result<Self> {
        let angle = |(rest, levels): (&str, &'a Levels)| Some((rest.parse().ok()?, levels));
        let mut found: Vec<(f64, &'a Levels)> =
            captures.beginning(PART).filter_map(angle).collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        if found.is_empty() {
            let (measurement, role) = ("directivity", "angle");
            return Err(Problem::RoleMissing { measurement, role }.into());
        }
        Ok(Self {
            captures: found,
            noise: captures.optional("equivalent_input_noise"),
        })
    }
}

/// What is known beforehand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "DirectivityOptions")]
pub struct Options {
    /// The pattern that the device is set to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pattern: Option<Pattern>,
}

impl Options {
    /// Nothing can be wrong.
    ///
    /// # Errors
    /// None.
    pub fn check(&self) -> Result<()> {
        Ok(())
    }
}

/// The patterns.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "DirectivityOutcome")]
pub struct Outcome {
    /// What the indices take for granted.
    pub assumptions: Vec<String>,
    /// Angles that the raster of the others leaves open, in degrees.
    pub missing_deg: Vec<f64>,
    /// Directivity index weighted by the importance of the bands for speech.
    pub importance_weighted: Weighted,
    /// What all patterns together show of the two microphones.
    pub microphones: Microphones,
    /// One item per band.
    pub bands: Vec<BandPattern>,
}

/// The pattern in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandPattern {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// 0° minus 180°.
    pub front_to_back: Reading<LevelDifference>,
    /// Front half of space over its rear half.
    pub front_to_rear_half: Reading<LevelDifference>,
    /// Front over the mean of the plane.
    pub planar_index: Reading<LevelDifference>,
    /// Front over the mean of space.
    pub directivity_index: Reading<LevelDifference>,
    /// a of the fitted |a + (1 − a) cos θ|: 1 from everywhere alike, ½ a cardioid, 0
    /// a figure of eight.
    pub first_order: Reading<Number>,
    /// Root mean square that the fit leaves, of the amplitude from the front.
    pub residual: Reading<Percentage>,
    /// Angle off the front at which the fitted pattern hears nothing.
    pub null_angle: Reading<Degrees>,
    /// Gain by angle.
    pub angles: Vec<AngleGain>,
}

/// The gain at one angle.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct AngleGain {
    /// The angle in degrees; 0 is the front.
    pub angle_deg: f64,
    /// Gain relative to that at the front.
    pub relative_to_front: Reading<LevelDifference>,
}

/// Gains by angle in every band and what follows from them.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    for (_, capture) in &input.captures {
        capture.both_channels("directivity")?;
    }
    let (_, first) = input.captures[0];
    let mut bands = Vec::new();
    let mut rings = Vec::new();
    let mut mirrored = false;
    for (column, band) in first.bands()?.bands.iter().enumerate() {
        let mut channels = first.channels.iter().flatten();
        let found = match channels.find_map(|channel| channel.gap(*band)) {
            Some(gap) => Err(gap.to_string()),
            None => ring(input, column, *band)?.ok_or_else(|| UNKNOWN.to_owned()),
        };
        if let Ok(ring) = &found {
            mirrored |= !ring.both_sides();
        }
        bands.push(BandPattern::of(*band, &found));
        rings.extend(found.ok().map(|ring| (*band, ring)));
    }
    let rings: Vec<(Band, &Ring)> = rings.iter().map(|(band, ring)| (*band, ring)).collect();
    let mut assumptions = vec![
        "directivity index and halves of space: the pattern is the same all about the axis from back to front".to_owned(),
    ];
    if mirrored {
        assumptions.push("planar index: the side without angles is like the other".into());
    }
    let each = bands.iter().map(|b| (b.band, &b.directivity_index));
    Ok(Outcome {
        importance_weighted: Weighted::over(each),
        missing_deg: missing(&input.captures.iter().map(|c| c.0).collect::<Vec<_>>()),
        assumptions,
        microphones: Microphones::of(&rings, options.pattern),
        bands,
    })
}

/// The gains of one band; `None` where no angle has one.
fn ring(input: &Input<'_>, column: usize, band: Band) -> Result<Option<Ring>> {
    let mut points = Vec::new();
    for (angle_deg, capture) in &input.captures {
        if capture.bands()?.bands.get(column) != Some(&band) {
            continue;
        }
        let Some(gain) = capture.gain(&[column])? else {
            continue;
        };
        let noise = match input.noise {
            Some(noise) if noise.bands()?.bands.get(column) == Some(&band) => Some(noise),
            _ => None,
        };
        let added = |role| match noise {
            Some(noise) => added_db(capture, noise, role, &[column]),
            None => Ok(Some(0.0)),
        };
        // A sound that is the room's noise gives no gain at all.
        let Some(of_sound) = added(Role::Microphone)? else {
            continue;
        };
        let of_force = added(Role::Force)?;
        let own = ring::own(&gain.uncertainty);
        points.push(Point {
            angle_deg: *angle_deg,
            db: gain.db,
            own: own.and(Origin::Noise, of_force.unwrap_or(NOISE_CLEAR) - of_sound),
            bound: of_force.is_none(),
        });
    }
    Ok((!points.is_empty()).then_some(Ring { points }))
}

impl BandPattern {
    fn of(band: Band, ring: &std::result::Result<Ring, String>) -> Self {
        match ring {
            Err(why) => {
                let fitted = FirstOrder::absent(why);
                Self {
                    band,
                    front_to_back: Reading::not_measured(why.clone()),
                    front_to_rear_half: Reading::not_measured(why.clone()),
                    planar_index: Reading::not_measured(why.clone()),
                    directivity_index: Reading::not_measured(why.clone()),
                    first_order: fitted.parameter,
                    residual: fitted.residual,
                    null_angle: fitted.null,
                    angles: Vec::new(),
                }
            }
            Ok(ring) => {
                let fitted = FirstOrder::of(ring);
                let gain = |point: &Point| AngleGain {
                    angle_deg: point.angle_deg,
                    relative_to_front: ring.relative(point),
                };
                Self {
                    band,
                    front_to_back: ring.front_to_back(),
                    front_to_rear_half: ring.front_to_rear_half(),
                    planar_index: ring.planar_index(),
                    directivity_index: ring.directivity_index(),
                    first_order: fitted.parameter,
                    residual: fitted.residual,
                    null_angle: fitted.null,
                    angles: ring.points.iter().map(gain).collect(),
                }
            }
        }
    }
}

/// Angles of the finest raster of `angles` that are not among them; on one side only,
/// where the other has none.
fn missing(angles: &[f64]) -> Vec<f64> {
    let steps = angles.windows(2).map(|pair| pair[1] - pair[0]);
    let step = steps.filter(|s| *s > SAME_DEG).fold(360.0, f64::min);
    let [left, right] = [-1.0, 1.0].map(|sign: f64| {
        let inside = |a: &f64| (SAME_DEG..180.0 - SAME_DEG).contains(&(sign * a));
        angles.iter().any(inside)
    });
    let steps = (180.0 / step).round() as i32;
    let known = |angle: f64| angles.iter().any(|a| (a - angle).abs() < 0.5 * step);
    (1 - steps..=steps)
        .map(|i| f64::from(i) * step)
        .filter(|a| (*a >= 0.0 || left) && (*a <= 0.0 || *a >= 180.0 - SAME_DEG || right))
        .filter(|angle| !known(*angle))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn missing_angles_are_those_of_the_raster() {
        let ring = |skip: f64| -> Vec<f64> {
            (-11..=12)
                .map(|i| f64::from(i) * 15.0)
                .filter(|a| *a != skip)
                .collect()
        };
        assert!(missing(&ring(1.0)).is_empty());
        assert_eq!(missing(&ring(90.0)), [90.0]);
        let half: Vec<f64> = (0..=6).map(|i| f64::from(i) * 30.0).collect();
        assert!(missing(&half).is_empty());
        assert_eq!(missing(&half[..6]), [180.0]);
    }

    #[test]
    fn one_direction_plays_one_part() {
        assert_eq!(part(345.0), "angle_-15");
        assert_eq!(part(-180.0), part(180.0));
        assert_eq!(part(360.0), "angle_0");
        assert_eq!(part(22.5), "angle_22.5");
    }
}
