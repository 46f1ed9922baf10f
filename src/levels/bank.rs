//! The filter bank: bands on a tree of halved sampling rates, read out on one
//! clock.
//!
//! A band runs at the lowest rate at which its upper edge stays below 0.4 of
//! that rate; at the recording's own rate up to 0.45. The clock marks *hops* of
//! 62.5 ms: half the 125-ms block that speech analysis uses. Each stage reads
//! its hops late by its own delay (decimators and the mean group delay of its
//! bands), so that hop `k` means the same stretch of the recording everywhere.
//! Within a hop, *ticks* of about 1 ms feed the time weightings.

use super::decimate::Decimator;
use super::filter::{BandFilter, Lanes};
use crate::quantity::Band;

/// Length of a hop in seconds: half a 125-ms block.
pub const HOP_S: f64 = 0.0625;
/// Ticks are at most this long, so that the exponential weights of F (125 ms)
/// move by less than 1 % within one.
const TICK_S: f64 = 0.001;
/// Upper edges below this share of a halved rate: the decimator's flat part.
const SHARE_HALVED: f64 = 0.4;
/// Upper edges below this share of the recording's rate: class 1 holds up to a
/// midband frequency of 0.42 of the rate (tests/reference/band_filters.rs).
const SHARE_OWN: f64 = 0.45;

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
    pub samples: u32,
    /// Rate of the stage in Hz.
    pub rate_hz: f64,
    /// The hop this tick lies in; `None` before the first.
    pub hop: Option<u64>,
    /// Whether the tick ends its hop.
    pub closes: bool,
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

    /// Longest delay of a band, in seconds.
    pub fn delay_s(&self) -> f64 {
        let longest = |s: &Stage| s.delay / s.rate_hz;
        self.stages.iter().map(longest).fold(0.0, f64::max)
    }

    /// Time on the common clock from which every filter has settled to −80 dB.
    pub fn warm_up_s(&self) -> f64 {
        self.stages.iter().map(|s| s.warm_up_s).fold(0.0, f64::max)
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
    /// Delay of what the lanes give, in samples of this stage.
    delay: f64,
    warm_up_s: f64,
    tick: u32,
    position: u64,
    hop: Option<u64>,
    hop_end: u64,
    sums: [f64; 6],
    summed: u32,
}

enum StageLanes {
    None,
    One(Lanes<2>),
    Two(Lanes<4>),
    Three(Lanes<6>),
}

impl Stage {
    fn new(
        rate_hz: f64,
        delay: f64,
        first_band: usize,
        bands: &[Band],
        decimator: Option<Decimator>,
    ) -> Self {
        let filters: Vec<BandFilter> = bands.iter().map(|b| BandFilter::new(*b, rate_hz)).collect();
        let each_delay = bands.iter().zip(&filters).map(|(band, f)| f.delay_s(*band));
        let mean_delay_s = each_delay.sum::<f64>() / bands.len().max(1) as f64;
        let settling_s = filters
            .iter()
            .map(BandFilter::settling_s)
            .fold(0.0, f64::max);
        let lanes = match filters.len() {
            0 => StageLanes::None,
            1 => StageLanes::One(Lanes::new(&filters)),
            2 => StageLanes::Two(Lanes::new(&filters)),
            _ => StageLanes::Three(Lanes::new(&filters)),
        };
        let mut stage = Self {
            lanes,
            decimator,
            rate_hz,
            first_band,
            delay: delay + mean_delay_s * rate_hz,
            // Settled `settling_s` after the decimators' own length, read out
            // `delay` later.
            warm_up_s: (settling_s - mean_delay_s + delay / rate_hz).max(0.0),
            tick: ((TICK_S * rate_hz) as u32).max(1),
            position: 0,
            hop: None,
            hop_end: 0,
            sums: [0.0; 6],
            summed: 0,
        };
        stage.hop_end = stage.boundary(0);
        stage
    }

    /// Sample at which hop `k` begins.
    fn boundary(&self, hop: u64) -> u64 {
        (hop as f64 * HOP_S * self.rate_hz + self.delay).round() as u64
    }

    fn push(&mut self, mut frames: &[[f64; 2]], sink: &mut impl FnMut(&Tick<'_>)) {
        while !frames.is_empty() {
            let to_tick = u64::from(self.tick - self.summed).min(self.hop_end - self.position);
            let count = (to_tick as usize).min(frames.len());
            let (now, rest) = frames.split_at(count);
            match &mut self.lanes {
                StageLanes::None => return,
                StageLanes::One(lanes) => lanes.add_squares(now, &mut self.sums),
                StageLanes::Two(lanes) => lanes.add_squares(now, &mut self.sums),
                StageLanes::Three(lanes) => lanes.add_squares(now, &mut self.sums),
            }
            self.position += count as u64;
            self.summed += count as u32;
            let closes = self.position == self.hop_end;
            if closes || self.summed == self.tick {
                self.emit(closes, sink);
            }
            frames = rest;
        }
    }

    fn emit(&mut self, closes: bool, sink: &mut impl FnMut(&Tick<'_>)) {
        let lanes = match &mut self.lanes {
            StageLanes::None => 0,
            StageLanes::One(_) => 2,
            StageLanes::Two(_) => 4,
            StageLanes::Three(_) => 6,
        };
        if self.summed > 0 {
            sink(&Tick {
                first_band: self.first_band,
                sums: &self.sums[..lanes],
                samples: self.summed,
                rate_hz: self.rate_hz,
                hop: self.hop,
                closes,
            });
        }
        (self.sums, self.summed) = ([0.0; 6], 0);
        if closes {
            let next = self.hop.map_or(0, |hop| hop + 1);
            self.hop = Some(next);
            self.hop_end = self.boundary(next + 1);
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
    fn ticks(piece: usize) -> Vec<(usize, Option<u64>, u64)> {
        let bands: Vec<Band> = BandRange::default().bands().collect();
        let mut bank = Bank::new(44_100.0, &bands);
        let frames: Vec<[f64; 2]> = (0..30_000u32)
            .map(|n| [f64::from(n * n % 1009) - 504.0, f64::from(n % 251) - 125.0])
            .collect();
        let mut found = Vec::new();
        for chunk in frames.chunks(piece) {
            bank.push(chunk, |tick| {
                let total: f64 = tick.sums.iter().sum();
                found.push((tick.first_band, tick.hop, total.to_bits()));
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
