//! One capture, sample by sample.

use std::f64::consts::{SQRT_2, TAU};

use realfft::num_complex::Complex64;

use super::device::{self, SOUND_M_PER_S};
use super::feedback::{self, Tension};
use super::filter::{Delay, amplitude};
use super::fir::FractionalDelay;
use super::knock::Knock;
use super::loop_gain::{self, Worst};
use super::random::Gaussian;
use super::recorder::{self, Clock};
use super::scenario::{Cable, Capture, Scenario};
use super::session::TestBox;
use super::spectrum::Colour;
use super::stimulus::{NEWTONS_AT_0_DB, PASCALS_AT_0_DB, Source, Stimulus};
use crate::diagnostic::{At, Diagnostic, Result};

/// Renders one capture of a scenario, block by block.
///
/// Every sample is computed by itself, in one fixed order of basic arithmetic
/// and `libm` functions: the size of the blocks and the platform do not change
/// a bit.
pub struct Renderer {
    bench: Bench,
    clock: Option<Clock>,
    recorder: recorder::Running,
    left: u64,
}

/// Everything before the recorder.
struct Bench {
    rate_hz: f64,
    frame: u64,
    watched: [u64; 2],
    source: Source,
    room: Option<(f64, Gaussian, Colour)>,
    arrivals: Vec<Arrival>,
    device: Option<device::Running>,
    acoustic: Option<feedback::Running>,
    cable: Option<(feedback::Running, Tension)>,
    last_force_n: f64,
    tone: Option<Tone>,
    knocks: Vec<Knock>,
}

/// A tone that goes straight to a channel.
struct Tone {
    channel: usize,
    peak: f64,
    frequency_hz: f64,
}

/// Sound from one direction on its way to the three microphones.
struct Arrival {
    front: Delay,
    rear: FractionalDelay,
    reference: FractionalDelay,
    /// What comes back to the reference microphone from the device, and its
    /// share.
    echo: Option<(f64, FractionalDelay)>,
}

impl Arrival {
    fn new(direction_deg: f64, travel_s: f64, distance_m: f64, echo: f64, rate_hz: f64) -> Self {
        let cosine = libm::cos(direction_deg.to_radians());
        let rear = travel_s * rate_hz;
        let reference = distance_m / SOUND_M_PER_S * rate_hz;
        // The loudspeaker is far enough for either to come first.
        let bulk = libm::ceil(FractionalDelay::LEAST + rear.max(reference));
        Self {
            front: Delay::new(bulk as usize),
            rear: FractionalDelay::new(bulk + cosine * rear),
            reference: FractionalDelay::new(bulk - cosine * reference),
            echo: (echo > 0.0).then(|| (echo, FractionalDelay::new(bulk + reference))),
        }
    }

    /// The sound at the reference microphone; with its echo no louder than
    /// without it.
    fn at_reference(&mut self, pascals: f64) -> f64 {
        let direct = self.reference.step(pascals);
        match &mut self.echo {
            None => direct,
            Some((share, echo)) => (direct + *share * echo.step(pascals)) / (1.0 + *share),
        }
    }
}

impl Renderer {
    /// A renderer of the capture number `index`. `speech` holds the samples of
    /// its speech file at the scenario's rate, if it plays one.
    ///
    /// # Errors
    /// [`crate::Problem::Value`] if there is no such capture, or its speech is
    /// not given.
    pub fn new(scenario: &Scenario, index: usize, speech: Option<&[f64]>) -> Result<Self> {
        let capture = scenario
            .captures()
            .get(index)
            .ok_or_else(|| Diagnostic::value("capture", index, "the number of a capture"))?;
        let rate_hz = scenario.rate();
        let seed = scenario.seed;
        let streams = (index as u64 + 1) << 8;
        let random = |stream: u64| Gaussian::new(seed, streams + stream);
        let bench = Bench::new(scenario, capture, speech, &random).in_capture(&capture.name)?;
        let ppm = scenario.recorder.clock_ppm;
        Ok(Self {
            bench,
            clock: (ppm != 0.0).then(|| Clock::new(ppm)),
            recorder: recorder::Running::new(
                &scenario.recorder,
                &scenario.force,
                &scenario.microphone,
                &capture.dropouts,
                rate_hz,
                &random,
            ),
            left: (capture.duration_s * rate_hz).round() as u64,
        })
    }

