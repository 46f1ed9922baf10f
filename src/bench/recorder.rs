//! The recorder: newtons and pascals to samples, with its faults.

use std::f64::consts::TAU;

use serde::Deserialize;

use super::filter::{Biquad, amplitude};
use super::random::Gaussian;
use super::stimulus::within;
use crate::diagnostic::{Diagnostic, Result};

/// The recorder, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Recorder {
    /// Volts at digital full scale.
    pub full_scale_v: f64,
    /// 16 or 24; 32 stands for floating point.
    pub bits: u16,
    /// Constant offset of both channels in full-scale units.
    pub dc_fs: f64,
    /// Mains frequency in Hz.
    pub hum_hz: f64,
    /// Level of the hum in both channels, dB re a full-scale sine; the third
    /// multiple lies 10 dB lower. None: no hum.
    pub hum_db_fs: Option<f64>,
    /// White noise of either channel, dB re full scale, root mean square. None:
    /// no noise.
    pub noise_db_fs: Option<f64>,
    /// By how much the recorder's clock runs fast, in parts per million.
    pub clock_ppm: f64,
}

impl Default for Recorder {
    fn default() -> Self {
        Self {
            full_scale_v: 1.0,
            bits: 24,
            dc_fs: 0.0,
            hum_hz: 50.0,
            hum_db_fs: None,
            noise_db_fs: None,
            clock_ppm: 0.0,
        }
    }
}

impl Recorder {
    /// Checks the figures.
    pub fn check(&self, rate_hz: f64) -> Result<()> {
        if ![16, 24, 32].contains(&self.bits) {
            return Err(Diagnostic::value(
                "recorder.bits",
                self.bits,
                "16, 24 or 32 (floating point)",
            ));
        }
        within("recorder.full_scale_v", self.full_scale_v, 1e-3, 1e3, "V")?;
        within("recorder.dc_fs", self.dc_fs, -1.0, 1.0, "of full scale")?;
        within("recorder.hum_hz", self.hum_hz, 1.0, rate_hz / 8.0, "Hz")?;
        within(
            "recorder.hum_db_fs",
            self.hum_db_fs.unwrap_or(-60.0),
            -200.0,
            0.0,
            "dB",
        )?;
        within(
            "recorder.noise_db_fs",
            self.noise_db_fs.unwrap_or(-90.0),
            -200.0,
            0.0,
            "dB",
        )?;
        within(
            "recorder.clock_ppm",
            self.clock_ppm,
            -10_000.0,
            10_000.0,
            "ppm",
        )
    }
}

/// The force channel, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ForceChannel {
    /// Volts per newton.
    pub sensitivity_v_per_n: f64,
    /// Resonance of the force transducer in Hz; none: flat.
    pub resonance_hz: Option<f64>,
    /// Sharpness of that resonance.
    pub resonance_q: f64,
    /// Gain at that resonance in dB.
    pub resonance_db: f64,
    /// Whether the calibration file states the response.
    pub response_stated: bool,
    /// By how much the calibration file overstates the sensitivity, in dB.
    pub stated_error_db: f64,
    /// Expanded uncertainty in the calibration file, in dB.
    pub expanded_uncertainty_db: f64,
}

impl Default for ForceChannel {
    fn default() -> Self {
        Self {
            sensitivity_v_per_n: 0.132,
            resonance_hz: None,
            resonance_q: 3.0,
            resonance_db: 3.0,
            response_stated: true,
            stated_error_db: 0.0,
            expanded_uncertainty_db: 0.5,
        }
    }
}

impl ForceChannel {
    /// Checks the figures.
    pub fn check(&self, rate_hz: f64) -> Result<()> {
        within(
            "force.sensitivity_v_per_n",
            self.sensitivity_v_per_n,
            1e-6,
            1e6,
            "V/N",
        )?;
        let hz = self.resonance_hz.unwrap_or(1000.0);
        within("force.resonance_hz", hz, 20.0, 0.45 * rate_hz, "Hz")?;
        within("force.resonance_q", self.resonance_q, 0.1, 100.0, "")?;
        within("force.resonance_db", self.resonance_db, -40.0, 40.0, "dB")?;
        within(
            "force.stated_error_db",
            self.stated_error_db,
            -40.0,
            40.0,
            "dB",
        )
    }

