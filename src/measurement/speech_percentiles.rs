//! # Percentiles of speech
//!
//! *Question.* Between which levels does speech move, at the microphone and as
//! force, and what does the device add to it?
//!
//! *Definition.* Long-term average and 30th, 65th and 99th percentile of the
//! levels of sections of 125 ms, per third octave: p percent of the sections lie
//! at or below the p-th percentile. Gain: force level minus sound pressure
//! level, for the long-term average and percentile by percentile.
//!
//! *Method.* 1. The force is read later by its bulk delay, found from the data,
//! so that a section holds the same sound in both channels. 2. Third-octave
//! levels of rectangular sections of 125 ms that overlap by half; what the filters let in
//! from neighbouring bands counts as for `levels`: where it is most of a figure, that is a
//! bound. 3. Both
//! channels ranked, each for itself. 4. Differences, percentile by percentile.
//! Where no delay is found, the sections of both channels begin together, and
//! what that may cost a percentile's gain stands in its uncertainty.
//!
//! *Source.* After IEC 60118-15:2012: section length, overlap and percentiles
//! from memory, the standard was not opened; that it makes up for the delay of
//! the device before it compares, from its list of contents.
//!
//! *Limits.* One delay serves all bands. A device that delays some of them more
//! has, at percentiles, the gain of sections that lie apart by the rest.
//! The figures are those of the material presented; another talker
//! has others. Sections in which the device's noise is louder than the speech
//! show the noise: its gain at low percentiles is then too high.

use ndarray::ArrayView1;
use schemars::JsonSchema;
use serde::Serialize;

pub use super::{NoOptions as Options, OneCapture as Input};
use crate::calibration::Channel;
use crate::diagnostic::Result;
use crate::levels::Needs;
use crate::levels::bands::Bands;
use crate::levels::distribution::Distribution;
use crate::levels::skirts::Row;
use crate::quantity::level::{OneMicronewton, Reference, TwentyMicropascals};
use crate::quantity::{
    Band, ForceLevel, Level, Origin, PressureLevel, Quantity, Reading, Role, Seconds,
    SensitivityLevel, Uncertainty,
};
use crate::trust::Check;

/// Third-octave levels.
pub const NEEDS: Needs = Needs {
    bands: true,
    aligned: true,
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
    Check::PresentedLevel,
    Check::RoomNoise,
    Check::Duration,
];

/// Expanded uncertainty of the analysis itself, as for levels (docs/accuracy.md).
const ANALYSIS_DB: f64 = 0.2;
/// What a delay that was not found (6 ms) costs the gain at the 30th, 65th and 99th
/// percentile of ordinary speech at most, found with a device of flat gain.
const DELAYED_DB: [f64; 3] = [1.2, 1.2, 0.4];
/// The percentiles.
const PERCENTILES: [f64; 3] = [30.0, 65.0, 99.0];
/// Sections without which a 99th percentile is no percentile.
const FEWEST: u64 = 100;

/// Speech in one capture.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[schemars(rename = "SpeechPercentilesOutcome")]
pub struct Outcome {
    /// Start of the part analysed, in seconds.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// Length of a section in seconds; sections overlap by half.
    pub section_s: f64,
    /// By how much later than the sound the force was read.
    pub delay: Reading<Seconds>,
    /// Level at the microphone, all bands together.
    pub presented: Reading<PressureLevel>,
    /// One item per band.
    pub bands: Vec<BandSpeech>,
}

/// Speech in one band.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct BandSpeech {
    /// The band.
    #[serde(flatten)]
    pub band: Band,
    /// Force at the abutment.
    pub force: Speech<ForceLevel>,
    /// Sound at the microphone.
    pub sound: Speech<PressureLevel>,
    /// Force level minus sound pressure level.
    pub gain: Speech<SensitivityLevel>,
}

/// Long-term average and percentiles.
#[derive(Debug, Clone, Serialize, JsonSchema)]
#[serde(bound = "")]
pub struct Speech<Q: Quantity> {
    /// Long-term average.
    pub leq: Reading<Q>,
    /// Level that 30 % of the sections do not exceed.
    pub percentile_30: Reading<Q>,
    /// Level that 65 % of the sections do not exceed.
    pub percentile_65: Reading<Q>,
    /// Level that 99 % of the sections do not exceed.
    pub percentile_99: Reading<Q>,
}

