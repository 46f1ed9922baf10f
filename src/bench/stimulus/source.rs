//! The samples of a stimulus, in pascals.

use std::f64::consts::{SQRT_2, TAU};

use super::{PASCALS_AT_0_DB, Stimulus};
use crate::bench::filter::amplitude;
use crate::bench::random::Gaussian;
use crate::bench::spectrum::Colour;
use crate::diagnostic::{Diagnostic, Result};
use crate::quantity::interleaved::Lines;

/// Sound pressure in pascals from the capture's direction and the opposite one.
pub type Sound = [f64; 2];

/// The samples of a stimulus.
pub struct Source {
    kind: Kind,
    pascals: f64,
    rate_hz: f64,
    frame: u64,
    active: [u64; 2],
}

/// A tone of one level, relative to that of the stimulus.
struct Step {
    frequency_hz: f64,
    level: f64,
    frames: u64,
}

enum Kind {
    Silence,
    Noise(Gaussian, Colour),
    Played(Vec<f64>),
    InNoise(Vec<f64>, f64, Gaussian, Colour),
    Steps {
        phase: f64,
        steps: Vec<Step>,
        index: usize,
        left: u64,
    },
    Sweep {
        lowest_hz: f64,
        time_s: f64,
        length_s: f64,
    },
    Periodic(Vec<Sound>),
}

impl Source {
    /// A stimulus at `level_db_spl` from frame `active[0]` to `active[1]`.
    /// `speech` holds the samples of its file.
    pub fn new(
        stimulus: &Stimulus,
        level_db_spl: f64,
        active: [u64; 2],
        rate_hz: f64,
        mut random: Gaussian,
        speech: Option<&[f64]>,
    ) -> Result<Self> {
        let frames = |seconds: f64| (seconds * rate_hz).round().max(1.0) as u64;
        let span = active[1].saturating_sub(active[0]);
        let played = || {
            let file = speech.filter(|samples| !samples.is_empty());
            let file =
                file.ok_or_else(|| Diagnostic::value("stimulus.file", "not given", "samples"))?;
            Ok::<_, Diagnostic>(unit_power(file, span as usize))
        };
        let kind = match stimulus {
            Stimulus::Silence {} | Stimulus::ForceTone { .. } | Stimulus::MicrophoneTone { .. } => {
                Kind::Silence
            }
            Stimulus::SpeechNoise {} => Kind::Noise(random, Colour::speech(rate_hz)),
            Stimulus::White {} => Kind::Noise(random, Colour::white()),
            Stimulus::Pink {
                lowest_hz,
                highest_hz,
            } => Kind::Noise(random, Colour::pink(*lowest_hz, *highest_hz, rate_hz)),
            Stimulus::Speech { .. } => Kind::Played(played()?),
            Stimulus::SpeechInNoise {
                signal_to_noise_db,
                inverted,
                ..
            } => {
                let sign = if *inverted { -1.0 } else { 1.0 };
                let gain = sign * amplitude(-signal_to_noise_db);
                Kind::InNoise(played()?, gain, random, Colour::speech(rate_hz))
            }
            Stimulus::Tone { frequency_hz } => steps(vec![Step {
                frequency_hz: *frequency_hz,
                level: 1.0,
                frames: u64::MAX,
            }]),
            Stimulus::SteppedTones {
                frequencies_hz,
                step_s,
            } => {
                let step = |hz: &f64| Step {
                    frequency_hz: *hz,
                    level: 1.0,
                    frames: frames(*step_s),
                };
                steps(frequencies_hz.iter().map(step).collect())
            }
            Stimulus::Staircase {
                frequency_hz,
                levels_db_spl,
                step_s,
            } => {
                let step = |db: &f64| Step {
                    frequency_hz: *frequency_hz,
                    level: amplitude(db - level_db_spl),
                    frames: frames(*step_s),
                };
                steps(levels_db_spl.iter().map(step).collect())
            }
            Stimulus::Bursts {
                frequency_hz,
                on_s,
                off_s,
                rest_db_spl,
            } => {
                let rest = rest_db_spl.map_or(0.0, |db| amplitude(db - level_db_spl));
                let part = |level, seconds: f64| Step {
                    frequency_hz: *frequency_hz,
                    level,
                    frames: frames(seconds),
                };
                steps(vec![part(1.0, *on_s), part(rest, *off_s)])
            }
            Stimulus::Sweep {
                lowest_hz,
                highest_hz,
                length_s,
            } => Kind::Sweep {
                lowest_hz: *lowest_hz,
                time_s: length_s / libm::log(highest_hz / lowest_hz),
                length_s: *length_s,
            },
            Stimulus::InterleavedTones { tones, opposite_db } => Kind::Periodic(interleaved(
                &tones.lines()?,
                amplitude(*opposite_db),
                frames(tones.period_s) as usize,
                &mut random,
            )),
        };
        Ok(Self {
            kind,
            pascals: PASCALS_AT_0_DB * amplitude(level_db_spl),
            rate_hz,
            frame: 0,
            active,
        })
    }

