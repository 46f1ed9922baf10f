//! Loops that howl, sample by sample and apart from the simulated bench: the device
//! delays, colours, compresses and limits in two bands, and what comes back over
//! one or two resonant paths opens, closes and changes its delay. Truth follows
//! from the loop gain, not from the sound.

use std::f64::consts::TAU;

use rustfft::num_complex::Complex64;

use crate::cases::{Draw, Played, RATE_HZ};
use crate::sounds::sound;

/// How a loop howls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Manner {
    Steady,
    /// Closed for 0.65 s.
    Short,
    /// The path grows longer or shorter by some percent of the loop.
    Gliding,
    /// Closed four times, 0.8 s each.
    Intermittent,
    /// Two paths, one in either band.
    Simultaneous,
    /// The device compresses 2 : 1 from 50 dB SPL on, and the howl finds its level there.
    Compressing,
}

pub const MANNERS: [Manner; 6] = [
    Manner::Steady,
    Manner::Short,
    Manner::Gliding,
    Manner::Intermittent,
    Manner::Simultaneous,
    Manner::Compressing,
];

/// One way back.
#[derive(Debug, Clone, Copy)]
struct Path {
    resonance_hz: f64,
    q: f64,
    gain: f64,
}

/// One loop and what is played to it.
#[derive(Debug, Clone)]
pub struct Howl {
    pub number: u64,
    pub manner: Manner,
    pub played: Played,
    pub excess_db: f64,
    pub seconds: f64,
    /// When the loop is closed.
    pub closed_s: Vec<[f64; 2]>,
    delay: usize,
    back: f64,
    /// Change of the way back from the first closing to the last opening, in samples.
    glide: f64,
    colour_hz: f64,
    gain: f64,
    ceiling: f64,
    paths: Vec<Path>,
}

/// Where one-pole sections part the bands, in Hz.
const SPLIT_HZ: f64 = 1600.0;

impl Howl {
    pub fn new(number: u64) -> Self {
        // Neighbouring seeds begin alike: they are mixed (splitmix64, public).
        let mixed = (number + 1).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mut draw = Draw::new((mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB));
        let manner = MANNERS[number as usize % MANNERS.len()];
        let played = draw.of(&[
            Played::Silence,
            Played::Pink,
            Played::SpeechNoise,
            Played::Speech,
            Played::Tone,
        ]);
        let start = draw.between(1.0, 1.6);
        let closed_s = match manner {
            Manner::Short => vec![[start, start + 0.65]],
            Manner::Intermittent => (0..4)
                .map(|n| start + 1.5 * f64::from(n))
                .map(|from| [from, from + 0.8])
                .collect(),
            _ => vec![[start, start + draw.between(1.5, 2.5)]],
        };
        let mut path = |low: f64, high: f64| Path {
            resonance_hz: draw.between(low, high),
            q: draw.between(3.0, 10.0),
            gain: 1.0,
        };
        let paths = match manner {
            Manner::Simultaneous => vec![path(500.0, 1000.0), path(2400.0, 4500.0)],
            _ => vec![path(600.0, 4500.0)],
        };
        let mut howl = Self {
            manner,
            played,
            excess_db: draw.between(1.5, 6.0),
            seconds: closed_s[closed_s.len() - 1][1] + 1.2,
            closed_s,
            delay: (draw.between(0.0045, 0.010) * f64::from(RATE_HZ)) as usize,
            back: draw.between(5.0, 30.0),
            glide: match manner {
                Manner::Gliding => draw.of(&[-1.0, 1.0]) * draw.between(2.0, 6.0),
                _ => 0.0,
            },
            colour_hz: draw.between(1500.0, 5000.0),
            gain: 0.05 * 10f64.powf(draw.between(26.0, 33.0) / 20.0),
            ceiling: 1e-6 * 10f64.powf(draw.between(104.0, 114.0) / 20.0),
            paths,
            number,
        };
        if howl.glide < 0.0 {
            howl.back -= howl.glide;
        }
        for index in 0..howl.paths.len() {
            let alone = Self {
                paths: vec![howl.paths[index]],
                ..howl.clone()
            };
            let most = alone
                .modes(0.0)
                .into_iter()
                .map(|m| m.1)
                .fold(0.0, f64::max);
            howl.paths[index].gain = 10f64.powf(howl.excess_db / 20.0) / most;
        }
        howl
    }

    /// Loop gain while nothing compresses or limits; `share` of the glide is done.
    fn around(&self, hz: f64, share: f64) -> Complex64 {
        let turn = TAU * hz / f64::from(RATE_HZ);
        let z = |samples: f64| Complex64::from_polar(1.0, -turn * samples);
        let pole = (-TAU * self.colour_hz / f64::from(RATE_HZ)).exp();
        let colour = (1.0 - pole) / (Complex64::ONE - pole * z(1.0));
        let back: Complex64 = self
            .paths
            .iter()
            .map(|path| path.gain * Resonator::new(path).response(turn))
            .sum();
        // The force of one sample reaches the microphone with the next.
        self.gain * colour * z(self.delay as f64 + 1.0 + self.back + share * self.glide) * back
    }

    /// Frequencies of zero phase with the loop gain there.
    pub fn modes(&self, share: f64) -> Vec<(f64, f64)> {
        let hz = |n: usize| 200.0 + 2.0 * n as f64;
        let around: Vec<Complex64> = (0..4000).map(|n| self.around(hz(n), share)).collect();
        around
            .windows(2)
            .enumerate()
            .filter_map(|(n, pair)| {
                let crosses = (pair[0].im > 0.0) != (pair[1].im > 0.0) && pair[0].re > 0.0;
                let part = pair[0].im / (pair[0].im - pair[1].im);
                crosses.then(|| (hz(n) + 2.0 * part, pair[0].norm()))
            })
            .collect()
    }