    /// Fills `frames` from the front with the next samples of force (first) and
    /// reference microphone (second) in full-scale units, as the file holds
    /// them. Returns how many frames were filled; fewer than asked for at the
    /// end of the capture.
    pub fn block(&mut self, frames: &mut [[f64; 2]]) -> usize {
        self.observed(frames, &mut |_| {})
    }

    /// The same; `observe` sees force in N and pressure in Pa, frame by frame.
    pub(super) fn observed(
        &mut self,
        frames: &mut [[f64; 2]],
        observe: &mut dyn FnMut([f64; 2]),
    ) -> usize {
        let count = self.left.min(frames.len() as u64) as usize;
        let bench = &mut self.bench;
        let mut physical = || {
            let physical = bench.step();
            observe(physical);
            physical
        };
        for frame in &mut frames[..count] {
            let heard = match &mut self.clock {
                None => physical(),
                Some(clock) => clock.step(&mut physical),
            };
            *frame = self.recorder.step(heard);
        }
        self.left -= count as u64;
        count
    }

    /// The worst frequency of the loop with the cable under tension or free, at
    /// the mean gains of the interval rendered so far.
    pub(super) fn worst(&self, tense: bool) -> Option<Worst> {
        let device = self.bench.device.as_ref()?;
        if self.bench.acoustic.is_none() && self.bench.cable.is_none() {
            return None;
        }
        let back = |hz: f64| {
            let acoustic = self.bench.acoustic.as_ref();
            let cable = self.bench.cable.as_ref();
            acoustic.map_or(Complex64::default(), |path| path.response(hz))
                + cable.map_or(Complex64::default(), |(path, tension)| {
                    path.response(hz) * if tense { tension.tense } else { tension.freed }
                })
        };
        let around = |hz: f64| device.common_response(hz) * back(hz);
        loop_gain::worst(&around, self.bench.rate_hz)
    }

    /// Complex gain of the device in N/Pa for sound from `direction_deg`; none
    /// while it is off.
    pub(super) fn response(&self, hz: f64, direction_deg: f64) -> Option<Complex64> {
        Some(self.bench.device.as_ref()?.response(hz, direction_deg))
    }
}

impl Bench {
    fn new(
        scenario: &Scenario,
        capture: &Capture,
        speech: Option<&[f64]>,
        random: &dyn Fn(u64) -> Gaussian,
    ) -> Result<Self> {
        let rate_hz = scenario.rate();
        let frames = |seconds: f64| (seconds * rate_hz).round() as u64;
        let stop_s = capture.stop_s.unwrap_or(capture.duration_s);
        let active = [frames(capture.start_s), frames(stop_s)];
        let own = || random(0);
        let stream = |number: u32| Gaussian::new(scenario.seed, (1 << 48) + u64::from(number));
        let level_db_spl = capture.level_db_spl.unwrap_or(0.0);
        let stimulus = &capture.stimulus;
        let noise = capture.stream.map_or_else(own, stream);
        let source = Source::new(stimulus, level_db_spl, active, rate_hz, noise, speech)?;

        let travel_s = scenario.device.microphones.travel_s();
        let distance_m = capture
            .microphone_distance_m
            .unwrap_or(scenario.microphone.distance_m);
        let echo = scenario.microphone.echo;
        let arrival = |degrees| Arrival::new(degrees, travel_s, distance_m, echo, rate_hz);
        let mut arrivals = vec![arrival(capture.direction_deg)];
        if matches!(stimulus, Stimulus::InterleavedTones { .. }) {
            arrivals.push(arrival(capture.direction_deg + 180.0));
        }

        let tone = tone_of(stimulus);
        let on = capture.device_on && tone.is_none();
        let running = |directional, reduction| {
            device::Running::new(&scenario.device, directional, reduction, rate_hz, random)
        };
        let plain = running(false, false);
        let gain = |hz: f64| plain.common_response(hz);
        let path = |path: &feedback::Path| feedback::Running::new(path, rate_hz, &gain);
        let feedback = &scenario.feedback;
        let tension = |path: &feedback::Path| {
            let [from, to] = match capture.cable {
                Cable::Free => [0, 0],
                Cable::Tense => [
                    frames(capture.tense_from_s.unwrap_or(0.0)),
                    capture.tense_to_s.map_or(u64::MAX, frames),
                ],
            };
            Tension {
                from,
                to,
                tense: amplitude(capture.tension_db),
                freed: amplitude(-path.freed_by_db),
            }
        };
        let closed = capture.test_box.unwrap_or(scenario.session.test_box) == TestBox::Closed;
        let [from_s, to_s] = capture.interval_s();
        Ok(Self {
            rate_hz,
            frame: 0,
            watched: [frames(from_s), frames(to_s)],
            source,
            room: scenario.room.noise_db_spl.map(|db| {
                let loss_db = if closed {
                    scenario.room.box_attenuation_db
                } else {
                    0.0
                };
                let pascals = PASCALS_AT_0_DB * amplitude(db - loss_db);
                (pascals, random(20), Colour::pink(50.0, 10_000.0, rate_hz))
            }),
            arrivals,
            device: on.then(|| running(capture.directional, capture.noise_reduction)),
            acoustic: feedback.acoustic.as_ref().filter(|_| on).map(path),
            cable: feedback
                .cable
                .as_ref()
                .filter(|_| on)
                .map(|p| (path(p), tension(p))),
            last_force_n: 0.0,
            tone,
            knocks: capture.knocks.clone(),
        })
    }

