//! Narrow lines of the force channel, followed through time, and what the
//! microphone channel holds at the same frequency.
//!
//! In frames that overlap by half, the lines that stand above the noise of their
//! critical band are picked; lines that continue are joined to tracks. What stays is one summary per track, so that
//! memory does not grow with the recording.

use super::frame::{Frame, Peak};
use super::map::{Map, MapReduction};
use super::pair::Cross;

/// Frames a track may miss before it ends.
const GAP_FRAMES: u64 = 3;
/// A track shorter than this is forgotten, in seconds.
const SHORTEST_S: f64 = 0.25;
/// A line this much weaker (in power) than one that runs beside it may be a
/// product of its distortion.
const PRODUCT: f64 = 0.01;
/// Lines of whose distortion products are sought.
const ROOTS: usize = 4;
/// Weight of the last step in how a line glides.
const GLIDE_SHARE: f64 = 0.4;
/// Frames that are its onset.
const ONSET_FRAMES: u64 = 12;
/// Tracks kept; the strongest stay.
const TRACKS: usize = 256;

/// A line of the force channel that lasted.
#[derive(Debug, Clone)]
pub struct Line {
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Mean frequency in Hz.
    pub frequency_hz: f64,
    /// Mean square of the line in N².
    pub mean_square: f64,
    /// Mean square of the microphone channel in the same bins, less the noise
    /// beside them, in Pa².
    pub microphone_mean_square: f64,
    /// Its level above the noise of its critical band, mean over time, in dB.
    pub tone_to_noise_db: f64,
    /// The same of the microphone channel at that frequency, in dB.
    pub microphone_tone_to_noise_db: f64,
    /// Prominence ratio, mean over time, in dB.
    pub prominence_db: f64,
    /// Steepest rise of its level within its first half second, in dB/s.
    pub growth_db_per_s: f64,
    /// Lowest and highest frequency it ran through, in Hz.
    pub range_hz: [f64; 2],
    /// Squared coherence of both channels at the line.
    pub coherence: f64,
    /// Squared gain from microphone to force beside the line, in (N/Pa)²; `None`
    /// where the two channels show no common signal there.
    pub gain_beside: Option<f64>,
    /// Share of the time in which it stood at a multiple of a stronger line.
    pub harmonic_share: f64,
    /// Share of the time through which lines ran that were at least 20 dB stronger
    /// and of whose distortion it may be a product.
    pub product_share: f64,
}

/// What the reduction leaves.
#[derive(Debug, Clone)]
pub struct Lines {
    /// Spacing of the bins in Hz.
    pub resolution_hz: f64,
    /// The lines, by start.
    pub lines: Vec<Line>,
    /// Whether each channel holds any signal.
    pub signal: [bool; 2],
    /// Squared correlation of the two channels at no delay, 0 to 1; it reaches 1
    /// where one channel is a copy of the other.
    pub likeness: f64,
    /// Both channels over time and frequency.
    pub map: Map,
}

/// The fold that makes [`Lines`].
pub struct LineReduction {
    frame: Frame,
    map: MapReduction,
    /// Time from one frame to the next, in seconds.
    step_s: f64,
    pending: Vec<[f64; 2]>,
    frames: u64,
    sums: Vec<Cross>,
    whole: Cross,
    signal: [bool; 2],
    open: Vec<Track>,
    closed: Vec<Track>,
}

#[derive(Debug, Clone)]
struct Track {
    first: u64,
    last: u64,
    count: f64,
    frequency_hz: f64,
    /// By how much it glides from frame to frame, in Hz.
    glide_hz: f64,
    weighted_hz: f64,
    power: f64,
    microphone_power: f64,
    tone_to_noise_db: f64,
    microphone_tone_to_noise_db: f64,
    prominence_db: f64,
    growth_db: f64,
    recent_db: [f64; 2],
    harmonic: f64,
    range_hz: [f64; 2],
}

