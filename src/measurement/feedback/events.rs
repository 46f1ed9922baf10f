//! Lasting lines of the force, sorted into oscillations and explained ones.

use schemars::JsonSchema;
use serde::Serialize;

use super::Options;
use crate::calibration::Channel;
use crate::levels::Transfer;
use crate::levels::lines::{Line, Lines};
use crate::quantity::{ForceLevel, Origin, Reading, Uncertainty};

/// A line this far above what the microphone explains is unexplained, in dB.
const EXCESS_DB: f64 = 6.0;
/// No device of this kind gives more force for its sound than this, in dB re
/// 1 µN/20 µPa: full-on figures reach 35 dB to 50 dB (from memory).
const GREATEST_GAIN_DB: f64 = 55.0;
/// Above this squared coherence the sound still drives the line …
const COHERENT: f64 = 0.5;
/// … if chance shows as much with less than this probability.
const CHANCE: f64 = 1e-3;
/// A line that rings stands this near to its mean frequency, in Hz …
const AROUND_HZ: f64 = 6.0;
/// … and runs through no more than this, in Hz.
const GLIDES_HZ: f64 = 40.0;
/// Expanded uncertainty of a line's level from its bins, in dB.
const LINE_DB: f64 = 0.2;
/// A line within this of a multiple of 50 or 60 Hz may be the mains', in Hz.
const MAINS_HZ: f64 = 1.5;
/// What runs by itself runs through this share of the recording …
const THROUGHOUT: f64 = 0.95;
/// … with a level that varies from frame to frame by no more than this beyond
/// chance (standard deviation), in dB.
const STEADY_DB: f64 = 1.0;
/// An oscillation grows until the device limits it. No device is known to do so
/// below this force (50 dB SPL where compression begins, with 20 dB of gain: from
/// memory), in dB re 1 µN: a steady line below it is an idle tone.
const LIMITED_DB: f64 = 70.0;

/// One oscillation.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Event {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// Force level of the line.
    pub level: Reading<ForceLevel>,
    /// Level above the noise of its critical band, in dB.
    pub tone_to_noise_db: f64,
    /// Level of its critical band above its neighbours, in dB.
    pub prominence_db: f64,
    /// Steepest rise of its level within its first half second, in dB/s; an
    /// unstable loop grows by its excess gain once a round.
    pub growth_db_per_s: f64,
    /// Whether tone-to-noise ratio or prominence ratio call it prominent.
    pub prominent: bool,
    /// Lowest frequency that it ran through, in Hz.
    pub lowest_hz: f64,
    /// Highest frequency that it ran through, in Hz.
    pub highest_hz: f64,
    /// Force above what the sound at the microphone explains, in dB, at most 99; absent
    /// where the channels share no signal beside the line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub excess_db: Option<f64>,
    /// From 0 to 1: rises with the tone-to-noise ratio (full at 15 dB), the
    /// duration (full at 1 s) and the excess (full at 12 dB; 0.8 where absent).
    pub confidence: f64,
}

/// A lasting line that is no oscillation.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Explained {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Start in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
    /// What it is.
    pub explanation: Explanation,
}

/// Why a line is no oscillation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Explanation {
    /// The sound at the microphone accounts for it.
    InTheRoom,
    /// It stands at a multiple of a stronger line.
    Harmonic,
    /// It stands where the distortion of much stronger lines puts one.
    Product,
    /// It stands steadily at a multiple of 50 Hz or 60 Hz throughout.
    Mains,
    /// It stands throughout, steadily, weaker than an oscillation that grew to what
    /// the device allows: the device or the recorder makes it by itself.
    IdleTone,
    /// The loop rings there, near oscillation, but only while sound feeds it.
    Ringing,
}

/// Sorts the lasting lines: those that reach the least tone-to-noise ratio within
/// twice its random error.
pub fn sorted(
    lines: &Lines,
    transfer: &Transfer,
    force: &Channel,
    options: &Options,
) -> (Vec<Event>, Vec<Explained>) {
    let lasting = lines.lines.iter().filter(|line| {
        line.end_s - line.start_s >= options.shortest_s
            && line.tone_to_noise_db + 2.0 * line.tone_to_noise_error_db >= options.tone_to_noise_db
    });
    let (mut events, mut explained) = (Vec::new(), Vec::new());
    for line in lasting {
        let uncertainty = force
            .uncertainty_at(line.frequency_hz)
            .and(Origin::Analysis, LINE_DB);
        match explanation(line, lines, transfer) {
            None => events.push(event(line, uncertainty)),
            Some(explanation) => explained.push(Explained {
                frequency_hz: line.frequency_hz,
                start_s: line.start_s,
                end_s: line.end_s,
                explanation,
            }),
        }
    }
    (events, explained)
}

/// Takes for ringing what stands where a loop that was found stable comes near the edge.
pub fn ring(events: &mut Vec<Event>, explained: &mut Vec<Explained>, at_hz: &[f64]) {
    let near = |event: &Event| {
        let beside = |hz: &f64| (event.frequency_hz - hz).abs() < 2.0 * AROUND_HZ;
        at_hz.iter().any(beside) && event.highest_hz - event.lowest_hz < GLIDES_HZ
    };
    let (ringing, others) = events.drain(..).partition(near);
    *events = others;
    let of = |event: Event| Explained {
        frequency_hz: event.frequency_hz,
        start_s: event.start_s,
        end_s: event.end_s,
        explanation: Explanation::Ringing,
    };
    let ringing: Vec<Event> = ringing;
    explained.extend(ringing.into_iter().map(of));
    explained.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
}

