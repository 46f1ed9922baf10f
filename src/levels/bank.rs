//! The filter bank: bands on a tree of halved sampling rates.
//!
//! A band runs at the lowest rate at which its upper edge stays below 0.3 of
//! that rate: its square, which reaches to twice its frequency, then folds back
//! no lower than 0.4 of the rate, where the time weightings average it away. At
//! the recording's own rate bands are kept up to 0.42. What comes out are sums
//! of squares over *ticks* of about 2 ms; each band's delay is known, so that
//! the reader can tell which stretch of the recording a tick stands for.

use super::decimate::Decimator;
use super::filter::{BandFilter, Lanes};
use crate::quantity::Band;

/// Ticks are at most this long, so that the exponential weights of F (125 ms)
/// move by less than 2 % within one.
const TICK_S: f64 = 0.002;
/// Upper edges lie below this share of a halved rate: the decimator's flat part.
const SHARE_HALVED: f64 = 0.3;
/// Upper edges below this share of the recording's rate: class 1 holds with
/// 0.2 dB to spare up to there (tests/reference/band_filters.rs).
const SHARE_OWN: f64 = 0.42;

/// Whether a recording at `rate_hz` carries `band`.
pub fn carries(rate_hz: f64, band: Band) -> bool {
    band.upper_hz() < SHARE_OWN * rate_hz
}

/// Sums of squares of one stage over one tick.
pub struct Tick<'a> {
    /// Number of the stage's first band, counted from the bank's lowest.
    pub first_band: usize,
    /// Sum of squares per lane: band by band, channel fastest.
    pub sums: &'a [f64],
    /// Number of samples summed.
    pub samples: f64,
    /// Its end, in seconds of what came in.
    pub end_s: f64,
}

/// When a band tells of a moment of the recording.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// Delay of the band: its decimators and its own group delay at the midband
    /// frequency, in seconds.
    pub delay_s: f64,
    /// Length of its ticks in seconds.
    pub tick_s: f64,
    /// Time from the start of the recording after which the band, read with its
    /// delay taken off, has settled to −80 dB.
    pub settled_s: f64,
}

/// The bank for two channels.
pub struct Bank {
    stages: Vec<Stage>,
    halved: [Vec<[f64; 2]>; 2],
}

impl Bank {
    /// A bank at rest for `bands`, in rising order, all carried by `rate_hz`.
    pub fn new(rate_hz: f64, bands: &[Band]) -> Self {
        let mut stages = Vec::new();
        let (mut rate, mut delay, mut left) = (rate_hz, 0.0, bands);
        while !left.is_empty() {
            let below = left.partition_point(|band| band.upper_hz() < SHARE_HALVED * rate / 2.0);
            // Above three bands an octave cannot hold more, but at the
            // recording's own rate there may be four.
            let (rest, own) = left.split_at(below);
            for (group, few) in own.chunks(3).enumerate() {
                let decimator = (group == 0 && below > 0).then(Decimator::new);
                stages.push(Stage::new(rate, delay, below + 3 * group, few, decimator));
            }
            if own.is_empty() {
                stages.push(Stage::new(rate, delay, below, &[], Some(Decimator::new())));
            }
            delay = (delay + Decimator::DELAY) / 2.0;
            rate /= 2.0;
            left = rest;
        }
        Self {
            stages,
            halved: [Vec::new(), Vec::new()],
        }
    }

    /// Delay and ticks of each band.
    pub fn timings(&self) -> Vec<Timing> {
        let mut stages: Vec<&Stage> = self.stages.iter().collect();
        stages.sort_by_key(|stage| stage.first_band);
        stages
            .iter()
            .flat_map(|stage| stage.timings.iter().copied())
            .collect()
    }

