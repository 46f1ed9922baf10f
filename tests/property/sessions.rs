//! Simulated sessions whose errors are drawn from the budget that they state,
//! and how often the stated intervals hold the truth.
//!
//! White noise at the microphone; a device that makes force of it and adds noise
//! of its own; sound from the front, then from behind. Every session has another
//! noise, and errors of its sensitivities, responses and mounting that are normal
//! with half of the expanded uncertainty. A captured band is short, so that chance
//! weighs as much as the calibration.

use std::collections::BTreeMap;

use micronewton::levels::{Levels, Needs, Scope, reduce};
use micronewton::measurement::{Captures, Kind, Options};
use micronewton::quantity::{Band, BandRange, Observation, Origin, Uncertainty, observations};
use micronewton::{Calibrated, Calibration};

const RATE_HZ: u32 = 16_000;
/// Power density of the sound in Pa²/Hz.
const SOUND: f64 = 1e-6;
/// Device from the front and from behind, in N/Pa, and the density of its own
/// noise in N²/Hz.
const GAINS: [f64; 2] = [2e-3, 6e-4];
const NOISE: f64 = 1e-13;

/// Expanded uncertainties in dB, k = 2.
#[derive(Clone, Copy)]
pub struct Stated {
    pub transducer: f64,
    pub force_response: f64,
    pub remounting: f64,
    pub microphone: f64,
    pub microphone_response: f64,
}

impl Stated {
    /// Calibration without error: chance alone is left.
    pub const EXACT: Self = Self {
        transducer: 0.0,
        force_response: 0.0,
        remounting: 0.0,
        microphone: 0.0,
        microphone_response: 0.0,
    };

    fn calibration(&self) -> Calibration {
        let text = format!(
            "schema = 1\n[recorder]\nfull_scale_v = 1.0\n\
             [force]\nchannel = 1\nsensitivity_v_per_n = 1.0\nresponse = \"force\"\n\
             expanded_uncertainty_db = {:.3}\nremounting_expanded_db = {:.3}\n\
             [microphone]\nchannel = 2\nsensitivity_v_per_pa = 1.0\nresponse = \"microphone\"\n\
             expanded_uncertainty_db = {:.3}\n",
            self.transducer, self.remounting, self.microphone
        );
        Calibration::parse(&text, &mut |name| {
            let u = match name {
                "force" => self.force_response,
                _ => self.microphone_response,
            };
            Ok(format!(
                "frequency_hz,magnitude_db,expanded_uncertainty_db\n20,0,{u}\n8000,0,{u}\n"
            ))
        })
        .unwrap()
    }
}

/// Normal numbers: SplitMix64 through the polar method.
pub struct Normal(u64);

impl Normal {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 * 2f64.powi(-52) - 1.0
    }

    /// Two independent numbers of variance 1.
    pub fn pair(&mut self) -> [f64; 2] {
        loop {
            let (a, b) = (self.uniform(), self.uniform());
            let square = a * a + b * b;
            if square > 0.0 && square < 1.0 {
                let scale = (-2.0 * square.ln() / square).sqrt();
                return [a * scale, b * scale];
            }
        }
    }
}

/// How many intervals held the truth, of how many.
#[derive(Clone, Copy, Default)]
pub struct Count {
    pub held: usize,
    pub stated: usize,
}

impl Count {
    pub fn percent(self) -> f64 {
        100.0 * self.held as f64 / self.stated as f64
    }
}