/// Prominent after ECMA-418-1: the tone-to-noise ratio reaches 8 dB or the
/// prominence ratio 9 dB, more below 1 kHz (public transcription).
fn prominent(line: &Line) -> bool {
    let below = (1000.0 / line.frequency_hz).log10().max(0.0);
    line.tone_to_noise_db >= 8.0 + 8.33 * below || line.prominence_db >= 9.0 + 10.0 * below
}

fn explanation(line: &Line, lines: &Lines, transfer: &Transfer) -> Option<Explanation> {
    let in_the_room = match excess_db(line) {
        Some(excess_db) => excess_db < EXCESS_DB,
        None => {
            let gain = line.mean_square / line.microphone_mean_square;
            line.microphone_tone_to_noise_db >= 0.0 && gain_db(gain) < GREATEST_GAIN_DB
        }
    };
    let mains = [50.0, 60.0].iter().any(|hz| {
        let order = (line.frequency_hz / hz).round();
        order <= 12.0 && (line.frequency_hz - order * hz).abs() < MAINS_HZ
    });
    let mains = mains && by_itself(line, lines);
    let idle = 10.0 * (line.mean_square / 1e-12).log10() < LIMITED_DB && by_itself(line, lines);
    let driven = line.coherence > COHERENT || driven_long(line, transfer);
    let ringing = driven && line.microphone_tone_to_noise_db < 0.0;
    if in_the_room {
        Some(Explanation::InTheRoom)
    } else if ringing {
        Some(Explanation::Ringing)
    } else if mains {
        Some(Explanation::Mains)
    } else if line.harmonic_share > 0.5 {
        Some(Explanation::Harmonic)
    } else if line.product_share > 0.8 {
        Some(Explanation::Product)
    } else if idle {
        Some(Explanation::IdleTone)
    } else {
        None
    }
}

/// Whether a line neither begins nor ends nor changes within the recording.
fn by_itself(line: &Line, lines: &Lines) -> bool {
    line.end_s - line.start_s > THROUGHOUT * lines.duration_s && line.unsteadiness_db < STEADY_DB
}

/// Whether the force is coherent with the sound where it is strongest within the line's
/// bins, by more than chance, over segments so long that what still rings of a sound
/// falls into the same one.
fn driven_long(line: &Line, transfer: &Transfer) -> bool {
    let bin = |hz: f64| (hz / transfer.resolution_hz()).max(0.0) as usize;
    let [lowest, highest] = line.range_hz;
    if highest - lowest > GLIDES_HZ {
        return false;
    }
    let bins = transfer.bins();
    let around = bin(line.frequency_hz - AROUND_HZ)..=bin(line.frequency_hz + AROUND_HZ);
    let strongest = around
        .filter(|bin| *bin < bins.len())
        .max_by(|a, b| bins[*a].force.total_cmp(&bins[*b].force));
    strongest.is_some_and(|bin| {
        let chance = transfer.chance(bin).unwrap_or(1.0);
        bins[bin].coherence() > COHERENT && chance < CHANCE
    })
}

/// A squared gain in (N/Pa)² as a level difference, dB re 1 µN/20 µPa.
fn gain_db(gain: f64) -> f64 {
    10.0 * (gain * (20e-6f64 / 1e-6).powi(2)).log10()
}

/// Force of a line above what its sound at the microphone would make, in dB.
/// A gain beside the line that no device has is that of the way back, from the
/// device's own sound to the microphone, and tells nothing.
fn excess_db(line: &Line) -> Option<f64> {
    let gain = line
        .gain_beside
        .filter(|gain| gain_db(*gain) < GREATEST_GAIN_DB)?;
    let excess_db = 10.0 * (line.mean_square / (gain * line.microphone_mean_square)).log10();
    // No trace at the microphone: as much as can be told.
    Some(excess_db.min(99.0))
}

fn event(line: &Line, uncertainty: Uncertainty) -> Event {
    let level = match ForceLevel::from_mean_square(line.mean_square) {
        Some(level) => Reading::measured(level, uncertainty),
        None => Reading::not_measured("no power in the line"),
    };
    let part = |figure: f64, full: f64| (figure / full).clamp(0.0, 1.0);
    let excess_db = excess_db(line);
    let excess = excess_db.map_or(0.8, |db| part(db, 12.0));
    Event {
        frequency_hz: line.frequency_hz,
        start_s: line.start_s,
        end_s: line.end_s,
        level,
        tone_to_noise_db: line.tone_to_noise_db,
        prominence_db: line.prominence_db,
        growth_db_per_s: line.growth_db_per_s,
        prominent: prominent(line),
        lowest_hz: line.range_hz[0],
        highest_hz: line.range_hz[1],
        excess_db,
        confidence: part(line.tone_to_noise_db, 15.0)
            * part(line.end_s - line.start_s, 1.0)
            * excess,
    }
}
