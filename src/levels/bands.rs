//! Third-octave levels of both channels, gathered in one pass.

use ndarray::{Array2, Array3, Axis};

use super::align::Aligner;
use super::bank::{Bank, Tick, Timing, carries};
use super::course::Course;
use super::distribution::Distribution;
use super::scatter;
use super::weighting::{Weighted, Weighting};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{Band, BandRange, Role};

/// The clock of a recording: hops, half a 125-ms block long. Ticks are counted to
/// the hop in which they lie once the band's delay is taken off, so that a hop
/// means the same stretch of the recording in every band; a tick across the end
/// of a hop is shared out by time.
const HOP_S: f64 = 0.0625;

/// Points of a course at most.
const COURSE_POINTS: usize = 4096;

const WEIGHTINGS: [Weighting; 2] = [Weighting::Fast, Weighting::Slow];

/// Time constants that a minimum of a time-weighted level waits for: by then
/// the start from rest is forgotten within 0.03 dB.
const SETTLED_TAUS: f64 = 5.0;

/// The part of a recording to analyse, in seconds; the whole by default.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Interval {
    /// Start; the beginning of the recording where absent.
    pub from_s: Option<f64>,
    /// End; the end of the recording where absent.
    pub to_s: Option<f64>,
}

impl Interval {
    /// Start and end in seconds, in a recording of `duration_s`.
    ///
    /// # Errors
    /// [`Problem::Interval`] if it does not lie in the recording.
    pub fn within(self, duration_s: f64) -> Result<(f64, f64)> {
        let from_s = self.from_s.unwrap_or(0.0);
        let to_s = self.to_s.unwrap_or(duration_s);
        // Half a millisecond of grace: people round.
        if from_s >= 0.0 && from_s < to_s && to_s <= duration_s + 5e-4 {
            return Ok((from_s, to_s));
        }
        Err(Problem::Interval {
            from_s,
            to_s,
            duration_s,
        }
        .into())
    }
}

/// The reduced bands. Mean squares are in N² and Pa²; arrays over channels keep
/// the order force, microphone, and an absent channel is zero.
#[derive(Debug, Clone)]
pub struct Bands {
    /// The bands analysed, rising.
    pub bands: Vec<Band>,
    /// Start of the interval really analysed, in seconds.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// By how much later than the sound the force was read, in seconds; `None`
    /// where that was not asked for or no delay was found.
    pub delay_s: Option<f64>,
    /// Mean square over the interval, shape `(channel, band)`.
    pub mean_square: Array2<f64>,
    /// Largest and smallest F-weighted mean square, shape `(channel, band)`.
    pub fast: Extremes,
    /// The same, S-weighted.
    pub slow: Extremes,
    /// Levels of 125-ms blocks, shape `(channel, band)`.
    pub blocks: Array2<Distribution>,
    /// Length of one point of `course`, in seconds.
    pub step_s: f64,
    /// Mean squares over time, shape `(channel, band, point)`.
    pub course: Array3<f64>,
}

/// Extremes of a time-weighted mean square, shape `(channel, band)`.
#[derive(Debug, Clone)]
pub struct Extremes {
    /// Largest.
    pub max: Array2<f64>,
    /// Whether the weighting had listened for five time constants in the end; if
    /// not, the largest may be too small.
    pub settled: bool,
    /// Smallest; `None` if the interval is shorter than five time constants.
    pub min: Option<Array2<f64>>,
}

impl Bands {
    /// Length of the blocks of [`Bands::blocks`] in seconds; they are
    /// rectangular and overlap by one half.
    pub const BLOCK_S: f64 = 2.0 * HOP_S;
    /// A level stands clear of noise this far below it, in dB: the noise adds
    /// less than 0.5 dB.
    pub const CLEAR_DB: f64 = 10.0;

    /// Mean square of one channel over time, the bands at `columns` together.
    pub fn course_of(&self, role: Role, columns: &[usize]) -> Vec<f64> {
        let channel = self.course.index_axis(Axis(0), role as usize);
        channel.select(Axis(0), columns).sum_axis(Axis(0)).to_vec()
    }

    /// Expanded uncertainty (k = 2) in dB of the equivalent level of those bands
    /// together, as one recording of a process that goes on; `None` where the
    /// interval is too short to tell.
    pub fn statistics_db(&self, role: Role, columns: &[usize]) -> Option<f64> {
        let course = self.course_of(role, columns);
        let mean = course.iter().sum::<f64>() / course.len() as f64;
        let deviations: Vec<f64> = course.iter().map(|x| x / mean - 1.0).collect();
        scatter::expanded_db(&deviations, self.step_s).filter(|u| u.is_finite())
    }