    /// The next sample from either direction, in pascals.
    pub fn step(&mut self) -> Sound {
        let frame = self.frame;
        self.frame += 1;
        if frame < self.active[0] || frame >= self.active[1] {
            return [0.0; 2];
        }
        let at = frame - self.active[0];
        let unit = match &mut self.kind {
            Kind::Silence => return [0.0; 2],
            Kind::Noise(random, colour) => colour.step(random.draw()),
            Kind::Played(samples) => samples[at as usize % samples.len()],
            Kind::InNoise(samples, gain, random, colour) => {
                samples[at as usize % samples.len()] + *gain * colour.step(random.draw())
            }
            Kind::Steps {
                phase,
                steps,
                index,
                left,
            } => {
                if *left == 0 {
                    *index = (*index + 1) % steps.len();
                    *left = steps[*index].frames;
                }
                *left -= 1;
                let step = &steps[*index];
                let sample = SQRT_2 * step.level * libm::sin(TAU * *phase);
                *phase += step.frequency_hz / self.rate_hz;
                *phase -= libm::floor(*phase);
                sample
            }
            Kind::Sweep {
                lowest_hz,
                time_s,
                length_s,
            } => {
                let frames = (*length_s * self.rate_hz).round().max(1.0) as u64;
                let t_s = (at % frames) as f64 / self.rate_hz;
                let turns = *lowest_hz * *time_s * (libm::exp(t_s / *time_s) - 1.0);
                SQRT_2 * libm::sin(TAU * (turns - libm::floor(turns)))
            }
            Kind::Periodic(period) => {
                let [a, b] = period[at as usize % period.len()];
                return [self.pascals * a, self.pascals * b];
            }
        };
        [self.pascals * unit, 0.0]
    }
}

/// Tones one after the other, without a jump of the phase; repeated.
fn steps(steps: Vec<Step>) -> Kind {
    Kind::Steps {
        phase: 0.0,
        left: steps.first().map_or(0, |step| step.frames),
        index: 0,
        steps,
    }
}

/// The samples that are played, scaled to unit power over `span` samples.
fn unit_power(samples: &[f64], span: usize) -> Vec<f64> {
    let once: f64 = samples.iter().map(|x| x * x).sum();
    let rest: f64 = samples[..span % samples.len()].iter().map(|x| x * x).sum();
    let energy = once * (span / samples.len()) as f64 + rest;
    let gain = if energy > 0.0 {
        libm::sqrt(span as f64 / energy)
    } else {
        0.0
    };
    samples.iter().map(|x| gain * x).collect()
}

