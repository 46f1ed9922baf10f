//! Spectra of the noises: white, pink, and shaped as speech.

use std::f64::consts::FRAC_1_SQRT_2;

use super::filter::Biquad;
use crate::quantity::Band;

/// Long-term average speech spectrum of many languages, male and female voices
/// combined: nominal midband frequency in Hz, third-octave band level in dB for
/// 70 dB SPL overall. Byrne et al. 1994, J. Acoust. Soc. Am. 96(4), 2108–2120,
/// Table II (as transcribed alike in several public sources).
pub const SPEECH_DB: [(f64, f64); 25] = [
    (63.0, 38.6),
    (80.0, 43.5),
    (100.0, 54.4),
    (125.0, 57.7),
    (160.0, 56.8),
    (200.0, 60.2),
    (250.0, 60.3),
    (315.0, 59.0),
    (400.0, 62.1),
    (500.0, 62.1),
    (630.0, 60.5),
    (800.0, 56.8),
    (1000.0, 53.7),
    (1250.0, 53.0),
    (1600.0, 52.0),
    (2000.0, 48.7),
    (2500.0, 48.1),
    (3150.0, 46.8),
    (4000.0, 45.6),
    (5000.0, 44.5),
    (6300.0, 44.3),
    (8000.0, 43.7),
    (10000.0, 43.4),
    (12500.0, 41.3),
    (16000.0, 40.7),
];

/// Lowest frequency of pink noise in Hz.
const PINK_FROM_HZ: f64 = 20.0;
/// Q of a section one third of an octave wide: √r / (r − 1) with r = 2^(1/3).
const THIRD_OCTAVE_Q: f64 = 4.318;

/// Rounds of correction; the last changes less than 0.01 dB.
const ROUNDS: usize = 60;

/// A filter that turns white noise of unit power into a coloured one of unit
/// power.
pub struct Colour {
    sections: Vec<Biquad>,
    gain: f64,
}

impl Colour {
    /// White: nothing is changed.
    pub fn white() -> Self {
        Self {
            sections: Vec::new(),
            gain: 1.0,
        }
    }

    /// Pink from `lowest_hz` to `highest_hz` (second-order slopes beyond):
    /// equal power per third octave within 0.1 dB (tested).
    pub fn pink(lowest_hz: f64, highest_hz: f64, rate_hz: f64) -> Self {
        let flat = SPEECH_DB.map(|(hz, _)| (hz, 0.0));
        let mut sections = fitted(&flat, rate_hz);
        sections.push(Biquad::high_pass(lowest_hz, FRAC_1_SQRT_2, rate_hz));
        if highest_hz < 0.45 * rate_hz {
            sections.push(Biquad::low_pass(highest_hz, FRAC_1_SQRT_2, rate_hz));
        }
        Self::normalised(sections, rate_hz)
    }

    /// Shaped as [`SPEECH_DB`], as far as the sampling rate carries its bands,
    /// within 0.2 dB per band (tested).
    pub fn speech(rate_hz: f64) -> Self {
        let mut sections = fitted(&SPEECH_DB, rate_hz);
        sections.push(Biquad::high_pass(20.0, FRAC_1_SQRT_2, rate_hz));
        Self::normalised(sections, rate_hz)
    }

    /// White noise of unit power has this power after the sections: the sum of
    /// the squared impulse response (one second of it).
    fn normalised(sections: Vec<Biquad>, rate_hz: f64) -> Self {
        let mut trial = Self {
            sections,
            gain: 1.0,
        };
        let fresh = trial.sections.clone();
        let mut energy = 0.0;
        for n in 0..rate_hz as usize {
            let y = trial.step(if n == 0 { 1.0 } else { 0.0 });
            energy += y * y;
        }
        Self {
            sections: fresh,
            gain: 1.0 / libm::sqrt(energy),
        }
    }

    /// The next coloured sample for a white one.
    pub fn step(&mut self, white: f64) -> f64 {
        let shape = |x, section: &mut Biquad| section.step(x);
        self.gain * self.sections.iter_mut().fold(white, shape)
    }

    /// Power gain at `hz`.
    pub fn power(&self, hz: f64, rate_hz: f64) -> f64 {
        let gains = self
            .sections
            .iter()
            .map(|s| s.response(hz, rate_hz).norm_sqr());
        self.gain * self.gain * gains.product::<f64>()
    }
}