    /// The transducer's response relative to its sensitivity.
    pub fn response(&self, rate_hz: f64) -> Option<Biquad> {
        let hz = self.resonance_hz?;
        Some(Biquad::peaking(
            hz,
            self.resonance_q,
            self.resonance_db,
            rate_hz,
        ))
    }
}

/// The microphone channel, as scenarios write it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MicrophoneChannel {
    /// Volts per pascal.
    pub sensitivity_v_per_pa: f64,
    /// Distance of the reference microphone before the front port, in metres.
    pub distance_m: f64,
    /// What the device's body sends back to it, as a share of the sound.
    pub echo: f64,
    /// By how much the calibration file overstates the sensitivity, in dB.
    pub stated_error_db: f64,
    /// Expanded uncertainty in the calibration file, in dB.
    pub expanded_uncertainty_db: f64,
}

impl Default for MicrophoneChannel {
    fn default() -> Self {
        Self {
            sensitivity_v_per_pa: 0.05,
            distance_m: 0.002,
            echo: 0.0,
            stated_error_db: 0.0,
            expanded_uncertainty_db: 0.3,
        }
    }
}

impl MicrophoneChannel {
    /// Checks the figures.
    pub fn check(&self) -> Result<()> {
        within(
            "microphone.sensitivity_v_per_pa",
            self.sensitivity_v_per_pa,
            1e-6,
            1e3,
            "V/Pa",
        )?;
        within("microphone.distance_m", self.distance_m, 0.0, 0.2, "m")?;
        within("microphone.echo", self.echo, 0.0, 0.9, "of the sound")?;
        within(
            "microphone.stated_error_db",
            self.stated_error_db,
            -40.0,
            40.0,
            "dB",
        )
    }
}

/// The recorder at work.
pub struct Running {
    per_unit: [f64; 2],
    response: Option<Biquad>,
    dc_fs: f64,
    hum_hz: f64,
    hum_fs: f64,
    noise: Option<(f64, [Gaussian; 2])>,
    dropouts: Vec<[u64; 2]>,
    steps: f64,
    rate_hz: f64,
    frame: u64,
}

impl Running {
    /// The recorder for one capture; `random` gives its noises.
    pub fn new(
        recorder: &Recorder,
        force: &ForceChannel,
        microphone: &MicrophoneChannel,
        dropouts: &[Dropout],
        rate_hz: f64,
        random: &dyn Fn(u64) -> Gaussian,
    ) -> Self {
        let frames = |seconds: f64| (seconds.max(0.0) * rate_hz).round() as u64;
        Self {
            per_unit: [
                force.sensitivity_v_per_n / recorder.full_scale_v,
                microphone.sensitivity_v_per_pa / recorder.full_scale_v,
            ],
            response: force.response(rate_hz),
            dc_fs: recorder.dc_fs,
            hum_hz: recorder.hum_hz,
            hum_fs: recorder.hum_db_fs.map_or(0.0, amplitude),
            noise: recorder
                .noise_db_fs
                .map(|db| (amplitude(db), [random(10), random(11)])),
            dropouts: dropouts
                .iter()
                .map(|d| [frames(d.at_s), frames(d.at_s + d.duration_s)])
                .collect(),
            steps: match recorder.bits {
                16 => 32_768.0,
                24 => 8_388_608.0,
                _ => 0.0,
            },
            rate_hz,
            frame: 0,
        }
    }

    /// Takes force in N and pressure in Pa and gives samples in full-scale
    /// units, as they stand in the file.
    pub fn step(&mut self, physical: [f64; 2]) -> [f64; 2] {
        let frame = self.frame;
        self.frame += 1;
        let mut fs = [
            physical[0] * self.per_unit[0],
            physical[1] * self.per_unit[1],
        ];
        if let Some(response) = &mut self.response {
            fs[0] = response.step(fs[0]);
        }
        if let Some((each, random)) = &mut self.noise {
            fs[0] += *each * random[0].draw();
            fs[1] += *each * random[1].draw();
        }
        let mut common = self.dc_fs;
        if self.hum_fs > 0.0 {
            let turns = self.hum_hz * frame as f64 / self.rate_hz;
            let angle = TAU * (turns - libm::floor(turns));
            let third = amplitude(-10.0) * libm::sin(3.0 * angle);
            common += self.hum_fs * (libm::sin(angle) + third);
        }
        if self
            .dropouts
            .iter()
            .any(|[from, to]| (*from..*to).contains(&frame))
        {
            return [0.0; 2];
        }
        fs.map(|x| self.quantised(x + common))
    }

