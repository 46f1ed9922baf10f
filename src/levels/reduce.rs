//! One pass over a calibrated recording, folded into what was asked for.

use super::bands::{BandReduction, Bands, Interval};
use super::impulses::{ImpulseReduction, Impulses};
use super::lines::{LineReduction, Lines};
use super::probe::{ProbeReduction, Probes};
use super::response::ResponseReduction;
use super::tone::{StatedTone, Tone, ToneReduction};
use super::transfer::{Transfer, TransferReduction};
use super::waveform::{Waveform, WaveformReduction};
use crate::calibration::{Calibrated, Channel};
use crate::capture::{InputFile, Integrity};
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{BandRange, Role};

/// What the measurements to come will read.
#[derive(Debug, Clone, Copy, Default)]
pub struct Needs {
    /// Third-octave levels.
    pub bands: bool,
    /// The same with the force moved forward by its bulk delay, so that both
    /// channels of a band tell of the same sound.
    pub aligned: bool,
    /// Lasting lines of the force spectrum.
    pub lines: bool,
    /// Transfer from microphone to force, over the whole recording.
    pub transfer: bool,
    /// The same over the interval, aligned where the channels share sound and as
    /// recorded where they do not.
    pub response: bool,
    /// Signs of a faulty set-up.
    pub setup: bool,
    /// The tone of a calibrator.
    pub tone: bool,
    /// The samples themselves, up to a bound.
    pub waveform: bool,
}

impl Needs {
    /// Nothing; for `..Needs::NONE` in a list of what is read.
    pub const NONE: Self = Self {
        bands: false,
        aligned: false,
        lines: false,
        transfer: false,
        response: false,
        setup: false,
        tone: false,
        waveform: false,
    };

    /// What either needs.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        Self {
            bands: self.bands || other.bands,
            aligned: self.aligned || other.aligned,
            lines: self.lines || other.lines,
            transfer: self.transfer || other.transfer,
            response: self.response || other.response,
            setup: self.setup || other.setup,
            tone: self.tone || other.tone,
            waveform: self.waveform || other.waveform,
        }
    }
}

/// How to reduce.
#[derive(Debug, Clone, Default)]
pub struct Scope {
    /// Bands to analyse.
    pub range: BandRange,
    /// Interval to analyse.
    pub interval: Interval,
    /// What a calibrator was stated to do.
    pub tone: Option<StatedTone>,
    /// When steps of tones begin and end, in seconds of the recording, where that is
    /// stated.
    pub steps_s: Vec<[f64; 2]>,
}

/// A recording reduced to levels; its size has a bound that does not grow with the
/// recording.
#[derive(Debug)]
pub struct Levels {
    /// Length of the recording in seconds.
    pub duration_s: f64,
    /// Sampling rate of the recording in Hz.
    pub rate_hz: u32,
    /// The calibration of each channel; an absent channel is `None`.
    pub channels: [Option<Channel>; 2],
    /// Third-octave levels, if asked for.
    pub bands: Option<Bands>,
    /// Lines of the force spectrum, if asked for.
    pub lines: Option<Lines>,
    /// Transfer from microphone to force, if asked for.
    pub transfer: Option<Transfer>,
    /// Transfer over the interval, if asked for.
    pub response: Option<Transfer>,
    /// Signs of a faulty set-up, if asked for.
    pub setup: Option<Setup>,
    /// What the samples show of the recording itself, force and microphone: clipping,
    /// drop-outs, repeated blocks and the like. `None` for an absent channel and for
    /// a signal that was never recorded.
    pub integrity: [Option<Integrity>; 2],
    /// The tone of a calibrator, if asked for and stated.
    pub tone: Option<Tone>,
    /// The samples, if asked for.
    pub waveform: Option<Waveform>,
    /// When steps begin and end, as stated; empty: they are to be found.
    pub steps_s: Vec<[f64; 2]>,
    /// The files read.
    pub inputs: Vec<InputFile>,
    /// What was found on the way.
    pub findings: Vec<Diagnostic>,
}

impl Levels {
    /// The third-octave levels.
    ///
    /// # Errors
    /// [`Problem::Internal`] if they were not asked for.
    pub fn bands(&self) -> Result<&Bands> {
        self.bands.as_ref().ok_or_else(|| not_asked("bands"))
    }

    /// The lines of the force spectrum.
    ///
    /// # Errors
    /// [`Problem::Internal`] if they were not asked for.
    pub fn lines(&self) -> Result<&Lines> {
        self.lines.as_ref().ok_or_else(|| not_asked("lines"))
    }

    /// The calibration of a channel that `measurement` cannot do without.
    ///
    /// # Errors
    /// [`Problem::ChannelMissing`].
    pub fn channel(&self, role: Role, measurement: &'static str) -> Result<&Channel> {
        let channel = role.name();
        self.channels[role as usize].as_ref().ok_or_else(|| {
            let problem = Problem::ChannelMissing {
                measurement,
                channel,
            };
            problem.into()
        })
    }

