//! The calibrated samples of an interval, for what no level can tell: how two
//! recordings of one sound lie to each other.

use super::bands::Interval;
use super::decimate::Decimator;
use crate::diagnostic::Result;

/// At most so much of the interval is kept, in seconds: memory has a bound.
const LONGEST_S: f64 = 90.0;
/// Rates from here up are halved, in Hz: 13 kHz stay flat.
const HALVED_FROM_HZ: f64 = 80_000.0;

/// Samples of both channels, an absent channel zero.
#[derive(Debug, Clone)]
pub struct Waveform {
    /// Where the first frame lies in the recording, in seconds.
    pub from_s: f64,
    /// Up to where the spectrum is flat, in Hz.
    pub highest_hz: f64,
    /// Where the interval goes on beyond what was kept, in seconds.
    pub cut_at_s: Option<f64>,
    /// Sampling rate in Hz, that of the recording or a half, a quarter of it.
    pub rate_hz: f64,
    /// Force and microphone, in N and Pa.
    pub frames: Vec<[f32; 2]>,
}

/// The fold that makes a [`Waveform`].
pub struct WaveformReduction {
    halvings: Vec<Decimator>,
    rate_hz: f64,
    from_s: f64,
    cut_at_s: Option<f64>,
    interval: [usize; 2],
    seen: usize,
    kept: Vec<[f32; 2]>,
}

impl WaveformReduction {
    /// Nothing taken in yet, of a recording of `frames` at `rate_hz`.
    ///
    /// # Errors
    /// [`crate::Problem::Interval`] if the interval does not lie in the recording.
    pub fn new(interval: Interval, rate_hz: u32, frames: u64) -> Result<Self> {
        let rate_hz = f64::from(rate_hz);
        let (from_s, to_s) = interval.within(frames as f64 / rate_hz)?;
        let longest_s = from_s + LONGEST_S;
        let cut_at_s = (to_s > longest_s).then_some(longest_s);
        let to_s = to_s.min(longest_s);
        let mut kept_hz = rate_hz;
        let mut halvings = Vec::new();
        while kept_hz > HALVED_FROM_HZ {
            kept_hz *= 0.5;
            halvings.push(Decimator::new());
        }
        Ok(Self {
            halvings,
            rate_hz: kept_hz,
            from_s,
            cut_at_s,
            interval: [from_s, to_s].map(|s| (s * rate_hz).round() as usize),
            seen: 0,
            kept: Vec::new(),
        })
    }

    /// Takes in the next frames.
    pub fn push(&mut self, block: &[[f64; 2]]) {
        let [from, to] = self
            .interval
            .map(|at| at.saturating_sub(self.seen).min(block.len()));
        self.seen += block.len();
        let mut piece = block[from..to].to_vec();
        let mut halved = Vec::new();
        for stage in &mut self.halvings {
            stage.push(&piece, &mut halved);
            std::mem::swap(&mut piece, &mut halved);
        }
        self.kept
            .extend(piece.iter().map(|frame| frame.map(|x| x as f32)));
    }

    /// What was kept.
    pub fn finish(self) -> Waveform {
        Waveform {
            from_s: self.from_s,
            cut_at_s: self.cut_at_s,
            highest_hz: match self.halvings.is_empty() {
                true => 0.45 * self.rate_hz,
                false => 0.27 * self.rate_hz,
            },
            rate_hz: self.rate_hz,
            frames: self.kept,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_is_kept_whatever_the_blocks() {
        let frames: Vec<[f64; 2]> = (0..16_000).map(|n| [f64::from(n), 0.5]).collect();
        let interval = Interval {
            from_s: Some(0.25),
            to_s: Some(0.75),
        };
        let mut whole = WaveformReduction::new(interval, 16_000, 16_000).unwrap();
        whole.push(&frames);
        let mut parts = WaveformReduction::new(interval, 16_000, 16_000).unwrap();
        frames.chunks(777).for_each(|chunk| parts.push(chunk));
        let (whole, parts) = (whole.finish(), parts.finish());
        assert_eq!(whole.frames, parts.frames);
        assert_eq!(whole.frames.len(), 8000);
        assert_eq!(whole.frames[0], [4000.0, 0.5]);
    }

    #[test]
    fn a_high_rate_is_halved() {
        let mut reduction = WaveformReduction::new(Interval::default(), 96_000, 9600).unwrap();
        reduction.push(&vec![[1.0, 1.0]; 9600]);
        let kept = reduction.finish();
        assert_eq!(kept.rate_hz, 48_000.0);
        assert!((kept.frames[2000][0] - 1.0).abs() < 1e-6);
    }
}