    /// Filters `frames` and hands every tick that ends in them to `sink`.
    pub fn push(&mut self, frames: &[[f64; 2]], mut sink: impl FnMut(&Tick<'_>)) {
        let [current, next] = &mut self.halved;
        current.clear();
        current.extend_from_slice(frames);
        // Stages of one rate stand together; the first of them halves for the
        // next rate, once all of them have seen the block.
        let mut start = 0;
        while start < self.stages.len() {
            let rate = self.stages[start].rate_hz;
            let same = self.stages[start..]
                .iter()
                .take_while(|s| s.rate_hz == rate)
                .count();
            for stage in &mut self.stages[start..start + same] {
                stage.push(current, &mut sink);
            }
            if let Some(decimator) = &mut self.stages[start].decimator {
                decimator.push(current, next);
                std::mem::swap(current, next);
            }
            start += same;
        }
    }
}

/// One to three bands at one rate.
struct Stage {
    lanes: StageLanes,
    decimator: Option<Decimator>,
    rate_hz: f64,
    first_band: usize,
    timings: Vec<Timing>,
    tick: u32,
    position: u64,
    sums: [f64; 6],
    summed: u32,
}

#[expect(clippy::large_enum_variant, reason = "a bank has ten stages at most")]
enum StageLanes {
    None,
    One(Lanes<2>),
    Two(Lanes<4>),
    Three(Lanes<6>),
}

impl Stage {
    /// `delay`: what the decimators before it took, in its own samples.
    fn new(
        rate_hz: f64,
        delay: f64,
        first_band: usize,
        bands: &[Band],
        decimator: Option<Decimator>,
    ) -> Self {
        let filters: Vec<BandFilter> = bands.iter().map(|b| BandFilter::new(*b, rate_hz)).collect();
        let decimators_s = delay / rate_hz;
        let tick = ((TICK_S * rate_hz) as u32).max(1);
        let mut timings = Vec::new();
        for (band, filter) in bands.iter().zip(&filters) {
            let own_s = filter.delay_s(*band);
            timings.push(Timing {
                delay_s: decimators_s + own_s,
                tick_s: f64::from(tick) / rate_hz,
                // A settling time after the decimators' whole length (twice
                // their delay), read with the delay taken off.
                settled_s: (filter.settling_s() + decimators_s - own_s).max(0.0),
            });
        }
        let lanes = match filters.len() {
            0 => StageLanes::None,
            1 => StageLanes::One(Lanes::new(&filters)),
            2 => StageLanes::Two(Lanes::new(&filters)),
            _ => StageLanes::Three(Lanes::new(&filters)),
        };
        Self {
            lanes,
            decimator,
            rate_hz,
            first_band,
            timings,
            tick,
            position: 0,
            sums: [0.0; 6],
            summed: 0,
        }
    }

    fn push(&mut self, mut frames: &[[f64; 2]], sink: &mut impl FnMut(&Tick<'_>)) {
        while !frames.is_empty() {
            let count = ((self.tick - self.summed) as usize).min(frames.len());
            let (now, rest) = frames.split_at(count);
            match &mut self.lanes {
                StageLanes::None => return,
                StageLanes::One(lanes) => lanes.add_squares(now, &mut self.sums),
                StageLanes::Two(lanes) => lanes.add_squares(now, &mut self.sums),
                StageLanes::Three(lanes) => lanes.add_squares(now, &mut self.sums),
            }
            self.summed += count as u32;
            if self.summed == self.tick {
                self.emit(sink);
            }
            frames = rest;
        }
    }

    fn emit(&mut self, sink: &mut impl FnMut(&Tick<'_>)) {
        self.position += u64::from(self.tick);
        sink(&Tick {
            first_band: self.first_band,
            sums: &self.sums[..2 * self.timings.len()],
            samples: f64::from(self.tick),
            end_s: self.position as f64 / self.rate_hz,
        });
        (self.sums, self.summed) = ([0.0; 6], 0);
        if self.position.is_multiple_of(64 * u64::from(self.tick)) {
            match &mut self.lanes {
                StageLanes::None => {}
                StageLanes::One(lanes) => lanes.settle(),
                StageLanes::Two(lanes) => lanes.settle(),
                StageLanes::Three(lanes) => lanes.settle(),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::BandRange;

    /// Every tick of a noise-like signal pushed in pieces of `piece` frames.
    fn ticks(piece: usize) -> Vec<(usize, u64, u64)> {
        let bands: Vec<Band> = BandRange::default().bands().collect();
        let mut bank = Bank::new(44_100.0, &bands);
        let frames: Vec<[f64; 2]> = (0..30_000u32)
            .map(|n| [f64::from(n * n % 1009) - 504.0, f64::from(n % 251) - 125.0])
            .collect();
        let mut found = Vec::new();
        for chunk in frames.chunks(piece) {
            bank.push(chunk, |tick| {
                let total: f64 = tick.sums.iter().sum();
                found.push((tick.first_band, tick.end_s.to_bits(), total.to_bits()));
            });
        }
        found.sort_unstable();
        found
    }

    #[test]
    fn how_the_recording_is_cut_does_not_change_a_bit() {
        let whole = ticks(30_000);
        assert!(whole.len() > 1000);
        assert!(whole == ticks(1));
        assert!(whole == ticks(4096));
    }
}