    /// The frequencies with more than a loop gain at some time while it is closed;
    /// from 1 on they are unstable.
    pub fn modes_above(&self, least: f64) -> Vec<f64> {
        let shares = if self.glide == 0.0 { 0..=0 } else { 0..=20 };
        let mut found: Vec<f64> = shares
            .flat_map(|n| self.modes(f64::from(n) / 20.0))
            .filter(|mode| mode.1 > least)
            .map(|mode| mode.0)
            .collect();
        found.sort_by(f64::total_cmp);
        found.dedup_by(|a, b| *a - *b < 8.0);
        found
    }

    /// Newtons and pascals.
    pub fn frames(&self) -> Vec<[f64; 2]> {
        let rate = f64::from(RATE_HZ);
        let count = (self.seconds * rate) as usize;
        let sound = sound(self.played, count, self.number);
        let mut draw = Draw::new(self.number + 70_000);
        // White noise within 12 kHz: 25 dB SPL at the device, 20 dB SPL in the box.
        let mut white = |db: f64| {
            let sum: f64 = (0..3).map(|_| draw.unit() - 0.5).sum();
            20e-6 * 10f64.powf(db / 20.0) * 2.0 * sum
        };
        let first = self.closed_s[0][0];
        let last = self.closed_s[self.closed_s.len() - 1][1];
        let mut resonators: Vec<(f64, Resonator)> = self
            .paths
            .iter()
            .map(|path| (path.gain, Resonator::new(path)))
            .collect();
        let mut heard = vec![0.0; count];
        let mut force = vec![0.0; count];
        let pole = (-TAU * self.colour_hz / rate).exp();
        let mut colour = 0.0;
        let mut low = 0.0;
        let split = (-TAU * SPLIT_HZ / rate).exp();
        let compresses = self.manner == Manner::Compressing;
        let mut bands = [Band::new(self.ceiling, compresses.then_some(self.gain * 6.3e-3)); 2];
        let mut frames = Vec::with_capacity(count);
        for n in 0..count {
            let t = n as f64 / rate;
            let closed = self
                .closed_s
                .iter()
                .any(|[from, to]| (*from..*to).contains(&t));
            let share = ((t - first) / (last - first)).clamp(0.0, 1.0);
            let way = 1.0 + self.back + share * self.glide;
            let (whole, part) = (way as usize, way.fract());
            let past = |k: usize| n.checked_sub(k).map_or(0.0, |at| force[at]);
            let late = past(whole) * (1.0 - part) + past(whole + 1) * part;
            let late = if closed { late } else { 0.0 };
            let back: f64 = resonators
                .iter_mut()
                .map(|(gain, r)| *gain * r.step(late))
                .sum();
            let room = sound[n] + white(20.0);
            heard[n] = room + back + white(25.0);
            let input = n.checked_sub(self.delay).map_or(0.0, |at| heard[at]);
            colour = pole * colour + (1.0 - pole) * input;
            let driven = self.gain * colour;
            low = split * low + (1.0 - split) * driven;
            force[n] = bands[0].step(low) + bands[1].step(driven - low);
            frames.push([force[n], room]);
        }
        frames
    }
}

/// A band-pass of unit gain at its resonance (audio cookbook, public).
#[derive(Debug, Clone, Copy)]
struct Resonator {
    b: f64,
    a: [f64; 2],
    x: [f64; 2],
    y: [f64; 2],
}

impl Resonator {
    fn new(path: &Path) -> Self {
        let turn = TAU * path.resonance_hz / f64::from(RATE_HZ);
        let alpha = turn.sin() / (2.0 * path.q);
        Self {
            b: alpha / (1.0 + alpha),
            a: [
                -2.0 * turn.cos() / (1.0 + alpha),
                (1.0 - alpha) / (1.0 + alpha),
            ],
            x: [0.0; 2],
            y: [0.0; 2],
        }
    }

    fn step(&mut self, x: f64) -> f64 {
        let y = self.b * (x - self.x[1]) - self.a[0] * self.y[0] - self.a[1] * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }

    fn response(&self, turn: f64) -> Complex64 {
        let z = Complex64::from_polar(1.0, -turn);
        self.b * (1.0 - z * z) / (1.0 + self.a[0] * z + self.a[1] * z * z)
    }
}

/// Compression and limiter of one band.
#[derive(Debug, Clone, Copy)]
struct Band {
    ceiling: f64,
    /// Peak from which it compresses.
    knee: Option<f64>,
    peak: f64,
    level: f64,
}

impl Band {
    fn new(ceiling: f64, knee: Option<f64>) -> Self {
        Self {
            ceiling,
            knee,
            peak: 0.0,
            level: 0.0,
        }
    }

    fn step(&mut self, x: f64) -> f64 {
        let coefficient = if x.abs() > self.level { 0.01 } else { 4e-4 };
        self.level += coefficient * (x.abs() - self.level);
        let compressed = match self.knee {
            Some(knee) if self.level > knee => x * (knee / self.level).sqrt(),
            _ => x,
        };
        // Down at once, up within 50 ms.
        self.peak = compressed
            .abs()
            .max(self.peak * (1.0 - 1.0 / (0.05 * f64::from(RATE_HZ))));
        compressed * (self.ceiling / self.peak.max(self.ceiling))
    }
}
