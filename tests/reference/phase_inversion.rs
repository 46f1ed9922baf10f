//! Speech and noise taken apart by phase inversion (Hagerman and Olofsson 2004). The
//! outside value is that of the definition: the test knows speech and noise
//! and puts either by itself through the same filter and the same gain over time.

use std::f64::consts::PI;

use micronewton::Calibrated;
use micronewton::levels::{Bands, Interval, Levels, Scope, reduce};
use micronewton::measurement::{Captures, Kind, Options, Outcome, phase_inversion};
use micronewton::quantity::{BandRange, Reading, Role};

use crate::signals::{bands, db, pink, speech, white};

const FROM_S: f64 = 1.0;
const ROLES: [&str; 4] = [
    "speech_plus_noise",
    "speech_minus_noise",
    "speech_plus_noise_on",
    "speech_minus_noise_on",
];

/// Speech and noise, and the gain in dB that the feature has over time.
struct Scene {
    rate_hz: u32,
    speech: Vec<f64>,
    noise: Vec<f64>,
    gain_db: Vec<f64>,
}

impl Scene {
    /// `length_s` of speech of 65 dB SPL in noise; the gain is turned down, by up to
    /// `depth_db`, where the speech is weaker than 70 dB SPL.
    fn new(length_s: f64, signal_to_noise_db: f64, depth_db: f64) -> Self {
        let (rate_hz, spoken) = speech();
        let frames = (length_s * f64::from(rate_hz)) as usize;
        let level = |samples: Vec<f64>, db: f64| -> Vec<f64> {
            let square = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
            let gain = 20e-6 * 10f64.powf(db / 20.0) / square.sqrt();
            samples.into_iter().map(|x| gain * x).collect()
        };
        let speech = level(spoken.into_iter().cycle().take(frames).collect(), 65.0);
        let noise = level(pink(5, frames, 1.0), 65.0 - signal_to_noise_db);
        let (mut square, mut gain) = (0.0, 0.0);
        let slow = |s: f64| 1.0 / (s * f64::from(rate_hz));
        let gain_db = speech
            .iter()
            .map(|x| {
                square += slow(0.03) * (x * x - square);
                let level_db = 10.0 * (square / 4e-10).log10();
                let wanted = -depth_db * ((70.0 - level_db) / 10.0).clamp(0.0, 1.0);
                gain += slow(0.05) * (wanted - gain);
                gain
            })
            .collect();
        Self {
            rate_hz,
            speech,
            noise,
            gain_db,
        }
    }

    /// What the feature makes of `part`: the gain over time, and the lows below some
    /// 400 Hz turned down by 14 dB.
    fn through(&self, part: &[f64]) -> Vec<f64> {
        let step = 1.0 - (-2.0 * PI * 400.0 / f64::from(self.rate_hz)).exp();
        let mut low = 0.0;
        let each = part.iter().zip(&self.gain_db);
        each.map(|(x, gain_db)| {
            low += step * (x - low);
            10f64.powf(gain_db / 20.0) * (x - 0.8 * low)
        })
        .collect()
    }

    /// Force and sound: `sign` times the noise, from frame `begin` on, louder by
    /// `louder_db`, a fraction of a sample later. The device is 6 ms late and has
    /// noise of its own, as has the room.
    fn frames(&self, sign: f64, reduced: bool, recorded: &Recorded) -> Vec<[f64; 2]> {
        let amplitude = 10f64.powf(recorded.louder_db / 20.0);
        let count = self.speech.len();
        let mixed: Vec<f64> = (0..count)
            .map(|n| amplitude * (self.speech[n] + sign * self.noise[n]))
            .collect();
        let force = if reduced {
            self.through(&mixed)
        } else {
            mixed.clone()
        };
        let [sound, force] = [mixed, force].map(|x| later(&x, recorded.fraction));
        let own = white(recorded.seed, count, 2e-6);
        let room = white(recorded.seed + 1, count, 2e-6);
        let delay = (0.006 * f64::from(self.rate_hz)) as usize;
        let late = |n: usize| n.checked_sub(delay).map_or(0.0, |n| force[n]);
        (recorded.begin..count)
            .map(|n| [late(n) + own[n], sound[n] + room[n]])
            .collect()
    }
}

/// How one recording was made.
struct Recorded {
    begin: usize,
    louder_db: f64,
    fraction: f64,
    seed: u64,
}

/// `samples` a fraction of a sample later: windowed sinc, 32 samples to either side.
fn later(samples: &[f64], fraction: f64) -> Vec<f64> {
    let tap = |k: i64| {
        let x = k as f64 - fraction;
        let sinc = if x == 0.0 {
            1.0
        } else {
            (PI * x).sin() / (PI * x)
        };
        sinc * (0.5 + 0.5 * (PI * x / 33.0).cos())
    };
    let taps: Vec<f64> = (-32..=32).map(tap).collect();
    (0..samples.len())
        .map(|n| {
            let at = |(i, tap): (usize, &f64)| {
                let k = (n + 32).checked_sub(i)?;
                Some(tap * samples.get(k)?)
            };
            taps.iter().enumerate().filter_map(at).sum()
        })
        .collect()
}

fn reduced(rate_hz: u32, frames: Vec<[f64; 2]>) -> Levels {
    let scope = Scope {
        interval: Interval {
            from_s: Some(FROM_S),
            to_s: None,
        },
        ..Scope::default()
    };
    let signal = Calibrated::from_signal(rate_hz, frames);
    reduce(signal, Kind::PhaseInversion.needs(), scope, &mut |_| {}).unwrap()
}