    fn quantised(&self, x: f64) -> f64 {
        if self.steps == 0.0 {
            // What a 32-bit float holds; nothing clips.
            return f64::from(x as f32);
        }
        let step = (x * self.steps).round();
        step.clamp(-self.steps, self.steps - 1.0) / self.steps
    }
}

/// Reads a stream at a clock that runs fast or slow, by windowed-sinc
/// interpolation.
pub struct Clock {
    history: [[f64; 2]; 2 * REACH],
    pulses: Vec<[f64; 2 * REACH]>,
    per_frame: f64,
    /// Time of the next sample re the middle of the history, in input samples.
    position: f64,
}

const REACH: usize = 16;
const PHASES: usize = 256;

impl Clock {
    /// A clock that runs fast by `ppm` parts per million.
    pub fn new(ppm: f64) -> Self {
        let pulse = |phase: usize| {
            let shift = phase as f64 / PHASES as f64;
            std::array::from_fn(|i| {
                let x = i as f64 - (REACH - 1) as f64 - shift;
                let edge = (x / REACH as f64).clamp(-1.0, 1.0);
                // Blackman window; own choice.
                let angle = std::f64::consts::PI * edge;
                let window = 0.42 + 0.5 * libm::cos(angle) + 0.08 * libm::cos(2.0 * angle);
                super::filter::sinc(x) * window
            })
        };
        Self {
            history: [[0.0; 2]; 2 * REACH],
            pulses: (0..=PHASES).map(pulse).collect(),
            per_frame: 1.0 / (1.0 + ppm * 1e-6),
            // The first sample is wanted at time 0, once the input has reached
            // the last place of the history but half.
            position: 1.0 + REACH as f64,
        }
    }

    /// The next sample; `input` is called for as many frames as it takes.
    pub fn step(&mut self, input: &mut dyn FnMut() -> [f64; 2]) -> [f64; 2] {
        while self.position >= 1.0 {
            self.history.rotate_left(1);
            self.history[2 * REACH - 1] = input();
            self.position -= 1.0;
        }
        let at = self.position * PHASES as f64;
        let phase = at as usize;
        let share = at - phase as f64;
        self.position += self.per_frame;
        let (low, high) = (&self.pulses[phase], &self.pulses[phase + 1]);
        let mut sum = [0.0; 2];
        for ((frame, a), b) in self.history.iter().zip(low).zip(high) {
            let tap = a + share * (b - a);
            sum[0] += tap * frame[0];
            sum[1] += tap * frame[1];
        }
        sum
    }
}

/// Samples that the recorder lost: both channels are zero.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Dropout {
    pub(super) at_s: f64,
    pub(super) duration_s: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recorder(recorder: Recorder) -> Running {
        let force = ForceChannel::default();
        let microphone = MicrophoneChannel::default();
        Running::new(&recorder, &force, &microphone, &[], 48_000.0, &|s| {
            Gaussian::new(1, s)
        })
    }

    #[test]
    fn one_newton_and_one_pascal_read_their_sensitivities() {
        let [force, pressure] = recorder(Recorder::default()).step([1.0, 1.0]);
        assert!((force - 0.132).abs() < 1e-6 && (pressure - 0.05).abs() < 1e-6);
    }

    #[test]
    fn too_large_a_force_clips_at_the_ends_of_the_range() {
        let mut at16 = recorder(Recorder {
            bits: 16,
            ..Recorder::default()
        });
        assert_eq!(at16.step([100.0, 0.0])[0], 32_767.0 / 32_768.0);
        assert_eq!(at16.step([-100.0, 0.0])[0], -1.0);
    }

    #[test]
    fn a_clock_that_runs_fast_takes_more_samples_per_turn() {
        let tone = |n: f64| (TAU * 1000.0 / 48_000.0 * n).sin();
        let mut clock = Clock::new(1000.0);
        let mut n = 0.0;
        let mut worst: f64 = 0.0;
        for m in 0..5000 {
            let [y, _] = clock.step(&mut || {
                n += 1.0;
                [tone(n - 1.0), 0.0]
            });
            if m > 40 {
                worst = worst.max((y - tone(f64::from(m) / 1.001)).abs());
            }
        }
        assert!(worst < 2e-3, "{worst}");
    }
}
