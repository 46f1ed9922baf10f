//! Attack and release of a device, from the frames themselves: when the pressure
//! first passes what it held before, and the force over whole periods of the tone.
//! No window, no search for steps: the times are those of the scenario.

use serde::Serialize;

use crate::bench::scenario::Capture;
use crate::bench::stimulus::Stimulus;
use crate::quantity::{Reading, Seconds, Uncertainty};

/// Within so many decibels of the steady level after a jump up, and down (ANSI
/// S3.22).
const WITHIN_DB: [f64; 2] = [3.0, 4.0];
/// Length of the sums in seconds, at least.
const SUM_S: f64 = 0.002;

#[derive(Debug, Serialize)]
pub struct AttackRelease {
    capture: String,
    attack: Reading<Seconds>,
    release: Reading<Seconds>,
}

/// Keeps the frames of a capture of bursts.
pub struct Jumps {
    rate_hz: f64,
    /// Frames of one sum.
    sum: usize,
    /// Frames at which the stimulus jumps up, or down, and the next jump.
    jumps: Vec<(bool, [usize; 2])>,
    frames: Vec<[f64; 2]>,
}

impl Jumps {
    /// Of a capture made for it; else none.
    pub fn of(capture: &Capture, rate_hz: f64) -> Option<Self> {
        let Stimulus::Bursts {
            frequency_hz,
            on_s,
            off_s,
            rest_db_spl: Some(_),
        } = &capture.stimulus
        else {
            return None;
        };
        if capture.role != "attack_release" {
            return None;
        }
        let frames = |s: f64| (s * rate_hz).round() as usize;
        let end = frames(capture.stop_s.unwrap_or(capture.duration_s));
        let lengths = [frames(*on_s).max(1), frames(*off_s).max(1)];
        let mut jumps = Vec::new();
        let (mut at, mut up) = (frames(capture.start_s) + lengths[0], false);
        loop {
            let next = at + lengths[usize::from(!up)];
            if next > end {
                break;
            }
            jumps.push((up, [at, next]));
            (at, up) = (next, !up);
        }
        let periods = libm::ceil(SUM_S * frequency_hz);
        Some(Self {
            rate_hz,
            sum: (periods * rate_hz / frequency_hz).round() as usize,
            jumps,
            frames: Vec::new(),
        })
    }

    /// Sees force in N and pressure in Pa.
    pub fn push(&mut self, physical: [f64; 2]) {
        self.frames.push(physical);
    }

    /// The mean times of capture `name`.
    pub fn finish(&self, name: &str) -> AttackRelease {
        // Running sums of the squared force: a difference is a stretch.
        let mut energy = vec![0.0];
        for frame in &self.frames {
            energy.push(energy[energy.len() - 1] + frame[0] * frame[0]);
        }
        let mean = |wanted: bool| {
            let of = self.jumps.iter().filter(|(up, _)| *up == wanted);
            let times: Vec<f64> = of
                .filter_map(|(up, frames)| self.time_s(&energy, *up, *frames))
                .collect();
            match times.is_empty() {
                true => Reading::not_measured("no jump"),
                false => {
                    let mean = times.iter().sum::<f64>() / times.len() as f64;
                    Reading::measured(Seconds((mean * 1e6).round() / 1e6), Uncertainty::EXACT)
                }
            }
        };
        AttackRelease {
            capture: name.to_owned(),
            attack: mean(true),
            release: mean(false),
        }
    }

    fn time_s(&self, energy: &[f64], up: bool, [at, next]: [usize; 2]) -> Option<f64> {
        let peak = |from: usize, to: usize| {
            let frames = self.frames.get(from..to)?.iter();
            Some(frames.fold(0.0, |p: f64, f| p.max(f[1].abs())))
        };
        let half_ms = (0.0005 * self.rate_hz) as usize;
        let before = peak(at - 8 * half_ms, at)?;
        let after = peak(next - 8 * half_ms, next)?;
        // Up: the first frame above what was held; down: the last one above what is.
        let loud = |frame: &[f64; 2]| frame[1].abs() > 0.5 * (before + after);
        let near = self.frames.get(at..at + 20 * half_ms)?;
        let jumped = at
            + match up {
                true => near.iter().position(loud)?,
                false => near.iter().rposition(loud)?,
            };
        let stretch = |from: usize, to: usize| (energy[to] - energy[from]) / (to - from) as f64;
        let steady = stretch(next - (next - at) / 5, next);
        let limit_db = WITHIN_DB[usize::from(!up)];
        let sign = if up { 1.0 } else { -1.0 };
        let beyond = |middle: usize| {
            let from = middle - self.sum / 2;
            sign * 10.0 * libm::log10(stretch(from, from + self.sum) / steady)
        };
        let last_middle = next - self.sum;
        let outside = |middle: &usize| beyond(*middle).abs() > limit_db;
        let highest = (jumped..last_middle).max_by(|a, b| beyond(*a).total_cmp(&beyond(*b)))?;
        let last = (jumped..last_middle)
            .rev()
            .find(outside)
            .map_or(jumped, |m| m + 1);
        let first = match beyond(highest) > limit_db {
            true => (highest..last_middle).find(|m| !outside(m))?,
            false => last,
        };
        Some((0.5 * (first + last) as f64 - jumped as f64) / self.rate_hz)
    }
}