/// Four recordings that begin at different times, each a little off.
fn measured(scene: &Scene, louder_db: f64) -> phase_inversion::Outcome {
    let each = [(1.0, false), (-1.0, false), (1.0, true), (-1.0, true)];
    let levels: Vec<Levels> = each
        .into_iter()
        .zip([(0, 0.0), (9123, 0.37), (3001, 0.61), (17, 0.5)])
        .zip(0..)
        .map(|(((sign, reduces), (begin, fraction)), index)| {
            let recorded = Recorded {
                begin,
                louder_db: louder_db * f64::from(index),
                fraction,
                seed: 100 + 2 * index as u64,
            };
            reduced(scene.rate_hz, scene.frames(sign, reduces, &recorded))
        })
        .collect();
    outcome(ROLES.into_iter().zip(&levels))
}

fn outcome<'a>(captures: impl Iterator<Item = (&'a str, &'a Levels)>) -> phase_inversion::Outcome {
    let captures = Captures::new(Kind::PhaseInversion, captures);
    let outcome = Kind::PhaseInversion.measure(&captures, &Options::default());
    let Outcome::PhaseInversion(outcome) = outcome.unwrap() else {
        unreachable!()
    };
    outcome
}

/// Speech or noise alone before and after the feature.
fn truth(scene: &Scene, part: &[f64]) -> Bands {
    let after = scene.through(part);
    let frames = after
        .iter()
        .zip(part)
        .map(|(force, sound)| [*force, *sound]);
    let interval = Interval {
        from_s: Some(FROM_S + 0.2),
        to_s: None,
    };
    bands(
        scene.rate_hz,
        frames.collect(),
        BandRange::default(),
        interval,
    )
}

fn gain_db(bands: &Bands, columns: &[usize]) -> f64 {
    db(bands.power_of(Role::Force, columns) / bands.power_of(Role::Microphone, columns))
}

#[test]
fn the_change_of_the_signal_to_noise_ratio_comes_back_within_0_3_db() {
    for (length_s, signal_to_noise_db, depth_db, louder_db) in [
        (12.0, 0.0, 10.0, 0.0),
        (30.0, 5.0, 6.0, 0.4),
        (30.0, -5.0, 12.0, -0.1),
    ] {
        let scene = Scene::new(length_s, signal_to_noise_db, depth_db);
        let found = measured(&scene, louder_db);
        let [speech, noise] = [&scene.speech, &scene.noise].map(|part| truth(&scene, part));
        let columns: Vec<usize> = (0..found.bands.len())
            .filter(|i| {
                found.bands[*i]
                    .change
                    .signal_to_noise_change
                    .figure()
                    .is_some()
            })
            .collect();
        assert!(columns.len() >= 14, "{} bands: {found:?}", columns.len());
        let expected = gain_db(&speech, &columns) - gain_db(&noise, &columns);
        let broadband = &found.broadband;
        let figure = broadband.signal_to_noise_change.figure().unwrap().db();
        assert!(expected > 0.5, "{expected}: too little to tell anything");
        assert!((figure - expected).abs() < 0.3, "{expected}: {figure}");
        let loss = broadband.speech_loss.figure().unwrap().db();
        assert!((loss + gain_db(&speech, &columns)).abs() < 0.3, "{loss}");
        let mut covered = 0;
        for column in &columns {
            let expected = gain_db(&speech, &[*column]) - gain_db(&noise, &[*column]);
            let reading = &found.bands[*column].change.signal_to_noise_change;
            let Reading::Measured(figure, budget) = reading else {
                unreachable!()
            };
            let error = (figure.db() - expected).abs();
            assert!(error < 0.3, "{expected}: {reading:?}");
            covered += usize::from(error <= budget.expanded().unwrap());
        }
        assert!(
            covered * 20 >= columns.len() * 19,
            "{covered} of {}",
            columns.len()
        );
    }
}

#[test]
fn what_is_no_inverted_pair_is_refused() {
    let scene = Scene::new(12.0, 0.0, 10.0);
    let record = |sign: f64, seed: u64| {
        let recorded = Recorded {
            begin: 0,
            louder_db: 0.0,
            fraction: 0.0,
            seed,
        };
        reduced(scene.rate_hz, scene.frames(sign, false, &recorded))
    };
    let (plus, minus) = (record(1.0, 1), record(-1.0, 3));
    // The noise was forgotten to be inverted.
    let again = record(1.0, 5);
    let found = outcome(ROLES.into_iter().zip([&plus, &again, &plus, &minus]));
    let reading = &found.broadband.signal_to_noise_change;
    assert!(reading.figure().is_none(), "{reading:?}");
    // Another noise.
    let other = Scene {
        noise: pink(99, scene.noise.len(), 1.0)
            .into_iter()
            .zip(&scene.noise)
            .map(|(x, _)| x * 0.01)
            .collect(),
        ..Scene::new(12.0, 0.0, 10.0)
    };
    let recorded = Recorded {
        begin: 0,
        louder_db: 0.0,
        fraction: 0.0,
        seed: 7,
    };
    let other = reduced(scene.rate_hz, other.frames(-1.0, false, &recorded));
    let found = outcome(ROLES.into_iter().zip([&plus, &other, &plus, &minus]));
    let reading = &found.broadband.signal_to_noise_change;
    assert!(reading.figure().is_none(), "{reading:?}");
}
