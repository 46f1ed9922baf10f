//! The steps of a recorded tone sweep, staircase or series of bursts, found in the
//! microphone channel.
//!
//! Every 10 ms the strongest line of 40 ms under a Hann window gives a frequency and
//! a level. As long as both hold (0.6 % or 1.5 Hz, and 0.75 dB) and the line carries
//! at least seven tenths of the power, it is one step; what lasts less than 60 ms is
//! a transition. Own method.
//!
//! Where the session says when the steps begin and end, each of its stretches is one
//! step, and the strongest line in it tells frequency and level.

use std::f64::consts::TAU;

use realfft::RealFftPlanner;

use super::reduce::Levels;
use super::synchronous::frequency_hz;
use super::waveform::Waveform;
use crate::diagnostic::Result;
use crate::quantity::Role;

const FRAME_S: f64 = 0.04;
const HOP_S: f64 = 0.01;
/// Lines below are taken for hum or rumble, in Hz.
const LOWEST_HZ: f64 = 90.0;
/// Share of the power that a tone carries.
const TONAL: f64 = 0.7;
/// How far a step may wander, as a share of its frequency, in Hz and in dB.
const WANDER: (f64, f64, f64) = (0.006, 1.5, 0.75);
/// What lasts less is a transition, in seconds.
const TRANSITION_S: f64 = 0.06;
/// What lasts less has no settled part, in seconds.
pub const SHORTEST_S: f64 = 0.2;
/// What is left out at the begin at least, in seconds: delay and settling of the device.
const SETTLING_S: f64 = 0.1;
/// What is left out at the end, in seconds: a frame may reach into the next step.
const GUARD_S: f64 = 0.01;
/// By how much the force may follow the sound, in seconds.
const FOLLOWS_S: f64 = 0.03;
/// Reach around a clipped place within which its peak lies, in seconds.
const NEAR_S: f64 = 0.001;

/// A stretch of one tone at one level; times are of the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// In Hz.
    pub frequency_hz: f64,
    /// Level at the reference microphone, about, in dB SPL.
    pub level_db: f64,
    /// Begin in seconds.
    pub begin_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Whether the recording clips within it.
    pub clipped: bool,
    /// Whether one tone holds throughout; only stated steps may lack it.
    pub steady: bool,
}

impl Step {
    /// Whether it lasts too little to settle.
    pub fn too_short(&self) -> bool {
        self.end_s - self.begin_s < SHORTEST_S
    }

    /// The frequency to a fraction of a hertz, once there is a settled part.
    fn refine(&mut self, waveform: &Waveform) {
        if !self.too_short() && self.steady {
            let (settled, channel) = (self.settled(waveform), Role::Microphone as usize);
            self.frequency_hz = frequency_hz(settled, channel, self.frequency_hz, waveform.rate_hz);
        }
    }

    /// Whether nothing keeps it from being used.
    pub fn whole(&self) -> bool {
        !self.too_short() && !self.clipped && self.steady
    }

    /// Whether the other is of the same frequency (1.5 %) and level (1 dB).
    pub fn same_as(&self, other: &Self) -> bool {
        self.is_near(other.frequency_hz) && (self.level_db - other.level_db).abs() < 1.0
    }

    /// Whether its frequency is `hz` to within 1.5 %: nominal midband frequencies
    /// are rounded by up to 1.3 %.
    pub fn is_near(&self, hz: f64) -> bool {
        (self.frequency_hz / hz - 1.0).abs() < 0.015
    }

    /// The settled frames: the second half, at least 0.1 s after the begin.
    pub fn settled<'a>(&self, waveform: &'a Waveform) -> &'a [[f32; 2]] {
        let from_s = self.begin_s + SETTLING_S.max(0.5 * (self.end_s - self.begin_s));
        between(waveform, from_s, self.end_s - GUARD_S)
    }
}