/// Ranks the sections of both channels.
///
/// # Errors
/// [`crate::Problem::ChannelMissing`] without the force channel.
pub fn measure(input: &Input<'_>, _options: &Options) -> Result<Outcome> {
    let bands = input.capture.bands()?;
    let force = input.capture.channel(Role::Force, "speech_percentiles")?;
    let microphone = input.capture.channels[Role::Microphone as usize].as_ref();
    let [of_force, of_sound] = Role::ALL.map(|role| Rows::of(bands, role));
    let of_band = |(column, band): (usize, &Band)| {
        let force = speech::<OneMicronewton>(force, &of_force, bands, column);
        let sound = match microphone {
            Some(channel) => speech::<TwentyMicropascals>(channel, &of_sound, bands, column),
            None => Speech::absent("the microphone was not recorded"),
        };
        BandSpeech {
            band: *band,
            gain: gain(&force, &sound, bands.delay_s),
            force,
            sound,
        }
    };
    let each: Vec<BandSpeech> = bands.bands.iter().enumerate().map(of_band).collect();
    // What one band reads of the next is not missing there: bounds count.
    let sum = Level::power_sum(each.iter().filter_map(|band| match &band.sound.leq {
        Reading::Measured(level, _) | Reading::AtMost(level, _) => Some(*level),
        _ => None,
    }));
    let presented = match (sum, microphone) {
        (Some(sum), Some(channel)) => Reading::measured(sum, uncertainty(channel)),
        _ => Reading::not_measured("no band of the microphone was measured"),
    };
    Ok(Outcome {
        from_s: bands.from_s,
        to_s: bands.to_s,
        section_s: Bands::BLOCK_S,
        delay: match bands.delay_s {
            Some(delay_s) => {
                let half_a_frame_s = 0.5 / f64::from(input.capture.rate_hz);
                let rounded = Uncertainty::of(Origin::Analysis, half_a_frame_s);
                Reading::measured(Seconds(delay_s), rounded)
            }
            None => Reading::not_measured("the two channels share no broadband sound"),
        },
        presented,
        bands: each,
    })
}

fn uncertainty(channel: &Channel) -> Uncertainty {
    channel.uncertainty().and(Origin::Analysis, ANALYSIS_DB)
}

/// Long-term average and percentiles of all bands of one channel: what a filter lets in
/// from the bands beside its own is known from them.
struct Rows<'a> {
    sections: ArrayView1<'a, Distribution>,
    leq: Row,
    percentiles: [Row; 3],
}

impl<'a> Rows<'a> {
    fn of(bands: &'a Bands, role: Role) -> Self {
        let sections = bands.blocks.row(role as usize);
        let percentile = |percent: f64| {
            let power = |sections: &Distribution| {
                let db = sections.percentile_db(percent);
                db.map_or(0.0, |db| 10f64.powf(db / 10.0))
            };
            Row::new(sections.iter().map(power).collect())
        };
        Self {
            leq: Row::new(bands.mean_square.row(role as usize).to_vec()),
            percentiles: PERCENTILES.map(percentile),
            sections,
        }
    }
}

fn speech<R: Reference>(
    channel: &Channel,
    rows: &Rows<'_>,
    bands: &Bands,
    column: usize,
) -> Speech<Level<R>> {
    if let Some(gap) = channel.gap(bands.bands[column]) {
        return Speech::absent(&gap);
    }
    let sections = &rows.sections[column];
    let percentile = |row: &Row| {
        if sections.total() < FEWEST {
            let needed_s = (FEWEST + 1) as f64 * Bands::BLOCK_S / 2.0;
            return Reading::not_measured(format!(
                "{:.1} s analysed; percentiles need {needed_s:.1} s",
                bands.duration_s()
            ));
        }
        if row.powers[column] == 0.0 {
            return Reading::not_measured("digital silence for that part of the time");
        }
        let budget = uncertainty(channel).and(Origin::Analysis, Distribution::RESOLUTION_DB);
        row.level(column, budget)
    };
    let [percentile_30, percentile_65, percentile_99] = rows.percentiles.each_ref().map(percentile);
    Speech {
        leq: rows.leq.level(column, uncertainty(channel)),
        percentile_30,
        percentile_65,
        percentile_99,
    }
}

impl<Q: Quantity> Speech<Q> {
    fn absent(why: &str) -> Self {
        let absent = || Reading::not_measured(why);
        Self {
            leq: absent(),
            percentile_30: absent(),
            percentile_65: absent(),
            percentile_99: absent(),
        }
    }
}

fn gain(
    force: &Speech<ForceLevel>,
    sound: &Speech<PressureLevel>,
    delay_s: Option<f64>,
) -> Speech<SensitivityLevel> {
    let of = |force: &Reading<ForceLevel>, sound: &Reading<PressureLevel>| {
        force.and(sound, |(f, uf), (s, us)| {
            Reading::measured(f.over(s), uf.minus(us))
        })
    };
    let delayed = |gain: Reading<SensitivityLevel>, db: f64| match gain {
        Reading::Measured(gain, u) if delay_s.is_none() => {
            Reading::measured(gain, u.and(Origin::Analysis, db))
        }
        aligned => aligned,
    };
    let [at_30, at_65, at_99] = DELAYED_DB;
    Speech {
        leq: of(&force.leq, &sound.leq),
        percentile_30: delayed(of(&force.percentile_30, &sound.percentile_30), at_30),
        percentile_65: delayed(of(&force.percentile_65, &sound.percentile_65), at_65),
        percentile_99: delayed(of(&force.percentile_99, &sound.percentile_99), at_99),
    }
}
