//! One line of the force spectrum, followed from frame to frame.

use super::frame::Peak;

/// Weight of the last step in how a line glides.
const GLIDE_SHARE: f64 = 0.4;
/// Frames that are its onset.
const ONSET_FRAMES: u64 = 12;

/// Sums over the frames of a line.
#[derive(Debug, Clone)]
pub struct Track {
    /// First frame.
    pub first: u64,
    /// Last frame.
    pub last: u64,
    /// Frames in which it stood.
    pub count: f64,
    /// Frequency in the last frame.
    pub frequency_hz: f64,
    /// By how much it glides from frame to frame, in Hz.
    pub glide_hz: f64,
    /// Sum of its frequencies, weighted with power.
    pub weighted_hz: f64,
    /// Sum of its mean squares in N².
    pub power: f64,
    /// Sum of the noise of its critical band in N².
    pub noise: f64,
    /// Sums of its level in dB and of its square.
    pub level: [f64; 2],
    /// Sum of the mean squares of the microphone channel in the same bins.
    pub microphone_power: f64,
    /// Sum of the tone-to-noise ratios of the microphone there.
    pub microphone_tone_to_noise_db: f64,
    /// Sum of its prominence ratios.
    pub prominence_db: f64,
    /// Steepest rise over two frames within its onset.
    pub growth_db: f64,
    /// Levels of the last two frames.
    pub recent_db: [f64; 2],
    /// Frames in which it stood at a multiple of a stronger line.
    pub harmonic: f64,
    /// Lowest and highest frequency.
    pub range_hz: [f64; 2],
}

impl Track {
    pub fn new(first: u64) -> Self {
        Self {
            first,
            last: first,
            count: 0.0,
            frequency_hz: 0.0,
            glide_hz: 0.0,
            weighted_hz: 0.0,
            power: 0.0,
            noise: 0.0,
            level: [0.0; 2],
            microphone_power: 0.0,
            microphone_tone_to_noise_db: 0.0,
            prominence_db: 0.0,
            growth_db: 0.0,
            recent_db: [f64::INFINITY; 2],
            harmonic: 0.0,
            range_hz: [f64::INFINITY, 0.0],
        }
    }

    /// Mean frequency in Hz.
    pub fn mean_hz(&self) -> f64 {
        self.weighted_hz / self.power
    }

    /// Where it is expected in `frame`, if it goes on gliding.
    pub fn expected_hz(&self, frame: u64) -> f64 {
        self.frequency_hz + self.glide_hz * (frame - self.last) as f64
    }

    /// Goes on at a peak.
    pub fn move_to(&mut self, frame: u64, peak: &Peak) {
        if self.count > 0.0 {
            let glide_hz = (peak.frequency_hz - self.frequency_hz) / (frame - self.last) as f64;
            self.glide_hz += GLIDE_SHARE * (glide_hz - self.glide_hz);
        }
        let level_db = 10.0 * peak.power.log10();
        if frame - self.first < ONSET_FRAMES {
            self.growth_db = self.growth_db.max(level_db - self.recent_db[0]);
        }
        self.level[0] += level_db;
        self.level[1] += level_db * level_db;
        self.recent_db = [self.recent_db[1], level_db];
        self.last = frame;
        self.count += 1.0;
        self.frequency_hz = peak.frequency_hz;
        let [low, high] = self.range_hz;
        self.range_hz = [low.min(peak.frequency_hz), high.max(peak.frequency_hz)];
    }
}