    /// The calibrations of force and microphone, without which `measurement` cannot do.
    ///
    /// # Errors
    /// [`Problem::ChannelMissing`].
    pub fn both_channels(&self, measurement: &'static str) -> Result<[&Channel; 2]> {
        let [force, microphone] = Role::ALL.map(|role| self.channel(role, measurement));
        Ok([force?, microphone?])
    }

    /// The transfer from microphone to force.
    ///
    /// # Errors
    /// [`Problem::Internal`] if it was not asked for.
    pub fn transfer(&self) -> Result<&Transfer> {
        self.transfer.as_ref().ok_or_else(|| not_asked("transfer"))
    }

    /// The transfer over the interval.
    ///
    /// # Errors
    /// [`Problem::Internal`] if it was not asked for.
    pub fn response(&self) -> Result<&Transfer> {
        self.response.as_ref().ok_or_else(|| not_asked("response"))
    }

    /// The tone of a calibrator.
    ///
    /// # Errors
    /// [`Problem::Internal`] if it was not asked for, or not stated.
    pub fn tone(&self) -> Result<&Tone> {
        self.tone.as_ref().ok_or_else(|| not_asked("tone"))
    }

    /// The samples.
    ///
    /// # Errors
    /// [`Problem::Internal`] if they were not asked for.
    pub fn waveform(&self) -> Result<&Waveform> {
        self.waveform.as_ref().ok_or_else(|| not_asked("waveform"))
    }
}

/// What the set-up checks read.
#[derive(Debug)]
pub struct Setup {
    /// Hum and lag.
    pub probes: Probes,
    /// Clicks of the force and of the microphone channel.
    pub impulses: [Impulses; 2],
}

fn not_asked(what: &str) -> Diagnostic {
    let what = format!("the reduction `{what}` was not asked for");
    Problem::Internal { what }.into()
}

/// Reads `signal` once and folds it into what `needs` names. `progress` is told
/// the share done, from 0 to 1.
///
/// # Errors
/// Those of reading the recording, and those of an interval or a length that
/// does not allow the reduction.
pub fn reduce(
    mut signal: Calibrated,
    needs: Needs,
    scope: Scope,
    progress: &mut dyn FnMut(f64),
) -> Result<Levels> {
    let (rate_hz, frames) = (signal.rate_hz(), signal.frames());
    let mut findings = Vec::new();
    let mut bands = None;
    if needs.bands {
        let (reduction, notes) =
            BandReduction::new(scope.range, scope.interval, rate_hz, frames, needs.aligned)?;
        findings.extend(notes);
        bands = Some(reduction);
    }
    let mut lines = needs.lines.then(|| LineReduction::new(rate_hz));
    let mut transfer = needs.transfer.then(|| TransferReduction::new(rate_hz));
    let mut response = match needs.response {
        true => Some(ResponseReduction::new(scope.interval, rate_hz, frames)?),
        false => None,
    };
    let mut setup = needs.setup.then(|| {
        (
            ProbeReduction::new(rate_hz, frames),
            ImpulseReduction::new(rate_hz),
        )
    });
    let mut tone = match scope.tone.filter(|_| needs.tone) {
        Some(stated) => Some(ToneReduction::new(stated, scope.interval, rate_hz, frames)?),
        None => None,
    };
    let mut waveform = None;
    if needs.waveform {
        waveform = Some(WaveformReduction::new(scope.interval, rate_hz, frames)?);
    }
    let mut block = Vec::new();
    let mut done = 0;
    loop {
        signal.read(&mut block)?;
        if block.is_empty() {
            break;
        }
        if let Some(bands) = &mut bands {
            bands.push(&block);
        }
        if let Some(lines) = &mut lines {
            lines.push(&block);
        }
        if let Some(transfer) = &mut transfer {
            transfer.push(&block);
        }
        if let Some(response) = &mut response {
            response.push(&block);
        }
        if let Some((probes, impulses)) = &mut setup {
            probes.push(&block);
            impulses.push(&block);
        }
        if let Some(tone) = &mut tone {
            tone.push(&block);
        }
        if let Some(waveform) = &mut waveform {
            waveform.push(&block);
        }
        done += block.len();
        progress(done as f64 / frames as f64);
    }
    let channels = signal.channels().clone();
    let evidence = signal.finish()?;
    findings.extend(evidence.findings);
    Ok(Levels {
        duration_s: frames as f64 / f64::from(rate_hz),
        rate_hz,
        channels,
        bands: bands.map(BandReduction::finish),
        lines: lines.map(LineReduction::finish),
        transfer: transfer.map(TransferReduction::finish),
        response: response.map(ResponseReduction::finish),
        setup: setup.map(|(probes, impulses)| Setup {
            probes: probes.finish(),
            impulses: impulses.finish(),
        }),
        integrity: evidence.integrity,
        inputs: evidence.inputs,
        tone: tone.map(ToneReduction::finish),
        steps_s: scope.steps_s,
        waveform: waveform.map(WaveformReduction::finish),
        findings,
    })
}
