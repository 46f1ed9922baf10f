//! Varied captures of simulated true loops and clean controls, by number: the
//! same number gives the same capture. Used by the suite (a few of them) and by
//! `cargo bench --bench feedback` (all).

use crate::sounds::{spoken, write_speech};
use micronewton::Calibrated;
use micronewton::bench::{Renderer, Scenario, render};
use micronewton::levels::{Levels, Scope, reduce};
use micronewton::measurement::feedback::{Change, Found, NEEDS, Outcome};
use micronewton::measurement::{self, Captures, Kind, Options};

pub const RATE_HZ: u32 = 24_000;

/// A small generator of numbers from a seed (Knuth's linear congruence).
pub struct Draw(u64);

impl Draw {
    pub fn new(seed: u64) -> Self {
        let mut draw = Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) + 1);
        draw.unit();
        draw
    }

    /// From 0 to 1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[(self.unit() * list.len() as f64) as usize]
    }
}

/// What is played.
#[allow(dead_code, reason = "the suite plays a part of them")]
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Played {
    Pink,
    SpeechNoise,
    Speech,
    Silence,
    Tone,
    Sweep,
}

impl Played {
    fn toml(self) -> &'static str {
        match self {
            Self::Pink => "level_db_spl = 65\nstimulus = { kind = \"pink\" }",
            Self::SpeechNoise => "level_db_spl = 65\nstimulus = { kind = \"speech_noise\" }",
            Self::Speech => {
                "level_db_spl = 65\nstimulus = { kind = \"speech\", file = \"speech.wav\" }"
            }
            Self::Silence => "",
            Self::Tone => "level_db_spl = 70\nstimulus = { kind = \"tone\", frequency_hz = 1330 }",
            Self::Sweep => "level_db_spl = 70\nstimulus = { kind = \"sweep\", length_s = 2.5 }",
        }
    }
}

/// One capture to render.
#[derive(Debug, Clone)]
pub struct Case {
    /// Picks device, path and noise.
    pub device: u64,
    /// Picks noise alone.
    pub noise: u64,
    pub played: Played,
    pub seconds: f64,
    /// Margin before oscillation in dB; `None`: no loop.
    pub margin_db: Option<f64>,
    /// When the loop is closed; the whole time without.
    pub closed_s: Option<[f64; 2]>,
    /// Compression ratio, attack and release in seconds.
    pub compression: Option<[f64; 3]>,
    /// By how much the device is turned up, in dB; the margin is what is then left.
    pub louder_db: f64,
    /// Level at the reference microphone of what comes back, re the device's own, in
    /// dB; `None`: it hears nothing of it.
    pub to_reference_db: Option<f64>,
}

impl Case {
    pub fn new(number: u64, played: Played, margin_db: Option<f64>) -> Self {
        Self {
            device: number,
            noise: number,
            played,
            seconds: 10.0,
            margin_db,
            closed_s: None,
            compression: None,
            louder_db: 0.0,
            to_reference_db: None,
        }
    }

    fn scenario(&self) -> Scenario {
        let mut draw = Draw::new(self.device);
        let delay_s = draw.between(0.0045, 0.010);
        let gains: Vec<f64> = (0..4)
            .map(|_| draw.between(26.0, 33.0) + self.louder_db)
            .collect();
        let (resonance_hz, resonance_q) = (draw.between(650.0, 1000.0), draw.between(1.5, 2.5));
        let back_s = draw.between(0.0002, 0.0012);
        let path = [draw.between(900.0, 4500.0), draw.between(2.0, 12.0)];
        let second = [
            draw.between(900.0, 4500.0),
            draw.between(2.0, 8.0),
            -draw.between(6.0, 20.0),
        ];
        let noise_db = draw.of(&[20.0, 27.0]);
        let compression = self
            .compression
            .map_or_else(String::new, |[ratio, attack, release]| {
                format!(
                    "[device.compression]\ncrossovers_hz = [900, 2500]\nratio = [{ratio}]\n\
                 attack_s = {attack}\nrelease_s = {release}\n"
                )
            });
        let path = format!(
            "resonance = [{{ frequency_hz = {}, q = {} }}, {{ frequency_hz = {}, q = {}, gain_db = {} }}]\n",
            path[0], path[1], second[0], second[1], second[2],
        );
        let back = match (self.to_reference_db, self.margin_db) {
            (Some(db), Some(margin)) => format!(
                "[feedback.acoustic]\ndelay_s = {back_s}\nmargin_db = {margin}\nto_reference_db = {db}\n{path}"
            ),
            _ => format!(
                "[feedback.cable]\ndelay_s = {back_s}\nmargin_db = 0\nfreed_by_db = 60\n{path}"
            ),
        };
        let tense = match (
            self.margin_db.filter(|_| self.to_reference_db.is_none()),
            self.closed_s,
        ) {
            (None, _) => String::new(),
            (Some(margin), times) => {
                let times = times.map_or_else(String::new, |[from, to]| {
                    format!("tense_from_s = {from}\ntense_to_s = {to}\n")
                });
                format!("cable = \"tense\"\ntension_db = {}\n{times}", -margin)
            }
        };
        let text = format!(
            "schema = 1\nseed = {}\nrate_hz = {RATE_HZ}\n\
             [recorder]\nbits = 32\nnoise_db_fs = -110\n\
             [room]\nnoise_db_spl = 50\n\
             [device]\nprocessing_delay_s = {delay_s}\n\
             gain_db = [[250, {}], [800, {}], [2500, {}], [6000, {}]]\n\
             [device.limiter]\nceiling_db = 112\n\
             [device.transducer]\nresonance_hz = {resonance_hz}\nresonance_q = {resonance_q}\n\
             [device.noise]\ninput_db_spl = {noise_db}\n{compression}\
             {back}\
             [[capture]]\nname = \"a\"\nrole = \"general\"\nduration_s = {}\n{}\n{tense}",
            self.noise,
            gains[0],
            gains[1],
            gains[2],
            gains[3],
            self.seconds,
            self.played.toml(),
        );
        Scenario::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
    }