/// One period of the lines below half the rate: equal power per tone, random
/// phases, unit power from the one side, `opposite` of its amplitude from the other.
fn interleaved(lines: &[Lines], opposite: f64, period: usize, random: &mut Gaussian) -> Vec<Sound> {
    let sines: Vec<f64> = (0..period)
        .map(|i| libm::sin(TAU * i as f64 / period as f64))
        .collect();
    let mut sum = vec![[0.0; 2]; period];
    for side in [0, 1] {
        let tones = lines.iter().flat_map(|of_band| &of_band.sides[side]);
        let heard: Vec<usize> = tones.copied().filter(|line| 2 * line < period).collect();
        let gain = [1.0, opposite][side] * libm::sqrt(2.0 / heard.len().max(1) as f64);
        for line in heard {
            let phase = (random.uniform() * period as f64) as usize;
            for (n, frame) in sum.iter_mut().enumerate() {
                frame[side] += gain * sines[(line * n + phase) % period];
            }
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::InterleavedTones;

    fn level_db(stimulus: Stimulus, level: f64, seconds: f64, speech: Option<&[f64]>) -> [f64; 2] {
        let rate_hz = 24_000.0;
        let frames = (seconds * rate_hz) as u64;
        let random = Gaussian::new(3, 5);
        let mut source =
            Source::new(&stimulus, level, [0, frames], rate_hz, random, speech).unwrap();
        let mut sums = [0.0; 2];
        for _ in 0..frames {
            let sound = source.step();
            sums[0] += sound[0] * sound[0];
            sums[1] += sound[1] * sound[1];
        }
        sums.map(|sum| 10.0 * (sum / frames as f64 / (PASCALS_AT_0_DB * PASCALS_AT_0_DB)).log10())
    }

    #[test]
    fn periodic_stimuli_and_played_files_have_the_level_asked_for() {
        let speech: Vec<f64> = (0..5000)
            .map(|n| (f64::from(n) * 0.01).sin() * f64::from(n))
            .collect();
        let exact = [
            (
                Stimulus::Tone {
                    frequency_hz: 1000.0,
                },
                None,
            ),
            (
                Stimulus::SteppedTones {
                    frequencies_hz: vec![500.0, 1000.0],
                    step_s: 0.5,
                },
                None,
            ),
            (
                Stimulus::Speech { file: "x".into() },
                Some(speech.as_slice()),
            ),
        ];
        for (stimulus, speech) in exact {
            let found = level_db(stimulus.clone(), 65.0, 2.0, speech)[0];
            assert!((found - 65.0).abs() < 0.01, "{stimulus:?}: {found}");
        }
        let both = InterleavedForTest::level();
        assert!(both.iter().all(|db| (db - 65.0).abs() < 0.01), "{both:?}");
        let sweep = Stimulus::Sweep {
            lowest_hz: 100.0,
            highest_hz: 8000.0,
            length_s: 2.0,
        };
        let found = level_db(sweep, 65.0, 2.0, None)[0];
        assert!((found - 65.0).abs() < 0.01, "{found}");
    }

    struct InterleavedForTest;
    impl InterleavedForTest {
        fn level() -> [f64; 2] {
            let stimulus = Stimulus::InterleavedTones {
                tones: InterleavedTones::default(),
                opposite_db: 0.0,
            };
            level_db(stimulus, 65.0, 1.0, None)
        }
    }

    #[test]
    fn noises_have_the_level_within_their_own_scatter() {
        // Standard deviation of the level of white noise: 4.34 dB · √(2/N); of
        // coloured noise more, by the effective bandwidth (some 400 Hz here).
        let white = level_db(Stimulus::White {}, 65.0, 20.0, None)[0];
        assert!((white - 65.0).abs() < 0.03, "{white}");
        for stimulus in [
            Stimulus::SpeechNoise {},
            Stimulus::Pink {
                lowest_hz: 80.0,
                highest_hz: 20_000.0,
            },
        ] {
            let found = level_db(stimulus.clone(), 65.0, 20.0, None)[0];
            assert!((found - 65.0).abs() < 0.15, "{stimulus:?}: {found}");
        }
    }

    #[test]
    fn a_staircase_steps_by_the_levels_listed() {
        let stairs = Stimulus::Staircase {
            frequency_hz: 2000.0,
            levels_db_spl: vec![50.0, 60.0],
            step_s: 1.0,
        };
        let first = level_db(stairs.clone(), 0.0, 1.0, None)[0];
        let both = level_db(stairs, 0.0, 2.0, None)[0];
        assert!((first - 50.0).abs() < 0.01, "{first}");
        // Mean of 10^5 and 10^6 is 5.5·10^5: 57.40 dB.
        assert!((both - 57.404).abs() < 0.01, "{both}");
    }
}
