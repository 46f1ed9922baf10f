//! What was truly there, with the keys of the record.

mod band_level;
mod directional_at_once;
mod directivity;
mod equivalent_input_noise;
mod jumps;
mod line;
mod phase_inversion;
mod sensitivity;
mod tones;

use serde::Serialize;

use super::loop_gain::Worst;
use super::renderer::Renderer;
use super::scenario::{Cable, Capture, Scenario};
use super::spectrum::Colour;
use crate::quantity::level::{Level, Reference};
use crate::quantity::{
    Band, BandRange, ForceLevel, LevelDifference, PressureLevel, Reading, Role, Seconds,
    Uncertainty,
};
use band_level::BandLevels;
use directional_at_once::DirectionalAtOnce;
use directivity::Directivity;
use equivalent_input_noise::EquivalentInputNoise;
use jumps::Jumps;
use line::LineCourse;
use phase_inversion::PhaseInversion;
use sensitivity::Sensitivity;
use tones::ToneSteps;

/// The true values of a scenario.
#[derive(Debug, Serialize)]
pub struct Truth {
    schema: u32,
    entries: Vec<Entry>,
}

#[derive(Debug, Serialize)]
#[serde(tag = "entry", rename_all = "snake_case")]
enum Entry {
    Levels(Levels),
    Feedback(Feedback),
    Directional(Directional),
    DirectionalAtOnce(DirectionalAtOnce),
    Directivity(Directivity),
    Sensitivity(Sensitivity),
    EquivalentInputNoise(EquivalentInputNoise),
    NoiseReduction(NoiseReduction),
    PhaseInversion(PhaseInversion),
    NoiseReductionOnset(NoiseReductionOnset),
    OutputForceLevel(tones::OutputForceLevel),
    FullOnSensitivity(tones::FullOnSensitivity),
    ForceLevelResponse(tones::ForceLevelResponse),
    HarmonicDistortion(tones::HarmonicDistortion),
    InputOutput(tones::InputOutput),
    AttackRelease(jumps::AttackRelease),
}

#[derive(Debug, Serialize)]
struct Levels {
    capture: String,
    channels: (ChannelLevels<ForceLevel>, ChannelLevels<PressureLevel>),
}

#[derive(Debug, Serialize)]
#[serde(bound = "Reading<L>: Serialize")]
struct ChannelLevels<L> {
    role: Role,
    unit: &'static str,
    reference: &'static str,
    bands: Vec<BandLevel<L>>,
}

#[derive(Debug, Serialize)]
#[serde(bound = "Reading<L>: Serialize")]
struct BandLevel<L> {
    #[serde(flatten)]
    band: Band,
    leq: Reading<L>,
}

#[derive(Debug, Serialize)]
struct Feedback {
    capture: String,
    events: Vec<Event>,
    margin: Margin,
}

#[derive(Debug, Serialize)]
struct Event {
    frequency_hz: f64,
    start_s: f64,
    end_s: f64,
    level: Reading<ForceLevel>,
}

#[derive(Debug, Serialize)]
struct Margin {
    gain_margin: Reading<LevelDifference>,
    #[serde(skip_serializing_if = "Option::is_none")]
    frequency_hz: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    loop_delay_s: Option<f64>,
}

#[derive(Debug, Serialize)]
struct Directional {
    front: String,
    back: String,
    bands: Vec<BandDifference>,
}

#[derive(Debug, Serialize)]
struct BandDifference {
    #[serde(flatten)]
    band: Band,
    front_to_back: Reading<LevelDifference>,
}

#[derive(Debug, Serialize)]
struct NoiseReduction {
    noise_reduction_off: String,
    noise_reduction_on: String,
    bands: Vec<BandReduction>,
}

#[derive(Debug, Serialize)]
struct BandReduction {
    #[serde(flatten)]
    band: Band,
    noise_reduction: Reading<LevelDifference>,
}

#[derive(Debug, Serialize)]
struct NoiseReductionOnset {
    capture: String,
    noise_begins: Reading<Seconds>,
    broadband: Onset,
}

#[derive(Debug, Serialize)]
struct Onset {
    noise_reduction: Reading<LevelDifference>,
    time_constant: Reading<Seconds>,
}