    /// Newtons and pascals.
    pub fn frames(&self) -> Vec<[f64; 2]> {
        let scenario = self.scenario();
        let speech = (self.played == Played::Speech).then(|| spoken(self.device));
        let mut renderer = Renderer::new(&scenario, 0, speech.as_deref()).unwrap();
        let mut frames = vec![[0.0; 2]; (self.seconds * f64::from(RATE_HZ)).round() as usize];
        renderer.block(&mut frames);
        // 0.132 V/N and 0.05 V/Pa at 1 V full scale.
        for frame in &mut frames {
            *frame = [frame[0] / 0.132, frame[1] / 0.05];
        }
        frames
    }

    /// The margin at the mean gains of the capture, as the bench states it.
    #[allow(dead_code, reason = "for devices that compress")]
    pub fn true_margin_db(&self) -> f64 {
        let folder = tempfile::tempdir().unwrap();
        write_speech(&folder.path().join("speech.wav"), self.device);
        let scenario = self.scenario();
        render(&scenario, folder.path(), folder.path(), &mut |_, _| {}).unwrap();
        let text = std::fs::read_to_string(folder.path().join("truth.json")).unwrap();
        let truth: serde_json::Value = serde_json::from_str(&text).unwrap();
        let entries = truth["entries"].as_array().unwrap();
        let feedback = entries.iter().find(|e| e["entry"] == "feedback").unwrap();
        feedback["margin"]["gain_margin"]["value"].as_f64().unwrap()
    }

    pub fn found(&self) -> Found {
        found(self.frames())
    }

    /// The same sound with another noise and the device off.
    #[allow(dead_code, reason = "the bench has no use for it")]
    pub fn off(&self) -> Vec<[f64; 2]> {
        let off = Self {
            margin_db: None,
            to_reference_db: None,
            louder_db: -80.0,
            noise: self.noise + 40_000,
            ..self.clone()
        };
        off.frames()
    }

    /// What is found beside a substitution capture.
    #[allow(dead_code, reason = "the bench has no use for it")]
    pub fn found_with_substitution(&self) -> Found {
        let (capture, off) = (levels(self.frames()), levels(self.off()));
        match outcome([("capture", &capture), ("substitution", &off)]) {
            Outcome::Capture(found) => *found,
            other => panic!("{other:?}"),
        }
    }
}

pub fn levels(frames: Vec<[f64; 2]>) -> Levels {
    let signal = Calibrated::from_signal(RATE_HZ, frames);
    reduce(signal, NEEDS, Scope::default(), &mut |_| {}).unwrap()
}

fn outcome<'a>(captures: impl IntoIterator<Item = (&'a str, &'a Levels)>) -> Outcome {
    let captures = Captures::new(Kind::Feedback, captures);
    let outcome = Kind::Feedback.measure(&captures, &Options::default());
    match outcome.unwrap() {
        measurement::Outcome::Feedback(outcome) => outcome,
        other => panic!("{other:?}"),
    }
}

pub fn found(frames: Vec<[f64; 2]>) -> Found {
    match outcome([("capture", &levels(frames))]) {
        Outcome::Capture(found) => *found,
        other => panic!("{other:?}"),
    }
}

pub fn change(before: &Case, after: &Case) -> Change {
    let (before, after) = (levels(before.frames()), levels(after.frames()));
    match outcome([("before", &before), ("after", &after)]) {
        Outcome::Pair { change } => *change,
        other => panic!("{other:?}"),
    }
}
