//! # Sensitivity, delay and polarity from broadband sound
//!
//! *Question.* What force does the device make of a sound, how late, and does it
//! push when the sound pushes?
//!
//! *Definition.* Acousto-mechanical sensitivity level: force level minus sound
//! pressure level at the reference microphone, of the part of the force that
//! follows the sound; in dB re 1 µN/20 µPa. Of a band: the mean square over its
//! frequencies, evenly on a logarithmic axis. Delay: the group delay.
//!
//! *Method.* 1. Cross-spectrum of both channels over the interval, the force
//! moved forward by its bulk delay; Hann segments that overlap by half. 2. H1 =
//! Gyx/Gxx; means over third-octave bands and over twenty-fourths of an octave.
//! 3. The slope of the phase, weighted by coherence, from 1 kHz to 8 kHz
//! (at most 0.4 times the sampling rate) and in each band, is the delay; where
//! that line meets 0 Hz tells the polarity. 4. A band of which less than 80 % of
//! the force's power follows the sound has no figure, nor has one that the sound
//! does not fill: silence, or tones.
//!
//! *Source.* Bendat and Piersol, Random Data, 4th ed., for H1, coherence and random
//! errors (public transcription). Term: IEC 60118-9 (title and terms seen,
//! standard not opened). Polarity from the phase line: own method.
//!
//! *Uncertainty.* Of both calibrations; of chance, from coherence and averages;
//! what the noise of the microphone channel may take away, at most 1/γ², as noise.
//!
//! *Limits.* Of a device that compresses it is the mean gain for this sound, which
//! tones do not give; `gain_spread_db` tells by how much the gain follows the level.
//! Where the phase bends, at a resonance, polarity may not be told. Polarity takes
//! a positive sample as pressure in one channel and push in the other.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::OneCapture as Input;
use crate::diagnostic::Result;
use crate::levels::phase::PhaseLine;
use crate::levels::response::Sensitivity;
use crate::levels::{Levels, Needs, Transfer};
use crate::quantity::{
    Band, BandRange, Number, Origin, Reading, Seconds, SensitivityLevel,
    SensitivityReMicronewtonPerPascal, SensitivityReNewtonPerPascal, Uncertainty,
};
use crate::trust::Check;

/// Cross-spectra over the interval, and the bands that were asked for.
pub const NEEDS: Needs = Needs {
    bands: true,
    response: true,
    ..Needs::NONE
};

/// What must hold of the set-up.
pub const RELIES_ON: &[Check] = &[
    Check::ChannelOrder,
    Check::ChannelCopy,
    Check::Clipping,
    Check::Gaps,
    Check::Hum,
    Check::Impulses,
    Check::Calibration,
    Check::MicrophonePosition,
    Check::RoomNoise,
    Check::Clocks,
];

/// The delay of the whole device is that of these frequencies, in Hz: above the
/// resonance of its transducer.
const DELAY_HZ: [f64; 2] = [1000.0, 8000.0];
/// Parts of an octave of the narrow-band response.
const PARTS: i32 = 24;

/// A reference of the sensitivity level beside 1 µN/20 µPa.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Conversion {
    /// 1 N/Pa.
    #[serde(rename = "1 N/Pa")]
    NewtonPerPascal,
    /// 1 µN/Pa.
    #[serde(rename = "1 µN/Pa")]
    MicronewtonPerPascal,
}

/// What is told beside the level re 1 µN/20 µPa.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
#[schemars(rename = "SensitivityOptions")]
pub struct Options {
    /// References into which the level of every band is converted.
    pub also_re: Vec<Conversion>,
}

impl Options {
    /// Nothing can be wrong.
    ///
    /// # Errors
    /// None.
    pub fn check(&self) -> Result<()> {
        Ok(())
    }
}

/// Sensitivity, delay and polarity.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "SensitivityOutcome")]
pub struct Outcome {
    /// Group delay from 1 kHz to 8 kHz.
    pub delay: Reading<Seconds>,
    /// Whether the force goes with the sound.
    pub polarity: Polarity,
    /// Independent averages behind the figures.
    pub averages: Reading<Number>,
    /// By how much the gain follows the level, in dB; near 0 for a linear device.
    pub gain_spread_db: f64,
    /// One item per band.
    pub bands: Vec<BandSensitivity>,
    /// One item per twenty-fourth of an octave.
    pub narrow_band: Vec<Point>,
}

