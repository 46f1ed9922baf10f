//! Narrow lines of the force channel, followed through time, and what the
//! microphone channel holds at the same frequency.
//!
//! Both channels go through one complex transform (force real, microphone
//! imaginary) of about 85 ms, Hann window, half overlap. In each frame the lines
//! that stand above the noise of their critical band are picked; lines that
//! continue are joined to tracks. What stays is one summary per track, so that
//! memory does not grow with the recording.

use std::f64::consts::PI;
use std::sync::Arc;

use rustfft::{Fft, FftPlanner, num_complex::Complex64};

/// Frame length aimed at, in seconds.
const FRAME_S: f64 = 0.0853;
/// Lines are sought from here up, in Hz.
const LOWEST_HZ: f64 = 150.0;
/// … to here, and to 0.45 of the sampling rate.
const HIGHEST_HZ: f64 = 10_000.0;
/// Bins that hold a line under a Hann window, to either side of its peak.
const REACH: usize = 2;
/// A line must stand this far above the noise of its critical band, in dB, to
/// be followed at all.
const FLOOR_DB: f64 = 6.0;
/// Lines followed per frame and channel.
const PER_FRAME: usize = 10;
/// Frames a track may miss before it ends.
const GAP_FRAMES: u64 = 3;
/// A track shorter than this is forgotten, in seconds.
const SHORTEST_S: f64 = 0.25;
/// Multiples are sought up to this order: a limiter makes them that high.
const HIGHEST_ORDER: f64 = 12.0;
/// A line this much weaker (in power) than one that runs beside it may be a
/// product of its distortion.
const PRODUCT: f64 = 0.01;
/// Tracks kept; the strongest stay.
const TRACKS: usize = 256;

/// Width of the critical band at `frequency_hz`: 25 + 75 (1 + 1.4 f²)^0.69 Hz,
/// f in kHz (ECMA-418-1, as transcribed by a public general acoustics library).
pub fn critical_bandwidth_hz(frequency_hz: f64) -> f64 {
    let khz = frequency_hz / 1000.0;
    25.0 + 75.0 * (1.0 + 1.4 * khz * khz).powf(0.69)
}

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
    /// Squared gain from microphone to force beside the line, in (N/Pa)²; `None`
    /// where the two channels show no common signal there.
    pub gain_beside: Option<f64>,
    /// Share of the time in which it stood at a multiple of a stronger line.
    pub harmonic_share: f64,
    /// Share of the time through which a line ran that was at least 20 dB
    /// stronger, as the products of its distortion are.
    pub company_share: f64,
}

/// What the reduction leaves.
#[derive(Debug, Clone)]
pub struct Lines {
    /// Spacing of the bins in Hz.
    pub resolution_hz: f64,
    /// The lines, by start.
    pub lines: Vec<Line>,
}

/// The fold that makes [`Lines`].
pub struct LineReduction {
    fft: Arc<dyn Fft<f64>>,
    window: Vec<f64>,
    rate_hz: f64,
    pending: Vec<[f64; 2]>,
    frame: Vec<Complex64>,
    scratch: Vec<Complex64>,
    frames: u64,
    /// Frame spectra of both channels, and their running sums.
    power: [Vec<f64>; 2],
    running: [Vec<f64>; 2],
    sums: Vec<Cross>,
    open: Vec<Track>,
    closed: Vec<Track>,
}

/// Averages of one bin over all frames.
#[derive(Debug, Clone, Copy, Default)]
struct Cross {
    force: f64,
    microphone: f64,
    both: Complex64,
}

struct Peak {
    bin: usize,
    frequency_hz: f64,
    power: f64,
    tone_to_noise: f64,
}

#[derive(Debug, Clone)]
struct Track {
    first: u64,
    last: u64,
    count: f64,
    frequency_hz: f64,
    weight: f64,
    weighted_hz: f64,
    power: f64,
    microphone_power: f64,
    tone_to_noise_db: f64,
    microphone_tone_to_noise_db: f64,
    harmonic: f64,
}