/// The frames from one time of the recording to another.
pub fn between(waveform: &Waveform, from_s: f64, to_s: f64) -> &[[f32; 2]] {
    let count = waveform.frames.len();
    let at = |s: f64| ((s - waveform.from_s) * waveform.rate_hz).round().max(0.0) as usize;
    let to = at(to_s).min(count);
    &waveform.frames[at(from_s).min(to)..to]
}

/// The steps of `capture`, in their order.
///
/// # Errors
/// [`crate::Problem::Internal`] if the samples were not asked for.
pub fn find(capture: &Levels) -> Result<Vec<Step>> {
    let waveform = capture.waveform()?;
    let lines = track(waveform);
    let mut steps = match capture.steps_s.as_slice() {
        [] => unstated(waveform, &lines),
        stated => stated
            .iter()
            .map(|s| within(waveform, &lines, *s))
            .collect(),
    };
    mark_clipped(&mut steps, capture, waveform);
    Ok(steps)
}

/// One step in the stretch from `begin_s` to `end_s`, whatever it holds.
fn within(waveform: &Waveform, lines: &[Option<Line>], [begin_s, end_s]: [f64; 2]) -> Step {
    let hop_s = hop(waveform.rate_hz) as f64 / waveform.rate_hz;
    // A frame must lie inside, a hop being allowed at either end for rounded times.
    let starts = lines
        .iter()
        .enumerate()
        .map(|(n, line)| (waveform.from_s + n as f64 * hop_s, line));
    let inside =
        starts.filter(|(at_s, _)| *at_s >= begin_s - HOP_S && at_s + FRAME_S <= end_s + HOP_S);
    let inside: Vec<Option<Line>> = inside.map(|(_, line)| *line).collect();
    let mut tones: Vec<Line> = inside.iter().flatten().copied().collect();
    tones.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    let middle = tones.get(tones.len() / 2).copied();
    let run = middle.map(|line| Open { lines: vec![line] });
    let held = |run: &Open| tones.iter().filter(|line| run.holds(line)).count();
    // The first and the last frame may reach into the neighbours.
    let steady = run
        .as_ref()
        .is_some_and(|run| held(run) + 2 >= inside.len());
    let about_hz = middle.map_or(0.0, |line| line.frequency_hz);
    let mut step = Step {
        frequency_hz: about_hz,
        level_db: middle.map_or(0.0, |line| line.level_db),
        begin_s,
        end_s,
        clipped: false,
        steady,
    };
    step.refine(waveform);
    step
}

/// The steps that show themselves by a tone that holds.
fn unstated(waveform: &Waveform, lines: &[Option<Line>]) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut open: Option<Open> = None;
    for line in lines.iter().copied().chain([None]) {
        match (&mut open, line) {
            (Some(run), Some(line)) if run.holds(&line) => run.lines.push(line),
            _ => {
                let closed = open.take().and_then(|run| run.close(waveform));
                steps.extend(closed);
                open = line.map(|line| Open { lines: vec![line] });
            }
        }
    }
    steps
}

/// The strongest line of one frame.
#[derive(Clone, Copy)]
struct Line {
    at_s: f64,
    frequency_hz: f64,
    level_db: f64,
}

struct Open {
    lines: Vec<Line>,
}

impl Open {
    fn mean(&self, of: impl Fn(&Line) -> f64) -> f64 {
        self.lines.iter().map(of).sum::<f64>() / self.lines.len() as f64
    }

    fn holds(&self, line: &Line) -> bool {
        let hz = self.mean(|l| l.frequency_hz);
        (line.frequency_hz - hz).abs() < (WANDER.0 * hz).max(WANDER.1)
            && (line.level_db - self.mean(|l| l.level_db)).abs() < WANDER.2
    }