impl LineReduction {
    /// At rest, for `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        let frame = Frame::new(rate_hz);
        let step_s = frame.length() as f64 / 2.0 / rate_hz;
        Self {
            map: MapReduction::new(rate_hz, step_s),
            step_s,
            sums: vec![Cross::default(); frame.length() / 2],
            frame,
            pending: Vec::new(),
            frames: 0,
            whole: Cross::default(),
            signal: [false; 2],
            open: Vec::new(),
            closed: Vec::new(),
        }
    }

    /// Takes in a block of frames in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        for (channel, signal) in self.signal.iter_mut().enumerate() {
            *signal = *signal || frames.iter().any(|frame| frame[channel] != 0.0);
        }
        self.pending.extend_from_slice(frames);
        let length = self.frame.length();
        let mut start = 0;
        while start + length <= self.pending.len() {
            self.frame.transform(&self.pending[start..]);
            self.analyse();
            start += length / 2;
        }
        self.pending.drain(..start);
    }

    fn analyse(&mut self) {
        self.average();
        self.map.push(&self.frame);
        let force = self.frame.peaks(0);
        let microphone = self.frame.peaks(1);
        for peak in &force {
            let stronger = force.iter().filter(|other| other.power > 4.0 * peak.power);
            let harmonic = stronger
                .chain(&microphone)
                .any(|root| self.frame.is_multiple(peak, root));
            self.follow(peak, harmonic);
        }
        let frame = self.frames;
        let (open, ended) = std::mem::take(&mut self.open)
            .into_iter()
            .partition(|track| frame - track.last <= GAP_FRAMES);
        self.open = open;
        self.close(ended);
        self.frames += 1;
    }

    /// Adds the frame to the averages. It counts by how little force it holds for
    /// its sound: what an oscillation adds would otherwise drown the rest.
    fn average(&mut self) {
        let weight = self.frame.total(1) / self.frame.total(0);
        let weight = if weight.is_finite() { weight } else { 0.0 };
        for (bin, sums) in self.sums.iter_mut().enumerate() {
            let pair = self.frame.bin(bin);
            sums.add(pair, weight);
            self.whole.add(pair, 1.0);
        }
    }

    fn follow(&mut self, peak: &Peak, harmonic: bool) {
        let (microphone_power, ratio) = self.frame.tone(1, peak.bin);
        let prominence = self.frame.prominence(0, peak.frequency_hz);
        let reach_hz = 1.5 * self.frame.resolution_hz();
        let frame = self.frames;
        let near = |track: &&mut Track| {
            track.last < frame && (track.expected_hz(frame) - peak.frequency_hz).abs() < reach_hz
        };
        let track = match self.open.iter_mut().find(near) {
            Some(track) => track,
            None => {
                self.open.push(Track::new(frame));
                let last = self.open.len() - 1;
                &mut self.open[last]
            }
        };
        track.move_to(frame, peak);
        track.prominence_db += 10.0 * prominence.max(1e-3).log10();
        track.weighted_hz += peak.power * peak.frequency_hz;
        track.power += peak.power;
        track.microphone_power += microphone_power;
        track.tone_to_noise_db += 10.0 * peak.tone_to_noise.log10();
        track.microphone_tone_to_noise_db += 10.0 * ratio.max(1e-3).log10();
        track.harmonic += f64::from(u8::from(harmonic));
    }

    fn close(&mut self, ended: Vec<Track>) {
        let step_s = self.step_s;
        let long = |track: &Track| {
            let frames = (track.last - track.first + 1) as f64;
            // Present in at least two frames of three.
            frames * step_s >= SHORTEST_S && track.count >= 0.66 * frames
        };
        self.closed.extend(ended.into_iter().filter(long));
        if self.closed.len() > TRACKS {
            self.closed.sort_by(|a, b| b.power.total_cmp(&a.power));
            self.closed.truncate(TRACKS);
        }
    }

    /// The lines found.
    pub fn finish(mut self) -> Lines {
        let open = std::mem::take(&mut self.open);
        self.close(open);
        let mut lines: Vec<Line> = self.closed.iter().map(|track| self.line(track)).collect();
        lines.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        Lines {
            resolution_hz: self.frame.resolution_hz(),
            lines,
            signal: self.signal,
            map: self.map.finish(),
            likeness: self.whole.both.re.powi(2)
                / (self.whole.force * self.whole.microphone).max(f64::MIN_POSITIVE),
        }
    }

    fn line(&self, track: &Track) -> Line {
        let step_s = self.step_s;
        let frequency_hz = track.mean_hz();
        let bin = (frequency_hz / self.frame.resolution_hz()).round() as usize;
        // A frame speaks for its middle half.
        let middle_s = step_s / 2.0;
        Line {
            start_s: track.first as f64 * step_s + middle_s,
            end_s: (track.last + 1) as f64 * step_s + middle_s,
            frequency_hz,
            mean_square: track.power / track.count,
            microphone_mean_square: track.microphone_power / track.count,
            tone_to_noise_db: track.tone_to_noise_db / track.count,
            microphone_tone_to_noise_db: track.microphone_tone_to_noise_db / track.count,
            coherence: self.coherence(bin),
            gain_beside: self.gain_beside(bin),
            prominence_db: track.prominence_db / track.count,
            growth_db_per_s: track.growth_db / (2.0 * step_s),
            range_hz: track.range_hz,
            harmonic_share: track.harmonic / track.count,
            product_share: self.product_share(track),
        }
    }

    /// Share of a track's time through which much stronger lines ran of whose
    /// distortion it may be a product.
    fn product_share(&self, track: &Track) -> f64 {
        let mean = |track: &Track| track.power / track.count;
        let shared = |other: &Track| {
            let (first, last) = (track.first.max(other.first), track.last.min(other.last));
            (last + 1).saturating_sub(first)
        };
        let mut stronger: Vec<&Track> = self
            .closed
            .iter()
            .filter(|other| mean(track) < PRODUCT * mean(other) && shared(other) > 0)
            .collect();
        stronger.sort_by(|a, b| mean(b).total_cmp(&mean(a)));
        stronger.truncate(ROOTS);
        let roots: Vec<f64> = stronger.iter().map(|root| root.mean_hz()).collect();
        if !self.frame.is_combination(track.mean_hz(), &roots) {
            return 0.0;
        }
        let shared: u64 = stronger.iter().map(|root| shared(root)).sum();
        shared as f64 / (track.last - track.first + 1) as f64
    }

    /// Squared coherence over the bins of a line.
    fn coherence(&self, bin: usize) -> f64 {
        let around = bin.saturating_sub(1)..(bin + 2).min(self.sums.len());
        let least = |sums: &Cross| sums.coherence();
        self.sums[around].iter().map(least).fold(1.0, f64::min)
    }

    /// Squared gain from microphone to force beside a line: on either side the
    /// median over the five nearest bins, from 4 to 64 away, in which both
    /// channels are coherent; the greater of the two, for gains slope.
    fn gain_beside(&self, bin: usize) -> Option<f64> {
        let below = self.median_gain((4..=64).filter_map(|distance| bin.checked_sub(distance)));
        let above = self.median_gain((4..=64).map(|distance| bin + distance));
        match (below, above) {
            (Some(below), Some(above)) => Some(below.max(above)),
            (one, other) => one.or(other),
        }
    }

    fn median_gain(&self, bins: impl Iterator<Item = usize>) -> Option<f64> {
        let mut gains: Vec<f64> = bins
            .filter_map(|bin| self.sums.get(bin))
            .filter(|s| s.both.norm_sqr() > 0.6 * s.force * s.microphone)
            .map(|s| s.both.norm_sqr() / (s.microphone * s.microphone))
            .take(5)
            .collect();
        gains.sort_by(f64::total_cmp);
        (gains.len() == 5).then(|| gains[2])
    }
}

