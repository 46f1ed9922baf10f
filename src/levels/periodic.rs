//! The lines of a periodic sound: power and cross-power of both channels at every
//! multiple of 1/period.
//!
//! Frames of two periods under a Hann window, half overlapping: a line stands on every
//! second bin and neighbours lie on the zeros of its main lobe. Player and recorder
//! may run apart; what a line loses to that, both channels lose alike.
//!
//! *Source.* Bendat and Piersol for the gain as cross-power over input power (from
//! memory): noise in the force alone does not raise it.

use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;

use super::waveform::Waveform;

/// Frames needed: fewer say nothing of chance.
const FEWEST: usize = 3;

/// Mean powers by multiple of 1/period, up to a common factor, in N², Pa² and N Pa.
#[derive(Debug, Clone)]
pub struct PeriodicLines {
    /// Force.
    pub force: Vec<f64>,
    /// Microphone.
    pub microphone: Vec<f64>,
    /// Force against microphone.
    pub cross: Vec<Complex64>,
}

impl PeriodicLines {
    /// The lines of `waveform` up to where its spectrum is flat; `None` where it holds
    /// fewer than four periods.
    pub fn of(waveform: &Waveform, period_s: f64) -> Option<Self> {
        let length = (2.0 * period_s * waveform.rate_hz).round() as usize;
        let starts = (0..).map(|i| i * (length / 2));
        let starts: Vec<usize> = starts
            .take_while(|start| start + length <= waveform.frames.len())
            .collect();
        if length < 4 || starts.len() < FEWEST {
            return None;
        }
        let count = (waveform.highest_hz * period_s) as usize + 1;
        let mut lines = Self {
            force: vec![0.0; count],
            microphone: vec![0.0; count],
            cross: vec![Complex64::default(); count],
        };
        let fft = RealFftPlanner::<f64>::new().plan_fft_forward(length);
        let turn = std::f64::consts::TAU / length as f64;
        let window: Vec<f64> = (0..length)
            .map(|n| 0.5 - 0.5 * (turn * n as f64).cos())
            .collect();
        let [mut force, mut microphone] = [(); 2].map(|()| fft.make_output_vec());
        let mut piece = fft.make_input_vec();
        for start in &starts {
            let frames = &waveform.frames[*start..start + length];
            for (channel, spectrum) in [&mut force, &mut microphone].into_iter().enumerate() {
                for ((x, frame), weight) in piece.iter_mut().zip(frames).zip(&window) {
                    *x = weight * f64::from(frame[channel]);
                }
                // Lengths are those of the plan.
                fft.process(&mut piece, spectrum).ok()?;
            }
            let count = count.min(force.len().div_ceil(2));
            for line in 0..count {
                let [f, m] = [force[2 * line], microphone[2 * line]];
                lines.force[line] += f.norm_sqr();
                lines.microphone[line] += m.norm_sqr();
                lines.cross[line] += f * m.conj();
            }
        }
        Some(lines)
    }

    /// Force over microphone at a line, in dB.
    pub fn gain_db(&self, line: usize) -> f64 {
        20.0 * (self.cross[line].norm() / self.microphone[line]).log10()
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn waveform(seconds: f64, hz: f64) -> Waveform {
        let rate_hz = 8000.0;
        let sample = |n: usize| (TAU * hz * n as f64 / rate_hz).sin() as f32;
        Waveform {
            from_s: 0.0,
            cut_at_s: None,
            highest_hz: 3600.0,
            rate_hz,
            frames: (0..(seconds * rate_hz) as usize)
                .map(|n| [0.5 * sample(n), sample(n)])
                .collect(),
        }
    }

    #[test]
    fn a_line_has_its_gain_and_its_neighbours_are_silent() {
        let lines = PeriodicLines::of(&waveform(2.0, 500.0), 0.5).unwrap();
        assert!((lines.gain_db(250) - 20.0 * 0.5f64.log10()).abs() < 1e-6);
        assert!(lines.force[249] < 1e-10 * lines.force[250]);
        assert!(lines.force[251] < 1e-10 * lines.force[250]);
    }

    /// 100 parts in a million apart.
    #[test]
    fn clocks_that_run_apart_do_not_change_the_gain() {
        let lines = PeriodicLines::of(&waveform(2.0, 3000.3), 0.5).unwrap();
        assert!((lines.gain_db(1500) - 20.0 * 0.5f64.log10()).abs() < 1e-6);
    }

    #[test]
    fn fewer_than_four_periods_tell_nothing() {
        assert!(PeriodicLines::of(&waveform(1.9, 500.0), 0.5).is_none());
    }
}