impl Truth {
    /// The truth of a scenario from that of its captures, in their order.
    pub fn new(scenario: &Scenario, captures: Vec<CaptureTruth>) -> Self {
        let directional = directional(scenario, &captures);
        let directivity = Directivity::of(scenario, &captures);
        let reduction = noise_reduction(scenario, &captures);
        let apart = PhaseInversion::of(scenario, &captures);
        let onsets = onsets(scenario);
        let each = captures.into_iter().flat_map(CaptureTruth::entries);
        Self {
            schema: 1,
            entries: each
                .chain(directional.map(Entry::Directional))
                .chain(directivity.map(Entry::Directivity))
                .chain(reduction.map(Entry::NoiseReduction))
                .chain(apart.map(Entry::PhaseInversion))
                .chain(onsets.into_iter().map(Entry::NoiseReductionOnset))
                .collect(),
        }
    }
}

/// Looks on while a capture is rendered.
pub struct Witness {
    frame: u64,
    interval: [u64; 2],
    force: BandLevels,
    pressure: BandLevels,
    line: Option<LineCourse>,
    tones: Option<ToneSteps>,
    jumps: Option<Jumps>,
    kept: Option<Vec<[f32; 2]>>,
    tense: bool,
}

/// The true values of one capture.
pub struct CaptureTruth {
    name: String,
    force: Vec<(Band, Option<f64>)>,
    pressure: Vec<(Band, Option<f64>)>,
    stretches: Vec<line::Stretch>,
    worst: Option<Worst>,
    tones: Option<ToneSteps>,
    jumps: Option<Jumps>,
    /// Force and pressure, of one of an inverted pair.
    kept: Option<Vec<[f32; 2]>>,
    /// Power gain of the device per band, weighted with the stimulus.
    gains: Vec<(Band, f64)>,
    /// For the capture from the front of a series: front over the mean of space, in dB.
    indices: Vec<f64>,
    at_once: Option<DirectionalAtOnce>,
    sensitivity: Option<Sensitivity>,
    noise: Option<EquivalentInputNoise>,
}

impl Witness {
    /// A witness of `capture`, which `renderer` is about to render.
    pub fn new(scenario: &Scenario, capture: &Capture, renderer: &Renderer) -> Self {
        let rate_hz = scenario.rate();
        let [from_s, to_s] = capture.interval_s();
        let tense_from_s = capture.tense_from_s.unwrap_or(0.0);
        let tense_to_s = capture.tense_to_s.unwrap_or(capture.duration_s);
        let tense = capture.cable == Cable::Tense && tense_from_s < to_s && tense_to_s > from_s;
        let unstable = renderer.worst(tense).filter(|worst| worst.margin_db < 0.0);
        let line = unstable.map(|worst| {
            // The next frequency of phase 0 lies 1/delay away.
            let search_hz = (0.5 / worst.delay_s.max(1e-3)).min(100.0);
            LineCourse::new(worst.frequency_hz, search_hz, tense_from_s, rate_hz)
        });
        let interval = [from_s, to_s].map(|s| (s * rate_hz).round() as u64);
        let levels = || BandLevels::new(rate_hz, interval[1] - interval[0]);
        Self {
            frame: 0,
            interval,
            force: levels(),
            pressure: levels(),
            line,
            tones: ToneSteps::of(capture, rate_hz),
            jumps: Jumps::of(capture, rate_hz),
            kept: phase_inversion::kept(capture),
            tense,
        }
    }

    /// Sees the force in N and the pressure in Pa of the next frame.
    pub fn see(&mut self, physical: [f64; 2]) {
        if (self.interval[0]..self.interval[1]).contains(&self.frame) {
            self.force.push(physical[0]);
            self.pressure.push(physical[1]);
            if let Some(kept) = &mut self.kept {
                kept.push(physical.map(|x| x as f32));
            }
        }
        if let Some(line) = &mut self.line {
            line.push(physical[0]);
        }
        if let Some(tones) = &mut self.tones {
            tones.push(self.frame, physical[0]);
        }
        if let Some(jumps) = &mut self.jumps {
            jumps.push(physical);
        }
        self.frame += 1;
    }

