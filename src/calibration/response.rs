//! The transducer's magnitude response over frequency, and how it is undone.
//!
//! The response is undone in the samples, by a filter, so that it acts where
//! the energy is: a tone at the edge of a band gets the response at its own
//! frequency, not at the band's middle.

use std::f64::consts::PI;

use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;
use schemars::JsonSchema;
use serde::Serialize;

use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// Taps of the inverse filter, and frames it takes at a time. At 48 kHz it is
/// 0.17 s long and follows a response in steps of 6 Hz.
pub const LENGTH: usize = 8192;

/// Magnitude of the sensitivity over frequency, dB relative to the stated one.
/// Between points: linear in dB over the logarithm of frequency. Beyond the
/// ends: held, and the bands there are not reported.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Response {
    frequency_hz: Vec<f64>,
    magnitude_db: Vec<f64>,
    /// Expanded uncertainty (k = 2) of each magnitude, or of reading between
    /// them, where the file states it.
    #[serde(skip_serializing_if = "Option::is_none")]
    expanded_uncertainty_db: Option<Vec<f64>>,
}

impl Response {
    /// Reads a CSV with the columns `frequency_hz,magnitude_db` and, if it is
    /// stated, `expanded_uncertainty_db`, frequencies rising; lines that begin
    /// with `#` are comments.
    ///
    /// # Errors
    /// [`Problem::Document`] or [`Problem::Value`] with the line.
    ///
    /// ```
    /// use micronewton::calibration::Response;
    /// let response = Response::parse("frequency_hz,magnitude_db\n100,0\n10000,-4\n").unwrap();
    /// assert!((response.at_db(1000.0) + 2.0).abs() < 1e-12);
    /// ```
    pub fn parse(text: &str) -> Result<Self> {
        #[derive(serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Row {
            frequency_hz: f64,
            magnitude_db: f64,
            expanded_uncertainty_db: Option<f64>,
        }
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let (mut frequency_hz, mut magnitude_db) = (Vec::new(), Vec::new());
        let mut expanded_uncertainty_db = Vec::new();
        for row in reader.deserialize::<Row>() {
            let row = row.map_err(|e| {
                let line = e.position().map_or(1, |p| p.line() as usize);
                let cause = match e.kind() {
                    csv::ErrorKind::Deserialize { err, .. } => format!(
                        "{err}; the columns are frequency_hz,magnitude_db and perhaps expanded_uncertainty_db, with a point as decimal sign"
                    ),
                    _ => e.to_string(),
                };
                Diagnostic::from(Problem::Document { cause }).at_line(line)
            })?;
            let rising = frequency_hz
                .last()
                .is_none_or(|last| row.frequency_hz > *last);
            if !(row.frequency_hz > 0.0 && row.frequency_hz.is_finite() && rising) {
                return Err(Diagnostic::value(
                    "frequency_hz",
                    row.frequency_hz,
                    "positive frequencies that rise",
                ));
            }
            if !row.magnitude_db.is_finite() || row.magnitude_db.abs() > 100.0 {
                return Err(Diagnostic::value(
                    "magnitude_db",
                    row.magnitude_db,
                    "a figure within ±100 dB",
                ));
            }
            if let Some(u) = row.expanded_uncertainty_db
                && !(0.0..=20.0).contains(&u)
            {
                return Err(Diagnostic::value(
                    "expanded_uncertainty_db",
                    u,
                    "0 dB to 20 dB (k = 2)",
                ));
            }
            expanded_uncertainty_db.extend(row.expanded_uncertainty_db);
            frequency_hz.push(row.frequency_hz);
            magnitude_db.push(row.magnitude_db);
        }
        if frequency_hz.len() < 2 {
            return Err(Diagnostic::value(
                "rows",
                frequency_hz.len() as f64,
                "at least two",
            ));
        }
        let stated = expanded_uncertainty_db.len();
        if stated != 0 && stated != frequency_hz.len() {
            return Err(Diagnostic::value(
                "expanded_uncertainty_db",
                format!("given in {stated} of {} rows", frequency_hz.len()),
                "a figure in every row, or the column left out",
            ));
        }
        Ok(Self {
            frequency_hz,
            magnitude_db,
            expanded_uncertainty_db: (stated > 0).then_some(expanded_uncertainty_db),
        })
    }

    /// Lowest and highest frequency given, in Hz.
    pub fn range_hz(&self) -> (f64, f64) {
        let last = self.frequency_hz.len() - 1;
        (self.frequency_hz[0], self.frequency_hz[last])
    }

    /// Magnitude at `frequency_hz`, in dB.
    pub fn at_db(&self, frequency_hz: f64) -> f64 {
        self.between(&self.magnitude_db, frequency_hz)
    }

    /// Expanded uncertainty (k = 2) at `frequency_hz`, in dB, where stated.
    pub fn uncertainty_at_db(&self, frequency_hz: f64) -> Option<f64> {
        let stated = self.expanded_uncertainty_db.as_ref()?;
        Some(self.between(stated, frequency_hz))
    }

    /// The largest expanded uncertainty (k = 2), in dB, where stated.
    pub fn largest_uncertainty_db(&self) -> Option<f64> {
        let stated = self.expanded_uncertainty_db.as_ref()?;
        stated.iter().copied().reduce(f64::max)
    }

    /// Linear over the logarithm of frequency, held beyond the ends.
    fn between(&self, values: &[f64], frequency_hz: f64) -> f64 {
        let above = self.frequency_hz.partition_point(|hz| *hz <= frequency_hz);
        if above == 0 || above == values.len() {
            return values[above.min(values.len() - 1)];
        }
        let (f0, f1) = (self.frequency_hz[above - 1], self.frequency_hz[above]);
        let (v0, v1) = (values[above - 1], values[above]);
        v0 + (v1 - v0) * (frequency_hz / f0).ln() / (f1 / f0).ln()
    }

    /// Impulse response of the inverse at `rate_hz`: minimum phase, as the
    /// inverse of a physical transducer is, so that it needs no delay. Folded
    /// real cepstrum of the inverse magnitude (textbook).
    fn inverse(&self, rate_hz: f64) -> Vec<f64> {
        const FINE: usize = 4 * LENGTH;
        let mut planner = rustfft::FftPlanner::<f64>::new();
        let (forward, backward) = (
            planner.plan_fft_forward(FINE),
            planner.plan_fft_inverse(FINE),
        );
        let mut data: Vec<Complex64> = (0..FINE)
            .map(|bin| {
                let frequency_hz = bin.min(FINE - bin) as f64 * rate_hz / FINE as f64;
                let nepers = -self.at_db(frequency_hz) * std::f64::consts::LN_10 / 20.0;
                Complex64::new(nepers / FINE as f64, 0.0)
            })
            .collect();
        backward.process(&mut data);
        for (index, value) in data.iter_mut().enumerate() {
            match index {
                0 => {}
                _ if index < FINE / 2 => *value *= 2.0,
                _ if index > FINE / 2 => *value = Complex64::ZERO,
                _ => {}
            }
        }
        forward.process(&mut data);
        data.iter_mut()
            .for_each(|value| *value = value.exp() / FINE as f64);
        backward.process(&mut data);
        let fade = |tap: usize| {
            let into = (tap as f64 / LENGTH as f64 - 0.75).max(0.0) / 0.25;
            0.5 + 0.5 * (PI * into).cos()
        };
        (0..LENGTH).map(|tap| data[tap].re * fade(tap)).collect()
    }
}

