//! The steps of a capture as they were presented, with the force that answered, and
//! what may be taken from each.

use schemars::JsonSchema;
use serde::Serialize;

use crate::calibration::Channel;
use crate::diagnostic::{Diagnostic, Result};
use crate::levels::Levels;
use crate::levels::steps::{self, SHORTEST_S, Step};
use crate::levels::synchronous::{Estimate, estimate};
use crate::quantity::level::{Level, Reference};
use crate::quantity::{
    Band, ForceLevel, Origin, PressureLevel, Reading, Role, SensitivityLevel, Uncertainty,
};

/// Bias of window and correlation, in dB: what a tone loses whose frequency is off by
/// a tenth of a bin.
const ANALYSIS_DB: f64 = 0.01;

/// Whether a step can be used.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "verdict", content = "reason", rename_all = "snake_case")]
#[schemars(rename = "PresentedVerdict")]
pub enum Verdict {
    /// It can.
    Usable,
    /// It lasts less than 0.2 s.
    TooShort(String),
    /// It was there before; the first one counts.
    Repeated(String),
    /// The recording clips within it.
    Clipped(String),
    /// No tone holds from its stated begin to its stated end.
    Unsteady(String),
}

impl Verdict {
    /// Why it cannot be used.
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Usable => None,
            Self::TooShort(why)
            | Self::Repeated(why)
            | Self::Clipped(why)
            | Self::Unsteady(why) => Some(why),
        }
    }
}

/// One step, as it was found.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Presented {
    /// Frequency of the tone.
    pub frequency_hz: f64,
    /// Begin in the recording.
    pub begin_s: f64,
    /// End in the recording.
    pub end_s: f64,
    /// Level at the reference microphone.
    pub sound: Reading<PressureLevel>,
    /// Level of the fundamental in the force.
    pub force: Reading<ForceLevel>,
    /// Whether it can be used, and if not, why.
    #[serde(flatten)]
    pub verdict: Verdict,
    #[serde(skip)]
    pub(super) step: Step,
}

impl Presented {
    /// Whether it can be used.
    pub fn usable(&self) -> bool {
        self.verdict == Verdict::Usable
    }

    /// Force level minus presented level.
    pub fn sensitivity(&self) -> Reading<SensitivityLevel> {
        let over = |(force, of_force): (ForceLevel, &Uncertainty),
                    (sound, of_sound): (PressureLevel, &Uncertainty)| {
            Reading::measured(force.over(sound), of_force.plus(of_sound))
        };
        self.force.and(&self.sound, over)
    }

    /// The frequency as it is named: nominal for a third-octave midband, else to
    /// three digits.
    pub fn nominal_hz(&self) -> f64 {
        let band = Band::containing(self.frequency_hz).map(Band::nominal_hz);
        band.filter(|hz| self.step.is_near(*hz)).unwrap_or_else(|| {
            let scale = 10f64.powf(self.frequency_hz.log10().floor() - 2.0);
            (self.frequency_hz / scale).round() * scale
        })
    }
}

/// Refuses a largest deviation of the presented level outside 0 dB to 6 dB.
///
/// # Errors
/// [`crate::Problem::Value`] with the key of `measurement`.
pub fn check_deviation(measurement: &str, largest_deviation_db: f64) -> Result<()> {
    if largest_deviation_db > 0.0 && largest_deviation_db <= 6.0 {
        return Ok(());
    }
    Err(Diagnostic::value(
        &format!("options.{measurement}.largest_deviation_db"),
        largest_deviation_db,
        "more than 0 dB, at most 6 dB",
    ))
}

/// Every step of `capture`; the figures of one that cannot be used carry the reason.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without both channels.
pub fn presented(capture: &Levels, measurement: &'static str) -> Result<Vec<Presented>> {
    let [force, microphone] = capture.both_channels(measurement)?;
    let waveform = capture.waveform()?;
    let found = steps::find(capture)?;
    let each = found.iter().enumerate().map(|(index, step)| {
        let verdict = verdict(step, &found[..index]);
        let frames = step.settled(waveform);
        let (hz, rate_hz) = (step.frequency_hz, waveform.rate_hz);
        let of = |role: Role| estimate(frames, role as usize, hz, rate_hz);
        // Whether the force has settled: the two halves of what is used.
        let halves = [&frames[..frames.len() / 2], &frames[frames.len() / 2..]];
        let halves = halves.map(|half| estimate(half, Role::Force as usize, hz, rate_hz));
        let drift_db = 5.0
            * (halves[1].mean_square / halves[0].mean_square)
                .log10()
                .abs();
        Presented {
            frequency_hz: step.frequency_hz,
            begin_s: step.begin_s,
            end_s: step.end_s,
            sound: level(&verdict, of(Role::Microphone), microphone, hz, 0.0),
            force: level(&verdict, of(Role::Force), force, hz, drift_db),
            verdict,
            step: *step,
        }
    });
    Ok(each.collect())
}

fn verdict(step: &Step, earlier: &[Step]) -> Verdict {
    let length_s = step.end_s - step.begin_s;
    if step.too_short() {
        return Verdict::TooShort(format!(
            "it lasts {length_s:.2} s; {SHORTEST_S} s are needed to settle"
        ));
    }
    if !step.steady {
        return Verdict::Unsteady(format!(
            "no tone holds from {:.2} s to {:.2} s, where the session says a step is",
            step.begin_s, step.end_s
        ));
    }
    if step.clipped {
        return Verdict::Clipped("the recording clips within it: lower the recorder's gain".into());
    }
    match earlier
        .iter()
        .filter(|other| other.whole())
        .find(|s| s.same_as(step))
    {
        Some(first) => Verdict::Repeated(format!(
            "the same tone at {:.2} s came first and counts",
            first.begin_s
        )),
        None => Verdict::Usable,
    }
}

fn level<R: Reference>(
    verdict: &Verdict,
    found: Estimate,
    channel: &Channel,
    hz: f64,
    drift_db: f64,
) -> Reading<Level<R>> {
    if let Some(why) = verdict.reason() {
        return Reading::not_measured(why);
    }
    match Level::from_mean_square(found.mean_square) {
        None => Reading::not_measured("no signal"),
        Some(level) if !found.clear() => Reading::AtMost(
            level,
            "the tone stands less than 10 dB above the noise beside it".into(),
        ),
        Some(level) => Reading::measured(
            level,
            channel
                .uncertainty_at(hz)
                .and(Origin::Noise, found.noise_db())
                .and(Origin::Analysis, ANALYSIS_DB.hypot(drift_db)),
        ),
    }
}
