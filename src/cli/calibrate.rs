mod refresh;
mod summary;

use std::path::PathBuf;

use clap::{ArgGroup, Args, ValueEnum};
use micronewton::calibration::Calibration;
use micronewton::calibration::revision::FullScale;
use micronewton::capture::InputFile;
use micronewton::diagnostic::{At, Problem, Result};
use micronewton::levels::{Interval, StatedTone};
use micronewton::measurement::{Kind, calibrator_tone};
use micronewton::pipeline::{CapturePlan, Plan, read_calibration};
use micronewton::quantity::{Date, Role};

use super::{Common, Status, measure};

/// Make or refresh a calibration file, or check it before and after a session.
///
/// From a tone: put the calibrator on the microphone (or the force reference on
/// the simulator), wait until the tone is steady, and record at least 10 s, better
/// 15 s, at the gain of the measurements. Level and frequency are what the label or
/// the certificate of the calibrator says. The tone is measured by itself, without
/// noise and harmonics; one that is not steady, not pure or not of that frequency
/// is refused, with what to do (limits: calibrators of class 1 of IEC 60942).
///
/// From a certificate: type in the sensitivity, transducer and amplifier together.
///
/// The file keeps its comments, its response and its other channel; uncertainty,
/// certificate and temperature of the old sensitivity are taken out with it, and the
/// old one is shown beside the new one. Next: micronewton analyse, with this file
/// as `calibration` of the session.
///
/// Check: record the calibrator before the first and after the last measurement. If
/// the channel drifted further than --largest-drift in between, what lies in between
/// is doubtful.
#[derive(Args)]
#[command(group(ArgGroup::new("source").required(true)), after_help = "Examples:
  micronewton calibrate microphone --calibration calibration.toml --tone tone.wav \\
    --level 94 --frequency 1000 --uncertainty 0.2 --date 2026-01-31 \\
    --channel 2 --full-scale 1.0
  micronewton calibrate force --calibration calibration.toml --sensitivity 0.132 \\
    --uncertainty 0.5 --certificate K-17 --date 2026-01-31 --interval-months 12
  micronewton calibrate microphone --calibration calibration.toml \\
    --check before.wav after.wav --level 94 --frequency 1000

If the recorder's full scale is not known and every channel gets its sensitivity from
a tone: --full-scale unknown. Levels are right then, volts are not.")]
pub struct Calibrate {
    /// The channel
    #[arg(value_enum, value_name = "CHANNEL")]
    channel_of: ChannelOf,
    /// The calibration file; made if there is none
    #[arg(long, value_name = "CAL.toml")]
    calibration: PathBuf,
    /// Recording of the calibrator
    #[arg(long, value_name = "WAV", group = "source")]
    tone: Option<PathBuf>,
    /// Sensitivity from the certificate, in V/Pa or V/N
    #[arg(long, value_name = "V", group = "source")]
    sensitivity: Option<f64>,
    /// Two recordings of the calibrator, before and after the measurements; the
    /// calibration file stays as it is
    #[arg(long, value_names = ["BEFORE.wav", "AFTER.wav"], num_args = 2, group = "source",
        conflicts_with_all = ["channel", "full_scale", "uncertainty", "certificate", "date",
            "interval_months", "temperature", "nominal", "dry_run"])]
    check: Option<Vec<PathBuf>>,
    /// Level that the calibrator makes, in dB SPL or dB re 1 µN
    #[arg(
        long,
        value_name = "DB",
        required_unless_present = "sensitivity",
        conflicts_with = "sensitivity"
    )]
    level: Option<f64>,
    /// Frequency that it makes, in Hz
    #[arg(
        long,
        value_name = "HZ",
        required_unless_present = "sensitivity",
        conflicts_with = "sensitivity"
    )]
    frequency: Option<f64>,
    /// Use the recording from this time in seconds
    #[arg(long, value_name = "S", requires = "tone")]
    from: Option<f64>,
    /// Use the recording up to this time in seconds
    #[arg(long, value_name = "S", requires = "tone")]
    to: Option<f64>,
    /// Channel in the captures, counted from 1 [default: that of the file]
    #[arg(long, value_name = "N")]
    channel: Option<usize>,
    /// Channel of the tone in its WAV, where it is another than in the captures
    #[arg(long, value_name = "N", conflicts_with = "sensitivity")]
    tone_channel: Option<usize>,
    /// Volts at digital full scale at this gain, or `unknown` [default: that of the file]
    #[arg(long, value_name = "V", value_parser = full_scale)]
    full_scale: Option<FullScale>,
    /// Expanded uncertainty (k = 2) of the calibrator or certificate, in dB
    #[arg(long, value_name = "DB")]
    uncertainty: Option<f64>,
    /// Number of the certificate
    #[arg(long, value_name = "TEXT")]
    certificate: Option<String>,
    /// Day of the recording or certificate, for instance 2026-01-31
    #[arg(long, value_name = "DATE", required_unless_present = "check")]
    date: Option<Date>,
    /// Months until it is due again
    #[arg(long, value_name = "N")]
    interval_months: Option<u16>,
    /// Temperature in °C
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    temperature: Option<f64>,
    /// Sensitivity on the data sheet, to notice a blunder [default: that of the file]
    #[arg(long, value_name = "V")]
    nominal: Option<f64>,
    /// Show what would be written, and write nothing
    #[arg(long)]
    dry_run: bool,
    /// Drift that is still believed, in dB
    #[arg(long, value_name = "DB", default_value_t = 0.5, requires = "check")]
    largest_drift: f64,
    #[command(flatten)]
    common: Common,
}