    /// The next force in N and pressure at the reference microphone in Pa.
    fn step(&mut self) -> [f64; 2] {
        let frame = self.frame;
        self.frame += 1;
        let mut sound = self.source.step();
        if let Some((pascals, random, colour)) = &mut self.room {
            sound[0] += *pascals * colour.step(random.draw());
        }
        let (mut front_pa, mut rear_pa, mut reference_pa) = (0.0, 0.0, 0.0);
        for (arrival, pascals) in self.arrivals.iter_mut().zip(sound) {
            front_pa += arrival.front.step(pascals);
            rear_pa += arrival.rear.step(pascals);
            reference_pa += arrival.at_reference(pascals);
        }
        if let Some(path) = &mut self.acoustic {
            let back_pa = path.step(self.last_force_n);
            front_pa += back_pa;
            rear_pa += back_pa;
            reference_pa += path.to_reference * back_pa;
        }
        if let Some((path, tension)) = &mut self.cable {
            let back_pa = tension.gain(frame) * path.step(self.last_force_n);
            front_pa += back_pa;
            rear_pa += back_pa;
        }
        if let Some(device) = &mut self.device {
            device.amplifier.watching = (self.watched[0]..self.watched[1]).contains(&frame);
            self.last_force_n = device.step(front_pa, rear_pa);
        }
        let mut physical = [self.last_force_n, reference_pa];
        if let Some(tone) = &self.tone {
            let turns = tone.frequency_hz * frame as f64 / self.rate_hz;
            physical[tone.channel] += tone.peak * libm::sin(TAU * (turns - libm::floor(turns)));
        }
        for knock in &self.knocks {
            let heard = knock.at(frame as f64 / self.rate_hz);
            physical = [physical[0] + heard[0], physical[1] + heard[1]];
        }
        physical
    }
}

fn tone_of(stimulus: &Stimulus) -> Option<Tone> {
    match stimulus {
        Stimulus::ForceTone {
            frequency_hz,
            level_db,
        } => Some(Tone {
            channel: 0,
            peak: SQRT_2 * NEWTONS_AT_0_DB * amplitude(*level_db),
            frequency_hz: *frequency_hz,
        }),
        Stimulus::MicrophoneTone {
            frequency_hz,
            level_db_spl,
        } => Some(Tone {
            channel: 1,
            peak: SQRT_2 * PASCALS_AT_0_DB * amplitude(*level_db_spl),
            frequency_hz: *frequency_hz,
        }),
        _ => None,
    }
}