    /// What it saw.
    pub fn finish(
        self,
        scenario: &Scenario,
        capture: &Capture,
        renderer: &Renderer,
    ) -> CaptureTruth {
        CaptureTruth {
            name: capture.name.clone(),
            force: self.force.finish(),
            pressure: self.pressure.finish(),
            stretches: self.line.map_or_else(Vec::new, LineCourse::finish),
            worst: renderer.worst(self.tense),
            tones: self.tones,
            jumps: self.jumps,
            kept: self.kept,
            gains: gains(scenario, capture, renderer),
            indices: directivity::indices_db(scenario, capture, renderer),
            at_once: DirectionalAtOnce::of(scenario, capture, renderer),
            sensitivity: Sensitivity::of(scenario, capture, renderer),
            noise: EquivalentInputNoise::of(scenario, capture),
        }
    }
}

impl CaptureTruth {
    fn entries(self) -> impl Iterator<Item = Entry> {
        let levels = Levels {
            capture: self.name.clone(),
            channels: (
                channel(Role::Force, &self.force),
                channel(Role::Microphone, &self.pressure),
            ),
        };
        let worst = self.worst;
        let event = |stretch: line::Stretch| {
            Some(Event {
                frequency_hz: rounded(worst?.frequency_hz),
                start_s: rounded(stretch.start_s),
                end_s: rounded(stretch.end_s),
                level: level(Some(stretch.mean_square)),
            })
        };
        let tones = self.tones.as_ref();
        let output = tones.and_then(|tones| tones.output(&self.name));
        let full_on = tones.and_then(|tones| tones.full_on(&self.name));
        let response = tones.and_then(|tones| tones.response(&self.name));
        let distortion = tones.and_then(|tones| tones.distortion(&self.name));
        let staircase = tones.and_then(|tones| tones.input_output(&self.name));
        let jumps = self.jumps.as_ref().map(|jumps| jumps.finish(&self.name));
        let feedback = Feedback {
            capture: self.name,
            events: self.stretches.into_iter().filter_map(event).collect(),
            margin: Margin {
                gain_margin: match worst {
                    Some(worst) => difference(worst.margin_db),
                    None => Reading::not_measured("no sound comes back in phase"),
                },
                frequency_hz: worst.map(|worst| rounded(worst.frequency_hz)),
                loop_delay_s: worst.map(|worst| (worst.delay_s * 1e7).round() / 1e7),
            },
        };
        [Entry::Levels(levels), Entry::Feedback(feedback)]
            .into_iter()
            .chain(self.at_once.map(Entry::DirectionalAtOnce))
            .chain(self.sensitivity.map(Entry::Sensitivity))
            .chain(self.noise.map(Entry::EquivalentInputNoise))
            .chain(output.map(Entry::OutputForceLevel))
            .chain(full_on.map(Entry::FullOnSensitivity))
            .chain(response.map(Entry::ForceLevelResponse))
            .chain(staircase.map(Entry::InputOutput))
            .chain(distortion.map(Entry::HarmonicDistortion))
            .chain(jumps.map(Entry::AttackRelease))
    }
}

/// Four decimals: the transforms' last digits may differ between processors.
fn rounded(x: f64) -> f64 {
    (x * 1e4).round() / 1e4
}

fn difference(db: f64) -> Reading<LevelDifference> {
    Reading::measured(LevelDifference::from_db(rounded(db)), Uncertainty::EXACT)
}

fn level<R: Reference>(mean_square: Option<f64>) -> Reading<Level<R>> {
    match mean_square.and_then(Level::<R>::from_mean_square) {
        Some(level) => Reading::measured(Level::from_db(rounded(level.db())), Uncertainty::EXACT),
        None => Reading::not_measured("no signal"),
    }
}

fn channel<R: Reference>(role: Role, bands: &[(Band, Option<f64>)]) -> ChannelLevels<Level<R>> {
    let each = bands.iter().map(|(band, mean_square)| BandLevel {
        band: *band,
        leq: level(*mean_square),
    });
    ChannelLevels {
        role,
        unit: "dB",
        reference: R::TEXT,
        bands: each.collect(),
    }
}

/// Mean power gain of the device in each band for the direction and the spectrum
/// of the stimulus, from 64 slices; empty where the device is off.
fn gains(scenario: &Scenario, capture: &Capture, renderer: &Renderer) -> Vec<(Band, f64)> {
    if !["front", "back", "angle"].contains(&capture.role.as_str()) {
        return Vec::new();
    }
    let rate_hz = scenario.rate();
    let speech = Colour::speech(rate_hz);
    let bands = BandRange::default().bands();
    let carried = bands.filter(|band| band.upper_hz() <= rate_hz / 2.0);
    carried
        .filter_map(|band| {
            let width_hz = band.width_hz() / 64.0;
            let (mut out, mut sound) = (0.0, 0.0);
            for i in 0..64 {
                let hz = band.lower_hz() + (f64::from(i) + 0.5) * width_hz;
                let density = capture.stimulus.density(hz, &speech, rate_hz);
                let gain = renderer.response(hz, capture.direction_deg)?;
                out += density * gain.norm_sqr();
                sound += density;
            }
            Some((band, out / sound))
        })
        .collect()
}