/// A calibration and the files that it was read from.
type Read = (Calibration, Vec<InputFile>);

/// The channel to calibrate.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum ChannelOf {
    /// The reference microphone, by a sound calibrator
    Microphone,
    /// The force transducer, by a force reference
    Force,
}

impl From<ChannelOf> for Role {
    fn from(channel: ChannelOf) -> Self {
        match channel {
            ChannelOf::Microphone => Self::Microphone,
            ChannelOf::Force => Self::Force,
        }
    }
}

fn full_scale(text: &str) -> std::result::Result<FullScale, String> {
    match (text, text.parse()) {
        ("unknown", _) => Ok(FullScale::Assumed),
        (_, Ok(volts)) => Ok(FullScale::Volts(volts)),
        _ => Err("expected a number of volts, or `unknown`".into()),
    }
}

impl Calibrate {
    pub fn run(self) -> Result<Status> {
        match (&self.check, self.date) {
            (Some(files), _) => self.check(files),
            (None, Some(date)) => self.refresh(date),
            // The definitions ask for one of the two.
            (None, None) => Err(Problem::MissingKey {
                key: "--date".into(),
            }
            .into()),
        }
    }

    fn stated(&self) -> Option<StatedTone> {
        Some(StatedTone {
            role: self.channel_of.into(),
            level_db: self.level?,
            frequency_hz: self.frequency?,
        })
    }

    fn plan(&self, read: Read, files: &[PathBuf]) -> Result<Plan> {
        let (calibration, documents) = read;
        let mut captures = Vec::new();
        if let Some(tone) = self.stated() {
            for file in files {
                let capture = CapturePlan::of_tone(file, tone, &calibration);
                captures.push(capture.in_file(&self.calibration)?);
            }
        }
        for capture in &mut captures {
            capture.interval = Interval {
                from_s: self.from,
                to_s: self.to,
            };
            for source in capture.sources.iter_mut().flatten() {
                source.channel = self.tone_channel.unwrap_or(source.channel);
            }
        }
        let kinds = [Kind::CalibratorTone];
        Ok(Plan::without_session(
            calibration,
            documents,
            captures,
            &kinds,
        ))
    }

    fn check(&self, files: &[PathBuf]) -> Result<Status> {
        let read = read_calibration(&self.calibration)?;
        let mut plan = self.plan(read, files)?;
        plan.options.calibrator_tone = calibrator_tone::Options {
            largest_drift_db: self.largest_drift,
        };
        plan.options.check()?;
        measure(&plan, &self.common, false)
    }
}