/// The running inverse filter of one channel: overlap-save.
pub struct Inverse {
    forward: std::sync::Arc<dyn realfft::RealToComplex<f64>>,
    backward: std::sync::Arc<dyn realfft::ComplexToReal<f64>>,
    filter: Vec<Complex64>,
    past: Vec<f64>,
    time: Vec<f64>,
    spectrum: Vec<Complex64>,
}

impl Inverse {
    /// A filter at rest.
    pub fn new(response: &Response, rate_hz: f64) -> Self {
        let mut planner = RealFftPlanner::<f64>::new();
        let forward = planner.plan_fft_forward(2 * LENGTH);
        let backward = planner.plan_fft_inverse(2 * LENGTH);
        let mut inverse = Self {
            filter: forward.make_output_vec(),
            time: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            past: vec![0.0; LENGTH],
            forward,
            backward,
        };
        let scale = 1.0 / (2 * LENGTH) as f64;
        for (slot, tap) in inverse.time.iter_mut().zip(response.inverse(rate_hz)) {
            *slot = tap * scale;
        }
        // The lengths come from the plan itself, so this cannot fail.
        let _ = inverse
            .forward
            .process(&mut inverse.time, &mut inverse.filter);
        inverse
    }

    /// Filters one channel of `block` in place; every block but the last has
    /// [`LENGTH`] frames.
    pub fn push(&mut self, block: &mut [[f64; 2]], channel: usize) {
        debug_assert!(block.len() <= LENGTH);
        self.time[..LENGTH].copy_from_slice(&self.past);
        self.time[LENGTH..].fill(0.0);
        for (slot, frame) in self.time[LENGTH..].iter_mut().zip(block.iter()) {
            *slot = frame[channel];
        }
        self.past.copy_from_slice(&self.time[LENGTH..]);
        let _ = self.forward.process(&mut self.time, &mut self.spectrum);
        for (bin, factor) in self.spectrum.iter_mut().zip(&self.filter) {
            *bin *= factor;
        }
        let _ = self.backward.process(&mut self.spectrum, &mut self.time);
        for (frame, value) in block.iter_mut().zip(&self.time[LENGTH..]) {
            frame[channel] = *value;
        }
    }
}
