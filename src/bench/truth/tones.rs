//! The force during each step of a tone sweep, from the frames themselves: sums
//! against sine and cosine over whole periods at the end of the step, whose times
//! are those of the scenario. No frame of a recording, no window, no search.

use std::f64::consts::TAU;

use serde::Serialize;

use super::{level, rounded};
use crate::bench::scenario::Capture;
use crate::bench::stimulus::Stimulus;
use crate::quantity::{
    Band, ForceLevel, Percentage, PressureLevel, Reading, SensitivityLevel, Uncertainty,
};

/// Share of a step that passes before its tone is taken as settled.
const SETTLING: f64 = 0.6;
/// Harmonics counted as distortion.
const HIGHEST_ORDER: usize = 10;
/// Tones of the distortion test, in Hz, and their level in dB SPL.
const DISTORTION: [(f64, f64); 3] = [(500.0, 70.0), (800.0, 70.0), (1600.0, 65.0)];
/// Frequencies of the high-frequency average, in Hz.
const AVERAGE_HZ: [f64; 3] = [1000.0, 1600.0, 2500.0];

#[derive(Debug, Serialize)]
pub struct OutputForceLevel {
    capture: String,
    maximum: Reading<ForceLevel>,
    high_frequency_average: Reading<ForceLevel>,
    curve: Vec<Point>,
}

#[derive(Debug, Serialize)]
struct Point {
    nominal_hz: f64,
    force: Reading<ForceLevel>,
}

/// Of a sweep below the limit of the output.
#[derive(Debug, Serialize)]
pub struct FullOnSensitivity {
    capture: String,
    curve: Vec<Gain>,
}

#[derive(Debug, Serialize)]
struct Gain {
    nominal_hz: f64,
    sensitivity: Reading<SensitivityLevel>,
}

#[derive(Debug, Serialize)]
pub struct ForceLevelResponse {
    capture: String,
    curve: Vec<Point>,
}

/// Of a staircase; the points rise in level.
#[derive(Debug, Serialize)]
pub struct InputOutput {
    capture: String,
    curves: [Curve; 1],
}

#[derive(Debug, Serialize)]
struct Curve {
    nominal_hz: f64,
    points: Vec<Stair>,
}

#[derive(Debug, Serialize)]
struct Stair {
    force: Reading<ForceLevel>,
}

#[derive(Debug, Serialize)]
pub struct HarmonicDistortion {
    capture: String,
    tones: Vec<Tone>,
}

#[derive(Debug, Serialize)]
struct Tone {
    nominal_hz: f64,
    total: Reading<Percentage>,
}

/// Watches the steps of one capture; each tone once.
pub struct ToneSteps {
    role: String,
    steps: Vec<Step>,
}

struct Step {
    frequency_hz: f64,
    level_db: f64,
    rate_hz: f64,
    frames: [u64; 2],
    /// Sums against cosine and sine of each multiple.
    sums: Vec<[f64; 2]>,
}

impl ToneSteps {
    /// Of a capture of tones at one level after the other, or one frequency after the
    /// other, made for one of the technical measurements; else none.
    pub fn of(capture: &Capture, rate_hz: f64) -> Option<Self> {
        let (tones, step_s): (Vec<(f64, f64)>, f64) = match &capture.stimulus {
            Stimulus::SteppedTones {
                frequencies_hz,
                step_s,
            } => {
                let level = capture.level_db_spl?;
                let each = frequencies_hz.iter().map(|hz| (*hz, level));
                (each.collect(), *step_s)
            }
            Stimulus::Staircase {
                frequency_hz,
                levels_db_spl,
                step_s,
            } => {
                let each = levels_db_spl.iter().map(|level| (*frequency_hz, *level));
                (each.collect(), *step_s)
            }
            _ => return None,
        };
        let asked_db = |wanted: f64| tones.iter().all(|tone| (tone.1 - wanted).abs() <= 2.0);
        let orders = match capture.role.as_str() {
            // Of other levels, it is not what the role asks for.
            "output_force_level" if asked_db(90.0) => 1,
            "full_on_sensitivity" if asked_db(50.0) => 1,
            "force_level_response" if asked_db(60.0) => 1,
            "input_output" => 1,
            "harmonic_distortion" => HIGHEST_ORDER,
            _ => return None,
        };
        let length = (step_s * rate_hz).round().max(1.0);
        let start = (capture.start_s * rate_hz).round();
        let end = capture.stop_s.unwrap_or(capture.duration_s) * rate_hz;
        let step = |(index, (hz, level_db)): (usize, &(f64, f64))| {
            let to = start + (index as f64 + 1.0) * length;
            let periods = ((1.0 - SETTLING) * length * hz / rate_hz).floor();
            let from = to - (periods * rate_hz / hz).round();
            let carried = (1..=orders).filter(|k| *k as f64 * hz < 0.5 * rate_hz);
            Step {
                frequency_hz: *hz,
                level_db: *level_db,
                rate_hz,
                frames: [from as u64, to as u64],
                sums: vec![[0.0; 2]; carried.count()],
            }
        };
        let steps = tones.iter().enumerate().map(step);
        Some(Self {
            role: capture.role.clone(),
            steps: steps.filter(|step| step.frames[1] as f64 <= end).collect(),
        })
    }