impl LineReduction {
    /// At rest, for `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = f64::from(rate_hz);
        let length = 1usize << (FRAME_S * rate_hz).log2().round() as u32;
        let fft = FftPlanner::new().plan_fft_forward(length);
        let bins = length / 2;
        Self {
            window: (0..length)
                .map(|n| 0.5 - 0.5 * (2.0 * PI * n as f64 / length as f64).cos())
                .collect(),
            scratch: vec![Complex64::ZERO; fft.get_inplace_scratch_len()],
            fft,
            rate_hz,
            pending: Vec::new(),
            frame: vec![Complex64::ZERO; length],
            frames: 0,
            power: [vec![0.0; bins], vec![0.0; bins]],
            running: [vec![0.0; bins + 1], vec![0.0; bins + 1]],
            sums: vec![Cross::default(); bins],
            open: Vec::new(),
            closed: Vec::new(),
        }
    }

    /// Takes in a block of frames in N and Pa.
    pub fn push(&mut self, frames: &[[f64; 2]]) {
        self.pending.extend_from_slice(frames);
        let length = self.frame.len();
        let mut start = 0;
        while start + length <= self.pending.len() {
            for (n, value) in self.frame.iter_mut().enumerate() {
                let [force, microphone] = self.pending[start + n];
                *value = Complex64::new(force, microphone) * self.window[n];
            }
            self.fft
                .process_with_scratch(&mut self.frame, &mut self.scratch);
            self.analyse();
            start += length / 2;
        }
        self.pending.drain(..start);
    }

    fn resolution_hz(&self) -> f64 {
        self.rate_hz / self.frame.len() as f64
    }

    fn analyse(&mut self) {
        self.separate();
        let force = self.peaks(0);
        let microphone = self.peaks(1);
        for peak in &force {
            let stronger = force.iter().filter(|other| other.power > 4.0 * peak.power);
            let harmonic = stronger
                .chain(&microphone)
                .any(|root| self.is_multiple(peak, root));
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

    /// Parts the transform into its two real channels and adds to the averages.
    fn separate(&mut self) {
        let length = self.frame.len();
        // Mean square of a line that lies wholly in its bins: Σ|X|² · scale.
        let squares: f64 = self.window.iter().map(|w| w * w).sum();
        let scale = 2.0 / (length as f64 * squares);
        let part = |bin: usize| {
            let here = self.frame[bin];
            let there = self.frame[(length - bin) % length].conj();
            let microphone = (here - there) * Complex64::new(0.0, -0.5);
            ((here + there) * 0.5, microphone)
        };
        for bin in 0..length / 2 {
            let (force, microphone) = part(bin);
            self.power[0][bin] = force.norm_sqr() * scale;
            self.power[1][bin] = microphone.norm_sqr() * scale;
            for channel in 0..2 {
                self.running[channel][bin + 1] =
                    self.running[channel][bin] + self.power[channel][bin];
            }
        }
        // A frame counts for the averages by how little force it holds for its
        // sound: what an oscillation adds would otherwise drown the rest.
        let [force, microphone] = [0, 1].map(|channel| self.running[channel][length / 2]);
        let weight = scale * microphone / force;
        if !weight.is_finite() {
            return;
        }
        for bin in 0..length / 2 {
            let (force, microphone) = part(bin);
            let sums = &mut self.sums[bin];
            sums.force += force.norm_sqr() * weight;
            sums.microphone += microphone.norm_sqr() * weight;
            sums.both += force * microphone.conj() * weight;
        }
    }

    /// Line power at `bin`, and its ratio to the noise of the critical band.
    fn tone(&self, channel: usize, bin: usize) -> (f64, f64) {
        let power = |from: usize, to: usize| {
            (self.running[channel][to] - self.running[channel][from]).max(0.0)
        };
        let bins = self.power[channel].len();
        let half = 0.5 * critical_bandwidth_hz(bin as f64 * self.resolution_hz());
        let half = ((half / self.resolution_hz()) as usize).max(2 * REACH + 2);
        let (low, high) = (bin.saturating_sub(half).max(1), (bin + half + 1).min(bins));
        let (from, to) = (bin.saturating_sub(REACH), (bin + REACH + 1).min(bins));
        let around = power(low, from) + power(to, high);
        let noise_bins = (from.saturating_sub(low) + high.saturating_sub(to)).max(1) as f64;
        let noise = around * (high - low) as f64 / noise_bins;
        let line_noise = around * (to - from) as f64 / noise_bins;
        let line = (power(from, to) - line_noise).max(0.0);
        (line, line / noise.max(f64::MIN_POSITIVE))
    }

    /// The lines of the present frame, strongest above its noise first.
    fn peaks(&self, channel: usize) -> Vec<Peak> {
        let resolution_hz = self.resolution_hz();
        let power = &self.power[channel];
        let low = (LOWEST_HZ / resolution_hz).ceil() as usize;
        let high = (HIGHEST_HZ.min(0.45 * self.rate_hz) / resolution_hz) as usize;
        let floor = 10f64.powf(FLOOR_DB / 10.0);
        let mut peaks = Vec::new();
        for bin in low.max(REACH)..high {
            let [below, here, above] = [power[bin - 1], power[bin], power[bin + 1]];
            // A line of a Hann window towers above what is three bins away.
            if !(here > below && here >= above && here > power[bin - REACH] * 4.0) {
                continue;
            }
            let (line, tone_to_noise) = self.tone(channel, bin);
            if tone_to_noise < floor {
                continue;
            }
            peaks.push(Peak {
                bin,
                frequency_hz: (bin as f64 + vertex(below, here, above)) * resolution_hz,
                power: line,
                tone_to_noise,
            });
        }
        peaks.sort_by(|a, b| b.tone_to_noise.total_cmp(&a.tone_to_noise));
        peaks.truncate(PER_FRAME);
        peaks
    }

    /// Whether a line stands at a multiple of another, to within what the
    /// interpolation between bins leaves open.
    fn is_multiple(&self, peak: &Peak, root: &Peak) -> bool {
        let order = (peak.frequency_hz / root.frequency_hz).round();
        let miss_hz = (peak.frequency_hz - order * root.frequency_hz).abs();
        let open = (0.15 + 0.05 * order) * self.resolution_hz();
        (2.0..=HIGHEST_ORDER).contains(&order) && miss_hz < open
    }

    fn follow(&mut self, peak: &Peak, harmonic: bool) {
        let (microphone_power, ratio) = self.tone(1, peak.bin);
        let reach_hz = 1.5 * self.resolution_hz();
        let frame = self.frames;
        let near = |track: &&mut Track| {
            track.last < frame && (track.frequency_hz - peak.frequency_hz).abs() < reach_hz
        };
        let track = match self.open.iter_mut().find(near) {
            Some(track) => track,
            None => {
                self.open.push(Track::new(frame));
                let last = self.open.len() - 1;
                &mut self.open[last]
            }
        };
        track.last = frame;
        track.count += 1.0;
        track.frequency_hz = peak.frequency_hz;
        track.weight += peak.power;
        track.weighted_hz += peak.power * peak.frequency_hz;
        track.power += peak.power;
        track.microphone_power += microphone_power;
        track.tone_to_noise_db += 10.0 * peak.tone_to_noise.log10();
        track.microphone_tone_to_noise_db += 10.0 * ratio.max(1e-3).log10();
        track.harmonic += f64::from(u8::from(harmonic));
    }

    fn close(&mut self, ended: Vec<Track>) {
        let step_s = self.frame.len() as f64 / 2.0 / self.rate_hz;
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
            resolution_hz: self.resolution_hz(),
            lines,
        }
    }

    fn line(&self, track: &Track) -> Line {
        let step_s = self.frame.len() as f64 / 2.0 / self.rate_hz;
        let frequency_hz = track.weighted_hz / track.weight;
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
            gain_beside: self.gain_beside((frequency_hz / self.resolution_hz()).round() as usize),
            harmonic_share: track.harmonic / track.count,
            company_share: self.company_share(track),
        }
    }

    /// Share of a track's time through which much stronger ones ran.
    fn company_share(&self, track: &Track) -> f64 {
        let mean = |track: &Track| track.power / track.count;
        let stronger = self
            .closed
            .iter()
            .filter(|other| mean(track) < PRODUCT * mean(other));
        let shared = stronger.map(|other| {
            let (first, last) = (track.first.max(other.first), track.last.min(other.last));
            (last + 1).saturating_sub(first)
        });
        shared.sum::<u64>() as f64 / (track.last - track.first + 1) as f64
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
            weight: 0.0,
            weighted_hz: 0.0,
            power: 0.0,
            microphone_power: 0.0,
            tone_to_noise_db: 0.0,
            microphone_tone_to_noise_db: 0.0,
            harmonic: 0.0,
        }
    }
}

/// Offset of the vertex of the parabola through three neighbouring log powers,
/// in bins.
fn vertex(below: f64, here: f64, above: f64) -> f64 {
    let [a, b, c] = [below, here, above].map(|p| p.max(f64::MIN_POSITIVE).ln());
    let curvature = a - 2.0 * b + c;
    if curvature < 0.0 {
        (0.5 * (a - c) / curvature).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn the_critical_band_at_1_khz_is_162_hz_wide() {
        // ECMA-418-1 worked value, as transcribed by a public library.
        assert_abs_diff_eq!(critical_bandwidth_hz(1000.0), 162.22, epsilon = 0.01);
    }

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