/// Whether the force goes with the sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Polarity {
    /// A rise of pressure makes a positive force.
    Kept,
    /// A rise of pressure makes a negative force.
    Inverted,
    /// The phase lies near a quarter turn, or is not known well enough.
    NotTold,
}

/// The sensitivity in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandSensitivity {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Force level minus sound pressure level.
    pub sensitivity: Reading<SensitivityLevel>,
    /// The same re 1 N/Pa, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensitivity_re_newton_per_pascal: Option<Reading<SensitivityReNewtonPerPascal>>,
    /// The same re 1 µN/Pa, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensitivity_re_micronewton_per_pascal: Option<Reading<SensitivityReMicronewtonPerPascal>>,
    /// Share of the force's power that follows the sound.
    pub coherence: Reading<Number>,
    /// Group delay.
    pub group_delay: Reading<Seconds>,
}

/// The sensitivity around one frequency.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "SensitivityPoint")]
pub struct Point {
    /// Middle of the twenty-fourth of an octave, in Hz.
    pub frequency_hz: f64,
    /// Force level minus sound pressure level.
    pub sensitivity: Reading<SensitivityLevel>,
    /// Share of the force's power that follows the sound.
    pub coherence: Reading<Number>,
}

/// Reads sensitivity, delay and polarity off the cross-spectrum.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn measure(input: &Input<'_>, options: &Options) -> Result<Outcome> {
    let capture = input.capture;
    capture.both_channels("sensitivity")?;
    let transfer = capture.response()?;
    let bands = &capture.bands()?.bands;
    let highest_hz = DELAY_HZ[1].min(0.4 * f64::from(capture.rate_hz));
    let whole = transfer.phase_line(DELAY_HZ[0], highest_hz);
    let range = bands.first().zip(bands.last());
    let range = range.map(|(first, last)| BandRange::new(*first, *last));
    Ok(Outcome {
        delay: delay(transfer, whole),
        polarity: match whole.and_then(|line| line.with_the_sound()) {
            Some(true) => Polarity::Kept,
            Some(false) => Polarity::Inverted,
            None => Polarity::NotTold,
        },
        averages: Reading::measured(Number(transfer.averages), Uncertainty::EXACT),
        gain_spread_db: transfer.gain_spread_db,
        bands: bands
            .iter()
            .map(|band| of_band(capture, transfer, *band, options))
            .collect::<Result<_>>()?,
        narrow_band: match range {
            Some(range) => narrow(capture, range?)?,
            None => Vec::new(),
        },
    })
}

fn of_band(
    capture: &Levels,
    transfer: &Transfer,
    band: Band,
    options: &Options,
) -> Result<BandSensitivity> {
    let edges = [band.lower_hz(), band.upper_hz()];
    let found = capture.sensitivity(edges, band)?;
    let asked = |reference| options.also_re.contains(&reference);
    Ok(BandSensitivity {
        band,
        sensitivity_re_newton_per_pascal: asked(Conversion::NewtonPerPascal)
            .then(|| found.level.converted()),
        sensitivity_re_micronewton_per_pascal: asked(Conversion::MicronewtonPerPascal)
            .then(|| found.level.converted()),
        sensitivity: found.level,
        coherence: found.coherence,
        group_delay: delay(transfer, transfer.phase_line(edges[0], edges[1])),
    })
}

fn narrow(capture: &Levels, range: BandRange) -> Result<Vec<Point>> {
    let per_part = 2f64.powf(1.0 / f64::from(PARTS));
    let number = |hz: f64| f64::from(PARTS) * (hz / 1000.0).log2();
    let first = number(range.lowest().lower_hz()).ceil() as i32;
    let last = number(range.highest().upper_hz()).floor() as i32;
    let point = |part: i32| {
        let frequency_hz = 1000.0 * per_part.powi(part);
        let half = per_part.sqrt();
        let edges = [frequency_hz / half, frequency_hz * half];
        let band = Band::containing(frequency_hz)?;
        let point = |found: Sensitivity| Point {
            frequency_hz,
            sensitivity: found.level,
            coherence: found.coherence,
        };
        Some(capture.sensitivity(edges, band).map(point))
    };
    (first..=last).filter_map(point).collect()
}

fn delay(transfer: &Transfer, line: Option<PhaseLine>) -> Reading<Seconds> {
    match line.filter(|_| transfer.bulk_delay_s.is_some()) {
        Some(line) => Reading::measured(
            Seconds(line.delay_s),
            Uncertainty::of(Origin::Statistics, 2.0 * line.delay_error_s),
        ),
        None => Reading::not_measured(Sensitivity::NOTHING),
    }
}