impl Track {
    fn new(first: u64) -> Self {
        Self {
            first,
            last: first,
            count: 0.0,
            frequency_hz: 0.0,
            glide_hz: 0.0,
            weighted_hz: 0.0,
            power: 0.0,
            microphone_power: 0.0,
            tone_to_noise_db: 0.0,
            microphone_tone_to_noise_db: 0.0,
            prominence_db: 0.0,
            growth_db: 0.0,
            recent_db: [f64::INFINITY; 2],
            harmonic: 0.0,
            range_hz: [f64::INFINITY, 0.0],
        }
    }
}

impl Track {
    /// Mean frequency in Hz.
    fn mean_hz(&self) -> f64 {
        self.weighted_hz / self.power
    }

    /// Where it is expected in `frame`, if it goes on gliding.
    fn expected_hz(&self, frame: u64) -> f64 {
        self.frequency_hz + self.glide_hz * (frame - self.last) as f64
    }

    /// Goes on at a peak.
    fn move_to(&mut self, frame: u64, peak: &Peak) {
        if self.count > 0.0 {
            let glide_hz = (peak.frequency_hz - self.frequency_hz) / (frame - self.last) as f64;
            self.glide_hz += GLIDE_SHARE * (glide_hz - self.glide_hz);
        }
        let level_db = 10.0 * peak.power.log10();
        if frame - self.first < ONSET_FRAMES {
            self.growth_db = self.growth_db.max(level_db - self.recent_db[0]);
        }
        self.recent_db = [self.recent_db[1], level_db];
        self.last = frame;
        self.count += 1.0;
        self.frequency_hz = peak.frequency_hz;
        let [low, high] = self.range_hz;
        self.range_hz = [low.min(peak.frequency_hz), high.max(peak.frequency_hz)];
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_tone_between_bins_is_found_with_frequency_and_level() {
        let rate_hz = 24_000;
        let tone = |n: usize| 1e-3 * (2.0 * PI * 2903.0 * n as f64 / f64::from(rate_hz)).sin();
        let mut noise = 1u32;
        let frames: Vec<[f64; 2]> = (0..2 * rate_hz as usize)
            .map(|n| {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                [
                    tone(n) + f64::from(noise as i32) * 1e-15,
                    1e-4 * f64::from(noise as i32) * 1e-9,
                ]
            })
            .collect();
        let mut reduction = LineReduction::new(rate_hz);
        reduction.push(&frames);
        let lines = reduction.finish().lines;
        assert_eq!(lines.len(), 1);
        assert_abs_diff_eq!(lines[0].frequency_hz, 2903.0, epsilon = 0.5);
        // The mean square of a sine of amplitude 1 mN is 0.5 µN·N.
        assert_abs_diff_eq!(lines[0].mean_square / 5e-7, 1.0, epsilon = 0.01);
    }
}