    /// Sees the force of a frame in N.
    pub fn push(&mut self, frame: u64, newtons: f64) {
        for step in &mut self.steps {
            if (step.frames[0]..step.frames[1]).contains(&frame) {
                for (k, sums) in step.sums.iter_mut().enumerate() {
                    let hz = (k + 1) as f64 * step.frequency_hz;
                    let turns = hz * (frame - step.frames[0]) as f64 / step.rate_hz;
                    let angle = TAU * (turns - libm::floor(turns));
                    sums[0] += newtons * libm::cos(angle);
                    sums[1] += newtons * libm::sin(angle);
                }
            }
        }
    }

    /// The largest outputs of capture `name`, if it was made for them.
    pub fn output(&self, name: &str) -> Option<OutputForceLevel> {
        (self.role == "output_force_level").then(|| {
            let largest = self.steps.iter().map(|step| step.mean_square(0));
            let at = |hz: &f64| {
                let step = self.steps.iter().find(|s| s.nominal_hz() == Some(*hz))?;
                Some(libm::log10(step.mean_square(0)) / AVERAGE_HZ.len() as f64)
            };
            let average: Option<f64> = AVERAGE_HZ.iter().map(at).sum();
            OutputForceLevel {
                capture: name.to_owned(),
                maximum: level(largest.reduce(f64::max)),
                high_frequency_average: level(average.map(|log| libm::pow(10.0, log))),
                curve: self.curve(),
            }
        })
    }

    fn curve(&self) -> Vec<Point> {
        let point = |step: &Step| {
            Some(Point {
                nominal_hz: step.nominal_hz()?,
                force: step.force(),
            })
        };
        self.steps.iter().filter_map(point).collect()
    }

    /// The gains of capture `name`, if it was made for them.
    pub fn full_on(&self, name: &str) -> Option<FullOnSensitivity> {
        let gain = |step: &Step| {
            Some(Gain {
                nominal_hz: step.nominal_hz()?,
                sensitivity: step.force().and(&step.sound(), |(force, _), (sound, _)| {
                    Reading::measured(force.over(sound), Uncertainty::EXACT)
                }),
            })
        };
        (self.role == "full_on_sensitivity").then(|| FullOnSensitivity {
            capture: name.to_owned(),
            curve: self.steps.iter().filter_map(gain).collect(),
        })
    }

    /// The response of capture `name`, if it was made for it.
    pub fn response(&self, name: &str) -> Option<ForceLevelResponse> {
        (self.role == "force_level_response").then(|| ForceLevelResponse {
            capture: name.to_owned(),
            curve: self.curve(),
        })
    }

    /// The staircase of capture `name`, if it was made for it.
    pub fn input_output(&self, name: &str) -> Option<InputOutput> {
        let nominal_hz = self.steps.first()?.nominal_hz()?;
        (self.role == "input_output").then(|| {
            let mut steps: Vec<&Step> = self.steps.iter().collect();
            steps.sort_by(|a, b| a.level_db.total_cmp(&b.level_db));
            let points = steps.iter().map(|step| Stair {
                force: step.force(),
            });
            InputOutput {
                capture: name.to_owned(),
                curves: [Curve {
                    nominal_hz,
                    points: points.collect(),
                }],
            }
        })
    }

    /// The distortion of the tones of the test, if capture `name` was made for it.
    pub fn distortion(&self, name: &str) -> Option<HarmonicDistortion> {
        let tested = |step: &Step| {
            let hz = step.nominal_hz()?;
            let wanted = DISTORTION
                .iter()
                .any(|(f, db)| *f == hz && *db == step.level_db);
            wanted.then(|| Tone {
                nominal_hz: hz,
                total: Reading::measured(Percentage(rounded(step.percent())), Uncertainty::EXACT),
            })
        };
        let tones: Vec<Tone> = self.steps.iter().filter_map(tested).collect();
        (self.role == "harmonic_distortion" && !tones.is_empty()).then(|| HarmonicDistortion {
            capture: name.to_owned(),
            tones,
        })
    }
}

impl Step {
    /// The midband frequency as it is named, where the tone is one.
    fn nominal_hz(&self) -> Option<f64> {
        let band = Band::containing(self.frequency_hz)?;
        let near = |hz: f64| (self.frequency_hz / hz - 1.0).abs() < 0.005;
        (near(band.exact_hz()) || near(band.nominal_hz())).then(|| band.nominal_hz())
    }

    fn force(&self) -> Reading<ForceLevel> {
        level(Some(self.mean_square(0)))
    }

    fn sound(&self) -> Reading<PressureLevel> {
        Reading::measured(PressureLevel::from_db(self.level_db), Uncertainty::EXACT)
    }

    /// In N², of the multiple after the first `index`.
    fn mean_square(&self, index: usize) -> f64 {
        let count = (self.frames[1] - self.frames[0]).max(1) as f64;
        let [c, s] = self.sums[index];
        2.0 * (c * c + s * s) / (count * count)
    }

    fn percent(&self) -> f64 {
        let harmonics: f64 = (1..self.sums.len()).map(|k| self.mean_square(k)).sum();
        100.0 * libm::sqrt(harmonics / self.mean_square(0))
    }
}