/// Measures `sessions` sessions of captures of `seconds`, their errors drawn from
/// `drawn`, and counts for one band of each, so that they are independent draws.
pub fn coverage(
    drawn: Stated,
    stated: Stated,
    range: BandRange,
    seconds: f64,
    sessions: usize,
) -> BTreeMap<&'static str, Count> {
    let calibration = stated.calibration();
    let bands: Vec<Band> = range.bands().collect();
    let mut chance = Normal::new(sessions as u64);
    let mut counts: BTreeMap<&str, Count> = BTreeMap::new();
    for session in 0..sessions {
        let [transducer, force_response] = chance.pair();
        let [remounting, microphone] = chance.pair();
        let [microphone_response, _] = chance.pair();
        let force_db = 0.5
            * (drawn.transducer * transducer
                + drawn.force_response * force_response
                + drawn.remounting * remounting);
        let sound_db =
            0.5 * (drawn.microphone * microphone + drawn.microphone_response * microphone_response);
        let scales = [force_db, sound_db].map(|db| 10f64.powf(db / 20.0));
        let [front, back] = GAINS.map(|gain| {
            let mut levels = capture(&mut chance, gain, scales, range, seconds);
            levels.channels = calibration.channels().clone();
            levels
        });
        let band = bands[session % bands.len()];
        let width_db = 10.0 * band.width_hz().log10();
        let [front_force, back_force] =
            GAINS.map(|gain| 10.0 * (gain * gain * SOUND + NOISE).log10());
        let sound = 10.0 * SOUND.log10();
        let levels = measured(Kind::Levels, &[("capture", &front)]);
        let directional = measured(Kind::Directional, &[("front", &front), ("back", &back)]);
        let mut count = |name, error: f64, expanded: f64| {
            let count = counts.entry(name).or_default();
            count.stated += 1;
            count.held += usize::from(error.abs() <= expanded);
        };
        let mut hold = |name, found: &[Observation], quantity: &str, at, truth: f64| {
            let o = found
                .iter()
                .find(|o| o.quantity == quantity && o.nominal_hz == at)
                .unwrap();
            count(name, o.value.unwrap() - truth, drawn_part(&o.budget));
        };
        let at = Some(band.nominal_hz());
        hold(
            "force.leq",
            &levels,
            "force.leq",
            at,
            front_force + width_db + 120.0,
        );
        let sound_level = sound + width_db - 20.0 * 20e-6f64.log10();
        hold("microphone.leq", &levels, "microphone.leq", at, sound_level);
        let whole: f64 = bands.iter().map(|band| band.width_hz()).sum();
        let sum = front_force + 10.0 * whole.log10() + 120.0;
        hold("force.band_sum", &levels, "force.band_sum", None, sum);
        let difference = front_force - back_force;
        hold(
            "front_to_back",
            &directional,
            "front_to_back",
            at,
            difference,
        );
        hold("broadband", &directional, "broadband", None, difference);
        let weighted = "importance_weighted.mean";
        hold("weighted", &directional, weighted, None, difference);
        let gain = front.gain(&[session % bands.len()]).unwrap().unwrap();
        let expanded = drawn_part(&gain.uncertainty);
        count("gain", gain.db - (front_force - sound), expanded);
    }
    counts
}

/// The expanded uncertainty without the part of the filters: they are the same in
/// every session, so that part bounds an error that is not drawn.
fn drawn_part(budget: &Uncertainty) -> f64 {
    let drawn = budget
        .parts()
        .filter(|(origin, _)| *origin != Origin::Analysis);
    drawn
        .map(|(_, part)| part.unwrap().powi(2))
        .sum::<f64>()
        .sqrt()
}

/// One capture in N and Pa, each channel too large by its factor in `scales`.
fn capture(
    chance: &mut Normal,
    gain: f64,
    scales: [f64; 2],
    range: BandRange,
    seconds: f64,
) -> Levels {
    let half_rate = f64::from(RATE_HZ) / 2.0;
    let [sound, noise] = [SOUND, NOISE].map(|density| (density * half_rate).sqrt());
    let frames = (0..(seconds * f64::from(RATE_HZ)) as usize).map(|_| {
        let [a, b] = chance.pair();
        let pressure = sound * a;
        [
            scales[0] * (gain * pressure + noise * b),
            scales[1] * pressure,
        ]
    });
    let signal = Calibrated::from_signal(RATE_HZ, frames.collect());
    let needs = Needs {
        bands: true,
        ..Needs::NONE
    };
    let scope = Scope {
        range,
        ..Scope::default()
    };
    reduce(signal, needs, scope, &mut |_| {}).unwrap()
}

fn measured(kind: Kind, parts: &[(&'static str, &Levels)]) -> Vec<Observation> {
    let captures = Captures::new(kind, parts.iter().copied());
    let outcome = kind.measure(&captures, &Options::default()).unwrap();
    observations(&serde_json::to_value(&outcome).unwrap())
}
