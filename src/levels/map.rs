//! What both channels held over time and frequency, coarsely: for pictures.

use super::course::Course;
use super::frame::Frame;
use crate::quantity::{Band, BandRange, Role};

/// Points over time at most.
const POINTS: usize = 120;
/// Nominal midband frequencies of the lowest and the highest band, in Hz.
const BANDS_HZ: std::ops::RangeInclusive<f64> = 200.0..=8000.0;

/// Mean squares of both channels over time, third octave by third octave.
#[derive(Debug, Clone)]
pub struct Map {
    /// The bands, rising.
    pub bands: Vec<Band>,
    /// Length of a point in seconds.
    pub step_s: f64,
    /// In N² and Pa², by channel, band and point.
    pub mean_square: [Vec<Vec<f64>>; 2],
}

/// The fold that makes a [`Map`].
pub struct MapReduction {
    bands: Vec<Band>,
    /// Time from frame to frame, in seconds.
    step_s: f64,
    courses: [Vec<Course>; 2],
}

impl MapReduction {
    /// Empty; a frame follows every `step_s`.
    pub fn new(rate_hz: f64, step_s: f64) -> Self {
        let inside =
            |band: &Band| BANDS_HZ.contains(&band.nominal_hz()) && band.upper_hz() < 0.5 * rate_hz;
        let bands: Vec<Band> = BandRange::default().bands().filter(inside).collect();
        let courses = || bands.iter().map(|_| Course::holding(POINTS)).collect();
        Self {
            courses: [courses(), courses()],
            bands,
            step_s,
        }
    }

    /// Takes in a frame.
    pub fn push(&mut self, frame: &Frame) {
        for (role, courses) in Role::ALL.into_iter().zip(&mut self.courses) {
            for (band, course) in self.bands.iter().zip(courses) {
                course.push(frame.between(role as usize, band.lower_hz(), band.upper_hz()));
            }
        }
    }

    /// The map.
    pub fn finish(self) -> Map {
        let hops = self.courses[0].first().map_or(1, Course::hops_per_point);
        let points = |courses: Vec<Course>| courses.iter().map(|c| c.points().to_vec()).collect();
        Map {
            bands: self.bands,
            step_s: self.step_s * hops as f64,
            mean_square: self.courses.map(points),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn a_tone_lights_its_band_while_it_sounds_and_no_other_channel() {
        let rate_hz = 24_000.0;
        let mut frame = Frame::new(rate_hz);
        let step = frame.length() / 2;
        let mut map = MapReduction::new(rate_hz, step as f64 / rate_hz);
        let sample = |n: usize| {
            let sounds = n >= 2 * 24_000;
            let tone = (TAU * 2900.0 * n as f64 / rate_hz).sin();
            [if sounds { tone } else { 0.0 }, 0.0]
        };
        let samples: Vec<[f64; 2]> = (0..4 * 24_000).map(sample).collect();
        for start in (0..samples.len() - 2 * step).step_by(step) {
            frame.transform(&samples[start..]);
            map.push(&frame);
        }
        let map = map.finish();
        let band = Band::containing(2900.0).unwrap();
        let row = map.bands.iter().position(|b| *b == band).unwrap();
        let points = &map.mean_square[0][row];
        let at = |second: f64| points[(second / map.step_s) as usize];
        assert!((at(3.0) - 0.5).abs() < 0.01, "{}", at(3.0));
        assert!(at(1.0) < 1e-6);
        assert!(
            map.mean_square[1]
                .iter()
                .flatten()
                .all(|power| *power < 1e-12)
        );
        assert!(points.len() <= POINTS);
    }
}
