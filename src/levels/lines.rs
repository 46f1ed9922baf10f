//! Narrow lines of the force channel, followed through time, and what the
//! microphone channel holds at the same frequency.
//!
//! In frames that overlap by half, the lines that stand above the noise of their
//! critical band are picked; lines that continue are joined to tracks. What stays is one summary per track, so that
//! memory does not grow with the recording.

use super::frame::{Frame, Peak, critical_bandwidth_hz};
use super::map::{Map, MapReduction};
use super::pair::Cross;
use super::track::Track;

/// Frames a track may miss before it ends.
const GAP_FRAMES: u64 = 3;
/// A track shorter than this is forgotten, in seconds.
const SHORTEST_S: f64 = 0.25;
/// A line this much weaker (in power) than one that runs beside it may be a
/// product of its distortion.
const PRODUCT: f64 = 0.01;
/// A line this much weaker (in power) is not told from distortion of one that runs
/// beside it: what limits a howl strews products of high order.
const OVERWHELMED: f64 = 1e-4;
/// Lines of whose distortion products are sought.
const ROOTS: usize = 4;
/// Decibels per relative change of a power.
const NEPER_DB: f64 = 10.0 / std::f64::consts::LN_10;
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
    /// Its mean power above that of the noise of its critical band, in dB.
    pub tone_to_noise_db: f64,
    /// Standard deviation of that by chance, in dB: noise of bandwidth B known over
    /// a time T varies by 1/√(B T) (Bendat and Piersol, public transcription), and
    /// its part within the line's bins beats with the line.
    pub tone_to_noise_error_db: f64,
    /// Standard deviation of its level from frame to frame beyond chance, in dB.
    pub unsteadiness_db: f64,
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
    /// and of whose distortion it may be a product, or at least 40 dB stronger.
    pub product_share: f64,
}

/// What the reduction leaves.
#[derive(Debug, Clone)]
pub struct Lines {
    /// Spacing of the bins in Hz.
    pub resolution_hz: f64,
    /// The lines, by start.
    pub lines: Vec<Line>,
    /// Time within which lines were followed, in seconds.
    pub duration_s: f64,
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
        track.noise += peak.power / peak.tone_to_noise;
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
            duration_s: (self.frames + 1) as f64 * self.step_s,
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
            tone_to_noise_db: 10.0 * (track.power / track.noise).log10(),
            tone_to_noise_error_db: self.ratio_error_db(track),
            unsteadiness_db: self.unsteadiness_db(track),
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

    /// Standard deviation of a track's tone-to-noise ratio by chance, in dB.
    fn ratio_error_db(&self, track: &Track) -> f64 {
        let width_hz = critical_bandwidth_hz(track.mean_hz());
        let beside = 1.0 / (width_hz * track.count * self.step_s);
        NEPER_DB * (beside + self.beats(track) / track.count).sqrt()
    }

    /// Relative variance of a line's power in one frame by the noise in its bins.
    fn beats(&self, track: &Track) -> f64 {
        let share = self.frame.line_width_hz() / critical_bandwidth_hz(track.mean_hz());
        let within = share * track.noise / track.power;
        within * (2.0 + within)
    }

    /// Standard deviation of a track's level from frame to frame beyond that.
    fn unsteadiness_db(&self, track: &Track) -> f64 {
        let [mean, square] = track.level.map(|sum| sum / track.count);
        let chance = NEPER_DB * NEPER_DB * self.beats(track);
        (square - mean * mean - chance).max(0.0).sqrt()
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
        let overwhelming = stronger
            .iter()
            .filter(|other| mean(track) < OVERWHELMED * mean(other));
        let overwhelmed: u64 = overwhelming.map(|other| shared(other)).sum();
        let length = (track.last - track.first + 1) as f64;
        let roots: Vec<f64> = stronger.iter().map(|root| root.mean_hz()).collect();
        if !self.frame.is_combination(track.mean_hz(), &roots) {
            return overwhelmed as f64 / length;
        }
        let shared: u64 = stronger.iter().map(|root| shared(root)).sum();
        shared as f64 / length
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