    /// Mean square of one channel, the bands at `columns` together.
    pub fn power_of(&self, role: Role, columns: &[usize]) -> f64 {
        let of_band = |column: &usize| self.mean_square[(role as usize, *column)];
        columns.iter().map(of_band).sum()
    }

    /// Mean square of `band` in one channel, for a capture of noise.
    pub fn floor(&self, band: Band, role: Role) -> Option<f64> {
        let column = self.bands.iter().position(|other| *other == band)?;
        Some(self.mean_square[(role as usize, column)])
    }

    /// Length of the analysed interval in seconds.
    pub fn duration_s(&self) -> f64 {
        self.to_s - self.from_s
    }
}

/// The fold that makes [`Bands`].
pub struct BandReduction {
    aligner: Option<Aligner>,
    bank: Bank,
    meter: Meter,
}

/// Everything kept of the bands while the recording passes.
struct Meter {
    bands: Vec<Band>,
    first_hop: u64,
    end_hop: u64,
    timings: Vec<Timing>,
    /// What F and S keep of the past over a tick, per band.
    keeps: Vec<[f64; 2]>,
    /// Band by band, channel fastest.
    lanes: Vec<Lane>,
}

struct Lane {
    weighted: [Weighted; 2],
    hop: u64,
    hop_sum: f64,
    hop_samples: f64,
    previous: Option<f64>,
    total: f64,
    blocks: Distribution,
    course: Course,
}

impl BandReduction {
    /// Prepares for a recording of `frames` frames at `rate_hz`, the force to be
    /// moved forward if `aligned`; returns also what had to be left out.
    ///
    /// # Errors
    /// [`Problem::NoBand`], [`Problem::Interval`] or [`Problem::TooShort`].
    pub fn new(
        range: BandRange,
        interval: Interval,
        rate_hz: u32,
        frames: u64,
        aligned: bool,
    ) -> Result<(Self, Vec<Diagnostic>)> {
        let rate = f64::from(rate_hz);
        let bands: Vec<Band> = range
            .bands()
            .take_while(|band| carries(rate, *band))
            .collect();
        let mut findings = Vec::new();
        match bands.last() {
            None => {
                let lowest = range.lowest().label();
                return Err(Problem::NoBand { rate_hz, lowest }.into());
            }
            Some(highest) if *highest < range.highest() => {
                let highest = highest.name();
                findings.push(Diagnostic::from(Problem::BandsLeftOut { highest, rate_hz }).note());
            }
            Some(_) => {}
        }
        let bank = Bank::new(rate, &bands);
        let timings = bank.timings();
        let aligner = aligned.then(|| Aligner::new(rate));
        let late_s = aligner.as_ref().map_or(0.0, |_| Aligner::LONGEST_S);
        let duration_s = frames as f64 / rate;
        let (first_hop, end_hop) = hops(interval, &timings, late_s, duration_s, bands[0])?;
        let lanes = (0..2 * bands.len()).map(|_| Lane::new()).collect();
        let meter = Meter {
            bands,
            first_hop,
            end_hop,
            keeps: timings
                .iter()
                .map(|t| WEIGHTINGS.map(|w| w.keep(t.tick_s)))
                .collect(),
            timings,
            lanes,
        };
        let reduction = Self {
            aligner,
            bank,
            meter,
        };
        Ok((reduction, findings))
    }

    /// Takes in a block of frames, in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        let meter = &mut self.meter;
        let frames = match &mut self.aligner {
            Some(aligner) => aligner.push(frames).frames,
            None => frames,
        };
        self.bank.push(frames, |tick| meter.tick(tick));
    }

    /// The reduced bands.
    pub fn finish(mut self) -> Bands {
        let meter = &mut self.meter;
        let mut delay_s = None;
        if let Some(aligner) = &mut self.aligner {
            let rest = aligner.finish().frames;
            self.bank.push(rest, |tick| meter.tick(tick));
            delay_s = aligner.delay_s();
        }
        self.meter.finish(delay_s)
    }
}

/// Time from which every band has settled.
fn warm_up_s(timings: &[Timing]) -> f64 {
    timings.iter().map(|t| t.settled_s).fold(0.0, f64::max)
}