/// Sections that give white noise these third-octave band levels (nominal
/// midband frequency in Hz, level in dB, up to a constant): a pink slope and one
/// section per band, each corrected by what its band still lacks.
fn fitted(bands: &[(f64, f64)], rate_hz: f64) -> Vec<Biquad> {
    let targets: Vec<(Band, f64)> = bands
        .iter()
        .filter_map(|(hz, db)| Some((Band::named(*hz).ok()?, *db)))
        .filter(|(band, _)| exact_hz(*band) < 0.45 * rate_hz)
        .collect();
    let mean_db = targets.iter().map(|(_, db)| db).sum::<f64>() / targets.len() as f64;
    let mut sections = slope(rate_hz);
    let slopes = sections.len();
    let mut gains_db: Vec<f64> = targets.iter().map(|(_, db)| db - mean_db).collect();
    for _ in 0..ROUNDS {
        sections.truncate(slopes);
        sections.extend(
            targets.iter().zip(&gains_db).map(|((band, _), db)| {
                Biquad::peaking(exact_hz(*band), THIRD_OCTAVE_Q, *db, rate_hz)
            }),
        );
        let found: Vec<f64> = targets
            .iter()
            .map(|(band, _)| 10.0 * libm::log10(band_power(&sections, *band, rate_hz)))
            .collect();
        let found_mean_db = found.iter().sum::<f64>() / found.len() as f64;
        for ((gain_db, (_, db)), found_db) in gains_db.iter_mut().zip(&targets).zip(&found) {
            *gain_db += 0.5 * ((db - mean_db) - (found_db - found_mean_db));
        }
    }
    sections
}

/// Exact midband frequency in Hz, the same bits on every platform.
pub fn exact_hz(band: Band) -> f64 {
    1000.0 * libm::pow(10.0, f64::from(band.index()) / 10.0)
}

fn edges_hz(band: Band) -> (f64, f64) {
    let half = libm::pow(10.0, 0.05);
    (exact_hz(band) / half, exact_hz(band) * half)
}

/// Power gain of the sections over a band, in Hz, from 8 slices.
fn band_power(sections: &[Biquad], band: Band, rate_hz: f64) -> f64 {
    let (lower_hz, upper_hz) = edges_hz(band);
    let width_hz = (upper_hz - lower_hz) / 8.0;
    let slice = |i: u32| {
        let hz = lower_hz + (f64::from(i) + 0.5) * width_hz;
        let gains = sections.iter().map(|s| s.response(hz, rate_hz).norm_sqr());
        gains.product::<f64>()
    };
    (0..8).map(slice).sum::<f64>() * width_hz
}

/// −10 dB per decade from 20 Hz on: real poles an octave apart, each followed by
/// a zero half an octave higher (textbook; own choice of spacing).
fn slope(rate_hz: f64) -> Vec<Biquad> {
    let mut sections = Vec::new();
    let mut pole_hz = PINK_FROM_HZ;
    while pole_hz < 0.5 * rate_hz {
        let zero_hz = pole_hz * std::f64::consts::SQRT_2;
        sections.push(Biquad::pole_zero(pole_hz, zero_hz, rate_hz));
        pole_hz *= 2.0;
    }
    sections
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Power in a band, by the midpoint rule on 64 slices.
    fn band_db(colour: &Colour, band: Band, rate_hz: f64) -> f64 {
        let width_hz = band.width_hz() / 64.0;
        let slice =
            |i: i32| colour.power(band.lower_hz() + (f64::from(i) + 0.5) * width_hz, rate_hz);
        let power: f64 = (0..64).map(slice).sum::<f64>() * width_hz;
        10.0 * (power / (rate_hz / 2.0)).log10()
    }

    #[test]
    fn the_bands_of_speech_noise_are_those_of_the_published_table() {
        // The table's bands sum to 70.03 dB; bands beyond the rate's reach hold
        // less than 0.02 dB of it.
        for rate_hz in [16_000.0, 24_000.0, 48_000.0] {
            let colour = Colour::speech(rate_hz);
            for (nominal_hz, db) in SPEECH_DB {
                let band = Band::named(nominal_hz).unwrap();
                if band.upper_hz() > 0.45 * rate_hz || nominal_hz < 100.0 {
                    continue;
                }
                let found = band_db(&colour, band, rate_hz) + 70.03;
                assert!(
                    (found - db).abs() < 0.2,
                    "{rate_hz} {nominal_hz}: {found} for {db}"
                );
            }
        }
    }

    #[test]
    fn pink_noise_has_equal_bands() {
        for rate_hz in [24_000.0, 48_000.0] {
            let colour = Colour::pink(20.0, 30_000.0, rate_hz);
            let reference = band_db(&colour, Band::named(1000.0).unwrap(), rate_hz);
            for nominal_hz in [125.0, 250.0, 500.0, 2000.0, 4000.0, 8000.0] {
                let found = band_db(&colour, Band::named(nominal_hz).unwrap(), rate_hz);
                assert!(
                    (found - reference).abs() < 0.1,
                    "{nominal_hz}: {}",
                    found - reference
                );
            }
        }
    }
}