    fn close(self, waveform: &Waveform) -> Option<Step> {
        let (begin_s, end_s) = (self.lines.first()?.at_s, self.lines.last()?.at_s + FRAME_S);
        let (about_hz, level_db) = (self.mean(|l| l.frequency_hz), self.mean(|l| l.level_db));
        let mut step = Step {
            frequency_hz: about_hz,
            level_db,
            begin_s,
            end_s,
            clipped: false,
            steady: true,
        };
        step.refine(waveform);
        (end_s - begin_s >= TRANSITION_S).then_some(step)
    }
}

/// Frames from one frame of the analysis to the next: whole, so not quite
/// [`HOP_S`] at every rate.
fn hop(rate_hz: f64) -> usize {
    (HOP_S * rate_hz) as usize
}

/// The lines of frames of [`FRAME_S`]; `None` where there is no tone.
fn track(waveform: &Waveform) -> Vec<Option<Line>> {
    let rate_hz = waveform.rate_hz;
    let length = 2 * (0.5 * FRAME_S * rate_hz) as usize;
    let hop = hop(rate_hz);
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(length);
    let window: Vec<f64> = (0..length)
        .map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos())
        .collect();
    let squares: f64 = window.iter().map(|w| w * w).sum();
    let scale = 2.0 / (length as f64 * squares);
    let bin_hz = rate_hz / length as f64;
    let (mut input, mut output) = (fft.make_input_vec(), fft.make_output_vec());
    let starts = (0..).map(|k| k * hop);
    let starts = starts.take_while(|start| start + length <= waveform.frames.len());
    starts
        .map(|start| {
            let frames = &waveform.frames[start..start + length];
            for ((x, frame), w) in input.iter_mut().zip(frames).zip(&window) {
                *x = w * f64::from(frame[Role::Microphone as usize]);
            }
            // Lengths are the plan's own.
            fft.process(&mut input, &mut output).ok()?;
            let power: Vec<f64> = output.iter().map(|x| scale * x.norm_sqr()).collect();
            let low = (LOWEST_HZ / bin_hz) as usize;
            let total: f64 = power.iter().skip(low).sum();
            let best = (low + 2..power.len().saturating_sub(2))
                .max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
            let lobe = best - 2..=best + 2;
            let sum: f64 = power[lobe.clone()].iter().sum();
            let centre: f64 = lobe.map(|bin| bin as f64 * power[bin]).sum();
            let level_db = 10.0 * (sum / 4e-10).log10();
            (sum > TONAL * total && level_db.is_finite()).then(|| Line {
                at_s: waveform.from_s + start as f64 / rate_hz,
                frequency_hz: centre / sum * bin_hz,
                level_db,
            })
        })
        .collect()
}

/// A step clips where a clipped place begins within it. Only the first places are
/// listed; after them, a step as high as they are is taken to clip, too. The edges are
/// left out: the force follows the sound by the delay of the device.
fn mark_clipped(steps: &mut [Step], capture: &Levels, waveform: &Waveform) {
    for role in Role::ALL {
        let channel = role as usize;
        let Some(integrity) = &capture.integrity[channel] else {
            continue;
        };
        let peak = |from_s: f64, to_s: f64| {
            let frames = between(waveform, from_s, to_s).iter();
            frames.fold(0f32, |peak, frame| peak.max(frame[channel].abs()))
        };
        let listed = &integrity.clipped.starts_s;
        let peaks = listed.iter().map(|s| peak(s - NEAR_S, s + NEAR_S));
        let lowest = peaks.fold(f32::INFINITY, f32::min);
        let more = integrity.clipped.count > listed.len() as u64;
        for step in steps.iter_mut() {
            let (from_s, to_s) = (step.begin_s + FOLLOWS_S, step.end_s - GUARD_S);
            let within = |s: &f64| (from_s..to_s).contains(s);
            let after = listed.last().is_some_and(|last| to_s > *last);
            step.clipped |=
                listed.iter().any(within) || more && after && peak(from_s, to_s) > 0.97 * lowest;
        }
    }
}
