//! Clicks: a lid that rattles, a contact that breaks.
//!
//! A click is a millisecond whose first difference (which raises high
//! frequencies by 6 dB per octave) stands far above that of the tens of
//! milliseconds before and after, while the level before and after is the same:
//! a stimulus that sets in changes it, and a plosive of speech goes on sounding.

use std::collections::VecDeque;
use std::collections::vec_deque::Iter;

/// Length of a slot in seconds.
const SLOT_S: f64 = 1e-3;
/// Slots looked at around one: before, between, after.
const BEFORE: usize = 30;
const GUARD: usize = 3;
const RING: usize = 8;
const AFTER: usize = 30;
/// A click stands this far above its surroundings, in dB.
const PROMINENCE_DB: f64 = 12.0;
/// The level before and after differ by less than this, in dB.
const STEADY_DB: f64 = 10.0;
/// Clicks kept; where there are more, the strongest.
const KEPT: usize = 4096;

/// The clicks of one channel.
#[derive(Debug, Clone, Default)]
pub struct Impulses {
    /// Those whose peak reaches the root mean square of the channel.
    pub clicks: Vec<Click>,
    /// Root mean square of the channel, in N or Pa.
    pub rms: f64,
}

/// One click.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Click {
    /// When, in seconds.
    pub at_s: f64,
    /// Peak in N or Pa.
    pub peak: f64,
}

/// The fold that makes [`Impulses`] of both channels.
pub struct ImpulseReduction {
    slot: usize,
    filled: usize,
    channels: [Channel; 2],
}

#[derive(Default)]
struct Channel {
    last: f64,
    slot: Slot,
    slots: VecDeque<Slot>,
    closed: u64,
    total: f64,
    found: Vec<Click>,
}

/// Sums over one slot.
#[derive(Clone, Copy, Default)]
struct Slot {
    difference: f64,
    square: f64,
    peak: f64,
}

impl ImpulseReduction {
    /// Prepares for `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        Self {
            slot: (SLOT_S * f64::from(rate_hz)).round() as usize,
            filled: 0,
            channels: Default::default(),
        }
    }

    /// Takes in a block of frames, in N and Pa.
    pub fn push(&mut self, mut frames: &[[f64; 2]]) {
        while !frames.is_empty() {
            let taken = frames.len().min(self.slot - self.filled);
            for (which, channel) in self.channels.iter_mut().enumerate() {
                channel.take(frames[..taken].iter().map(|frame| frame[which]));
            }
            self.filled += taken;
            frames = &frames[taken..];
            if self.filled == self.slot {
                self.filled = 0;
                self.channels.iter_mut().for_each(Channel::close);
            }
        }
    }

    /// The clicks of both channels.
    pub fn finish(self) -> [Impulses; 2] {
        let samples = self.slot as f64;
        self.channels.map(|channel| {
            let rms = (channel.total / (channel.closed.max(1) as f64 * samples)).sqrt();
            let loud = |click: &Click| rms > 0.0 && click.peak >= rms;
            Impulses {
                clicks: channel.found.into_iter().filter(loud).collect(),
                rms,
            }
        })
    }
}

impl Channel {
    fn take(&mut self, samples: impl Iterator<Item = f64>) {
        let (mut last, mut slot) = (self.last, self.slot);
        for sample in samples {
            let difference = sample - last;
            slot.difference += difference * difference;
            slot.square += sample * sample;
            slot.peak = slot.peak.max(sample.abs());
            last = sample;
        }
        (self.last, self.slot) = (last, slot);
    }

    fn close(&mut self) {
        self.total += self.slot.square;
        self.slots.push_back(std::mem::take(&mut self.slot));
        self.closed += 1;
        if self.slots.len() > BEFORE + GUARD + RING + AFTER {
            self.slots.pop_front();
            self.look();
        }
    }

    /// Is the slot in the middle a click?
    fn look(&mut self) {
        let middle = BEFORE + GUARD;
        let here = self.slots[middle];
        // Its own peak lies in the slot with the greatest difference.
        let near = self.slots.range(middle - GUARD + 1..middle + GUARD);
        if near.clone().any(|slot| slot.difference > here.difference) {
            return;
        }
        let before = self.slots.range(..BEFORE);
        let after = self.slots.range(middle + RING..);
        let loudest = before.clone().chain(after.clone());
        let loudest = loudest.map(|slot| slot.difference).fold(0.0, f64::max);
        let square = |slots: Iter<'_, Slot>| slots.map(|slot| slot.square).sum::<f64>();
        let (before, after) = (square(before), square(after));
        let steady = 10f64.powf(STEADY_DB / 10.0);
        if here.difference > loudest * 10f64.powf(PROMINENCE_DB / 10.0)
            && loudest > 0.0
            && (1.0 / steady..steady).contains(&(before / after))
        {
            self.keep(here.peak);
        }
    }

    fn keep(&mut self, peak: f64) {
        let slot = self.closed - (RING + AFTER) as u64;
        let click = Click {
            at_s: slot as f64 * SLOT_S,
            peak,
        };
        if self.found.len() < KEPT {
            self.found.push(click);
            return;
        }
        let weakest = self
            .found
            .iter_mut()
            .min_by(|a, b| a.peak.total_cmp(&b.peak));
        if let Some(weakest) = weakest.filter(|weakest| weakest.peak < peak) {
            *weakest = click;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clicks(signal: impl Fn(usize) -> f64) -> Vec<Click> {
        let mut reduction = ImpulseReduction::new(16_000);
        let frames: Vec<[f64; 2]> = (0..48_000).map(|n| [signal(n), 0.0]).collect();
        frames.chunks(777).for_each(|block| reduction.push(block));
        let [force, microphone] = reduction.finish();
        assert!(microphone.clicks.is_empty());
        force.clicks
    }

    fn tone(n: usize) -> f64 {
        (n as f64 * 0.25).sin()
    }

    /// A lid: 3 kHz, gone within a few milliseconds.
    fn knock(n: usize, at: usize, peak: f64) -> f64 {
        let t = n.wrapping_sub(at) as f64 / 16_000.0;
        if n < at {
            return 0.0;
        }
        peak * (-t / 1e-3).exp() * (std::f64::consts::TAU * 3000.0 * t).sin()
    }

    #[test]
    fn a_knock_in_a_tone_is_found_at_its_time() {
        let found = clicks(|n| tone(n) + knock(n, 20_000, 8.0));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].at_s - 1.25).abs() < 2e-3, "{found:?}");
    }

    #[test]
    fn a_tone_that_sets_in_or_steps_up_is_no_click() {
        assert!(clicks(|n| if n < 20_000 { 0.0 } else { tone(n) }).is_empty());
        assert!(clicks(|n| tone(n) * if n < 20_000 { 0.01 } else { 1.0 }).is_empty());
    }

    #[test]
    fn noise_holds_no_clicks() {
        let mut state = 7u64;
        let noise: Vec<f64> = (0..48_000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / f64::from(1 << 24) - 0.5
            })
            .collect();
        assert!(clicks(|n| noise[n]).is_empty());
    }
}