/// First hop and end of the hops inside `interval` once the filters have
/// settled and as long as every band still has signal, the force of which comes
/// `late_s` after the sound.
fn hops(
    interval: Interval,
    timings: &[Timing],
    late_s: f64,
    duration_s: f64,
    lowest: Band,
) -> Result<(u64, u64)> {
    let (from_s, to_s) = interval.within(duration_s)?;
    let first = (from_s.max(warm_up_s(timings)) / HOP_S - 1e-9).ceil();
    // How long after a moment every band has told of it.
    let told_s = |timing: &Timing| timing.delay_s + timing.tick_s;
    let reach_s = timings.iter().map(told_s).fold(0.0, f64::max) + late_s;
    let end = (to_s.min(duration_s - reach_s) / HOP_S + 1e-9).floor();
    if end < first + 2.0 {
        let needed_s = (first + 2.0) * HOP_S + reach_s;
        return Err(Problem::TooShort {
            available_s: to_s,
            needed_s,
            why: format!(
                "for the {} Hz band: its filter settles for {:.2} s before one block of 125 ms",
                lowest.label(),
                warm_up_s(timings)
            ),
        }
        .into());
    }
    Ok((first as u64, end as u64))
}

impl Meter {
    fn tick(&mut self, tick: &Tick<'_>) {
        for (position, sums) in tick.sums.chunks_exact(2).enumerate() {
            let band = tick.first_band + position;
            let Timing {
                delay_s,
                tick_s,
                settled_s,
            } = self.timings[band];
            let time_s = tick.end_s - delay_s;
            // Negative times lie in hop 0, with which no interval begins: the
            // filters settle longer than that.
            let hop = (time_s / HOP_S) as u64;
            let share = ((time_s - hop as f64 * HOP_S) / tick_s).min(1.0);
            let watched = (self.first_hop..self.end_hop).contains(&hop);
            let waited_s = time_s - self.first_hop as f64 * HOP_S;
            for (lane, sum) in self.lanes[2 * band..].iter_mut().zip(sums) {
                let square = sum / tick.samples;
                for (which, weighting) in WEIGHTINGS.iter().enumerate() {
                    let weighted = &mut lane.weighted[which];
                    // The beginning of a file is a click to a filter.
                    if time_s >= settled_s {
                        weighted.push(square, self.keeps[band][which]);
                    }
                    if watched {
                        weighted.watch(waited_s >= SETTLED_TAUS * weighting.tau_s());
                    }
                }
                if hop > lane.hop {
                    lane.add(sum, tick.samples, 1.0 - share);
                    if (self.first_hop..self.end_hop).contains(&lane.hop) {
                        lane.close_hop();
                    }
                    (lane.hop, lane.hop_sum, lane.hop_samples) = (hop, 0.0, 0.0);
                }
                lane.add(sum, tick.samples, share);
            }
        }
    }

    fn finish(self, delay_s: Option<f64>) -> Bands {
        let shape = (2, self.bands.len());
        let lanes = &self.lanes;
        let lane = |(channel, band): (usize, usize)| &lanes[2 * band + channel];
        let of =
            |figure: &dyn Fn(&Lane) -> f64| Array2::from_shape_fn(shape, |at| figure(lane(at)));
        let hops = (self.end_hop - self.first_hop) as f64;
        let extremes = |which: usize| Extremes {
            max: of(&|lane| lane.weighted[which].max),
            settled: self.end_hop as f64 * HOP_S - warm_up_s(&self.timings)
                >= SETTLED_TAUS * WEIGHTINGS[which].tau_s(),
            min: (hops * HOP_S > SETTLED_TAUS * WEIGHTINGS[which].tau_s())
                .then(|| of(&|lane| lane.weighted[which].min)),
        };
        let points = lanes
            .iter()
            .map(|l| l.course.points().len())
            .min()
            .unwrap_or(0);
        Bands {
            from_s: self.first_hop as f64 * HOP_S,
            to_s: self.end_hop as f64 * HOP_S,
            delay_s,
            mean_square: of(&|lane| lane.total / hops),
            fast: extremes(0),
            slow: extremes(1),
            blocks: Array2::from_shape_fn(shape, |at| lane(at).blocks.clone()),
            step_s: HOP_S * lanes.first().map_or(1, |l| l.course.hops_per_point()) as f64,
            course: Array3::from_shape_fn(
                (2, self.bands.len(), points),
                |(channel, band, point)| lane((channel, band)).course.points()[point],
            ),
            bands: self.bands,
        }
    }
}

impl Lane {
    fn new() -> Self {
        Self {
            weighted: [Weighted::new(); 2],
            hop: 0,
            hop_sum: 0.0,
            hop_samples: 0.0,
            previous: None,
            total: 0.0,
            blocks: Distribution::new(),
            course: Course::holding(COURSE_POINTS),
        }
    }

    /// Counts a share of a tick to the present hop.
    fn add(&mut self, sum: &f64, samples: f64, share: f64) {
        self.hop_sum += sum * share;
        self.hop_samples += samples * share;
    }

    fn close_hop(&mut self) {
        let square = self.hop_sum / self.hop_samples;
        self.total += square;
        if let Some(previous) = self.previous {
            self.blocks.push(0.5 * (previous + square));
        }
        self.previous = Some(square);
        self.course.push(square);
    }
}