/// Front-to-back truth of the one front and the one back capture: from the
/// geometry where the device is linear, else from the true levels.
fn directional(scenario: &Scenario, captures: &[CaptureTruth]) -> Option<Directional> {
    let (front, front_truth) = only(scenario, captures, "front")?;
    let (back, back_truth) = only(scenario, captures, "back")?;
    let linear = scenario.device.is_linear() && !front.noise_reduction && !back.noise_reduction;
    let db = |ratio: f64| 10.0 * libm::log10(ratio);
    let bands = if linear {
        let pairs = front_truth.gains.iter().zip(&back_truth.gains);
        pairs
            .map(|((band, front), (_, back))| (*band, Some(db(front / back))))
            .collect()
    } else {
        gain_differences(front_truth, back_truth)
    };
    Some(Directional {
        front: front.name.clone(),
        back: back.name.clone(),
        bands: bands
            .into_iter()
            .map(|(band, db)| BandDifference {
                band,
                front_to_back: known(db),
            })
            .collect(),
    })
}

/// The capture of a role that only one has, and its truth.
fn only<'a>(
    scenario: &'a Scenario,
    captures: &'a [CaptureTruth],
    role: &str,
) -> Option<(&'a Capture, &'a CaptureTruth)> {
    let all = scenario.captures().iter().zip(captures);
    let mut found = all.filter(|(capture, _)| capture.role == role);
    found.next().filter(|_| found.next().is_none())
}

fn known(db: Option<f64>) -> Reading<LevelDifference> {
    db.map_or_else(
        || Reading::not_measured("no signal in this band"),
        difference,
    )
}

/// Noise reduction of the one capture with it off and the one with it on, from
/// the true levels.
fn noise_reduction(scenario: &Scenario, captures: &[CaptureTruth]) -> Option<NoiseReduction> {
    let (off, off_truth) = only(scenario, captures, "noise_reduction_off")?;
    let (on, on_truth) = only(scenario, captures, "noise_reduction_on")?;
    let bands = gain_differences(off_truth, on_truth).into_iter();
    let reduction = |(band, db)| BandReduction {
        band,
        noise_reduction: known(db),
    };
    Some(NoiseReduction {
        noise_reduction_off: off.name.clone(),
        noise_reduction_on: on.name.clone(),
        bands: bands.map(reduction).collect(),
    })
}

/// Where the noise reduction sets in after quiet: what the device was told to do.
/// Compression would add its own course.
fn onsets(scenario: &Scenario) -> Vec<NoiseReductionOnset> {
    let settings = &scenario.device.noise_reduction;
    let acts = |capture: &&Capture| {
        let starts = capture.noise_reduction && capture.start_s > 0.0;
        capture.role == "noise_reduction_onset" && starts && scenario.device.is_linear()
    };
    let truth = |capture: &Capture| NoiseReductionOnset {
        capture: capture.name.clone(),
        noise_begins: Reading::measured(Seconds(capture.start_s), Uncertainty::EXACT),
        broadband: Onset {
            noise_reduction: difference(settings.depth_db),
            time_constant: Reading::measured(Seconds(settings.onset_s), Uncertainty::EXACT),
        },
    };
    scenario.captures().iter().filter(acts).map(truth).collect()
}

fn gain_differences(front: &CaptureTruth, back: &CaptureTruth) -> Vec<(Band, Option<f64>)> {
    let gain_db = |truth: &CaptureTruth, i: usize| {
        let ratio = truth.force.get(i)?.1? / truth.pressure.get(i)?.1?;
        Some(10.0 * libm::log10(ratio))
    };
    let each = front.force.iter().enumerate();
    each.map(|(i, (band, _))| {
        let pair = gain_db(front, i).zip(gain_db(back, i));
        (*band, pair.map(|(front, back)| front - back))
    })
    .collect()
}
