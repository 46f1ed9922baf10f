//! Everything that can go wrong or look doubtful, in one list, by stage.

use thiserror::Error;

/// What went wrong. The text says what was found and what was expected;
/// [`Problem::advice`] says what to do next; [`Problem::code`] is stable.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum Problem {
    // documents: session, calibration, scenario, tables
    /// A file could not be opened, read or written.
    #[error("{action} failed: {cause}")]
    File {
        /// What was being done, for instance `opening`.
        action: &'static str,
        /// The system's own words.
        cause: String,
    },
    /// A document is not well formed.
    #[error("{cause}")]
    Document {
        /// What the parser found.
        cause: String,
    },
    /// No font to draw text with.
    #[error("there is no font on this machine: the picture would have no text")]
    NoFont,
    /// No browser to print a page with.
    #[error("{}", match named {
        Some(name) => format!("there is no program `{name}` to print the page with"),
        None => "there is no browser on this machine that prints the page as PDF".into(),
    })]
    NoBrowser {
        /// The one that was asked for.
        named: Option<String>,
        /// Where it is asked for.
        named_by: &'static str,
    },
    /// A JSON document that is not a record.
    #[error("this is not a record of measurements: `{key}` is missing")]
    NotARecord {
        /// What every record has.
        key: String,
    },
    /// A record that does not say how it was made.
    #[error("this record does not hold what it takes to make it again: {what}")]
    NoRecipe {
        /// What is missing or not understood.
        what: String,
    },
    /// Files that are not those of a record.
    #[error("these are not the files of the record: {what}")]
    OtherFiles {
        /// Which, and why not.
        what: String,
    },
    /// A key, or a word for a value, that no document of this kind has.
    #[error("unknown {what} `{key}`{}", nearest_text(nearest.as_deref()))]
    UnknownKey {
        /// `key` or `value`.
        what: &'static str,
        /// The word found.
        key: String,
        /// The known word most like it.
        nearest: Option<String>,
        /// All words known at this place.
        known: Vec<String>,
    },
    /// A key that must be there is not.
    #[error("the key `{key}` is missing")]
    MissingKey {
        /// The key.
        key: String,
    },
    /// A key holds a value that makes no sense.
    #[error("`{key}` is {found}, expected {expected}")]
    Value {
        /// The key.
        key: String,
        /// What stands there.
        found: String,
        /// What would be right.
        expected: String,
    },
    /// A key holds, or asks for, what could identify a person.
    #[error("`{key}` looks like {what}; no file of this program may identify a person")]
    Personal {
        /// The key.
        key: String,
        /// What it looks like.
        what: &'static str,
    },
    /// No third-octave band has this name.
    #[error("{nominal_hz} Hz is not the nominal midband frequency of a third-octave band")]
    UnknownBand {
        /// The frequency given.
        nominal_hz: f64,
    },
    /// The lowest band lies above the highest.
    #[error("the lowest band ({lowest_hz} Hz) lies above the highest ({highest_hz} Hz)")]
    BandOrder {
        /// Nominal frequency of the lowest band.
        lowest_hz: f64,
        /// Nominal frequency of the highest band.
        highest_hz: f64,
    },

    // capture
    /// The file is not a WAV file.
    #[error("this is not a WAV file: {found} where RIFF … WAVE should")]
    NotWav {
        /// What stands at its beginning.
        found: String,
    },
    /// The container breaks off or contradicts itself.
    #[error("damaged WAV file: {what}")]
    BrokenWav {
        /// What is wrong.
        what: String,
    },
    /// A WAV file of a kind that is not read.
    #[error("this kind of WAV file is not read: {what}")]
    UnsupportedWav {
        /// The kind.
        what: String,
    },
    /// Something in the container had to be put right to read it.
    #[error("the file was read after a repair: {what}")]
    RepairedWav {
        /// What was put right.
        what: String,
    },
    /// The sampling rate lies outside the supported range.
    #[error("sampling rate {rate_hz} Hz; 16000 Hz to 192000 Hz are supported")]
    Rate {
        /// The rate found.
        rate_hz: u32,
    },
    /// The file has fewer channels than the calibration names.
    #[error("channel {channel} does not exist: the file has {channels}")]
    NoSuchChannel {
        /// The channel asked for, counted from 1.
        channel: usize,
        /// How many there are.
        channels: usize,
    },
    /// Force and microphone are said to be one and the same channel.
    #[error("force and microphone are both channel {channel} of this file")]
    SameChannel {
        /// The channel, counted from 1.
        channel: usize,
    },
    /// A channel holds nothing but zeros.
    #[error(
        "{measurement} cannot be measured: the {channel} channel is silent, every sample is zero"
    )]
    Silent {
        /// The measurement.
        measurement: &'static str,
        /// The channel.
        channel: &'static str,
    },
    /// One channel is a copy of the other.
    #[error("{measurement} cannot be measured: the two channels hold one and the same signal")]
    Copied {
        /// The measurement.
        measurement: &'static str,
    },
    /// Two files that belong together do not match.
    #[error("{what} differs: {first} in {first_file}, {second} here")]
    Unmatched {
        /// What differs.
        what: &'static str,
        /// Figure of the first file.
        first: String,
        /// Name of the first file.
        first_file: String,
        /// Figure of this file.
        second: String,
    },
    /// A sample is not a finite number.
    #[error("a sample is not a finite number")]
    NotFinite,
    /// Samples stand at the ends of the range.
    #[error("{samples} samples at full scale in {runs} places, the first at {first_s:.3} s")]
    Clipped {
        /// Number of such samples.
        samples: u64,
        /// Number of runs.
        runs: u64,
        /// Time of the first.
        first_s: f64,
    },
    /// The recorder lost samples, or delivered some twice.
    #[error("{what} in {places} places, the first at {first_s:.3} s")]
    Interrupted {
        /// What was found.
        what: &'static str,
        /// How often.
        places: u64,
        /// Time of the first.
        first_s: f64,
    },
    /// Every sample of a channel is zero.
    #[error("every sample is zero")]
    NoSignal,
    /// Two channels hold the very same samples.
    #[error("it holds the very same samples as channel {channel}")]
    SameSamples {
        /// The other channel, counted from 1.
        channel: usize,
    },
    /// The recording is too short for what is asked.
    #[error("{available_s:.2} s of recording; at least {needed_s:.2} s are needed {why}")]
    TooShort {
        /// What there is.
        available_s: f64,
        /// What is needed.
        needed_s: f64,
        /// What for.
        why: String,
    },
    /// The interval asked for does not lie in the recording.
    #[error("the interval {from_s} s to {to_s} s does not lie in a recording of {duration_s:.3} s")]
    Interval {
        /// Asked start.
        from_s: f64,
        /// Asked end.
        to_s: f64,
        /// Length of the recording.
        duration_s: f64,
    },

    // calibration
    /// Neither channel is described.
    #[error("the calibration describes neither a force nor a microphone channel")]
    NoChannel,
    /// A measurement needs a channel that is not there.
    #[error("{measurement} needs the {channel} channel, which the calibration does not describe")]
    ChannelMissing {
        /// The measurement.
        measurement: &'static str,
        /// The channel.
        channel: &'static str,
    },

    /// The certificate is older than its interval allows.
    #[error("the calibration of {date} was due again on {due}, before the session of {day}")]
    CalibrationOverdue {
        /// Date of the certificate.
        date: String,
        /// When the next one was due.
        due: String,
        /// Date of the session.
        day: String,
    },
    /// The certificate is younger than the measurement.
    #[error("the calibration is of {date}, after the session of {day}")]
    CalibratedLater {
        /// Date of the certificate.
        date: String,
        /// Date of the session.
        day: String,
    },
    /// Nothing can be said of the age of a calibration.
    #[error("the age of the calibration cannot be judged: {missing} is not stated")]
    CalibrationAgeUnknown {
        /// What would be needed.
        missing: &'static str,
    },

    /// A recording of a calibrator does not hold the steady tone that was stated.
    #[error("this is not the tone that the calibrator is stated to make: {}", faults.join("; "))]
    NotTheTone {
        /// What is wrong and by how much.
        faults: Vec<String>,
        /// What to do about each.
        remedies: Vec<&'static str>,
    },
    /// A calibrator says otherwise than the sensitivity known before.
    #[error("{what}")]
    SensitivityMoved {
        /// By how much, and against what.
        what: String,
        /// The likely cause, and what to do.
        next: String,
    },

    // levels
    /// Bands left out because the sampling rate does not carry them.
    #[error(
        "bands above {highest} left out: the sampling rate of {rate_hz} Hz does not carry them"
    )]
    BandsLeftOut {
        /// Name of the highest band kept.
        highest: String,
        /// Sampling rate.
        rate_hz: u32,
    },
    /// No band is left.
    #[error("no band is left: the sampling rate of {rate_hz} Hz carries none from {lowest} Hz up")]
    NoBand {
        /// Sampling rate.
        rate_hz: u32,
        /// Label of the lowest band asked for.
        lowest: String,
    },

    /// The beginning of a recording of speech was left out.
    #[error("the first {settling_s:.2} s are left out: the device settles to the speech")]
    Settling {
        /// How much was left out.
        settling_s: f64,
    },

    // measurement and pipeline
    /// A question cannot be answered because a capture is missing.
    #[error("{measurement} needs a capture with the role `{role}`")]
    RoleMissing {
        /// The measurement.
        measurement: &'static str,
        /// The role.
        role: &'static str,
    },
    /// More than one capture claims a role that only one may have.
    #[error("the role `{role}` is given to {count} captures; one is expected")]
    RoleRepeated {
        /// The role.
        role: &'static str,
        /// How many.
        count: usize,
    },
    /// A set-up check is not passed.
    #[error("{finding}")]
    SetUp {
        /// Code of the check.
        code: &'static str,
        /// What was found.
        finding: String,
        /// What to do.
        next: &'static str,
    },
    /// A measurement relies on a set-up check that failed.
    #[error("{measurement} cannot be measured: {finding}")]
    NotTrusted {
        /// The measurement.
        measurement: &'static str,
        /// What was found.
        finding: String,
        /// What to do.
        next: &'static str,
    },
    /// A signal stands too little above the noise to be judged.
    #[error("{what}")]
    Doubtful {
        /// What is in doubt, and why.
        what: String,
    },
    /// A fault of the tool itself.
    #[error("internal fault: {what}")]
    Internal {
        /// What was found.
        what: String,
    },
}

impl Problem {
    /// A stable name of the kind of problem, `stage.kind`.
    pub fn code(&self) -> &'static str {
        match self {
            Self::File { .. } => "document.file",
            Self::Document { .. } => "document.syntax",
            Self::NoFont => "picture.no_font",
            Self::NoBrowser { .. } => "report.no_browser",
            Self::NotARecord { .. } => "document.not_a_record",
            Self::NoRecipe { .. } => "document.no_recipe",
            Self::OtherFiles { .. } => "document.other_files",
            Self::UnknownKey { .. } => "document.unknown_key",
            Self::MissingKey { .. } => "document.missing_key",
            Self::Value { .. } => "document.value",
            Self::Personal { .. } => "document.personal",
            Self::UnknownBand { .. } => "document.unknown_band",
            Self::BandOrder { .. } => "document.band_order",
            Self::NotWav { .. } => "capture.not_wav",
            Self::BrokenWav { .. } => "capture.broken",
            Self::UnsupportedWav { .. } => "capture.unsupported",
            Self::RepairedWav { .. } => "capture.repaired",
            Self::Rate { .. } => "capture.rate",
            Self::NoSuchChannel { .. } => "capture.no_such_channel",
            Self::SameChannel { .. } => "capture.same_channel",
            Self::Silent { .. } => "capture.silent",
            Self::Copied { .. } => "capture.copied",
            Self::Unmatched { .. } => "capture.unmatched",
            Self::NotFinite => "capture.not_finite",
            Self::Clipped { .. } => "capture.clipped",
            Self::Interrupted { .. } => "capture.interrupted",
            Self::NoSignal => "capture.no_signal",
            Self::SameSamples { .. } => "capture.same_samples",
            Self::TooShort { .. } => "capture.too_short",
            Self::Interval { .. } => "capture.interval",
            Self::NoChannel => "calibration.no_channel",
            Self::ChannelMissing { .. } => "calibration.channel_missing",
            Self::CalibrationOverdue { .. } => "calibration.overdue",
            Self::CalibratedLater { .. } => "calibration.later",
            Self::CalibrationAgeUnknown { .. } => "calibration.age_unknown",
            Self::NotTheTone { .. } => "calibration.not_the_tone",
            Self::SensitivityMoved { .. } => "calibration.sensitivity_moved",
            Self::BandsLeftOut { .. } => "levels.bands_left_out",
            Self::NoBand { .. } => "levels.no_band",
            Self::Settling { .. } => "levels.settling",
            Self::RoleMissing { .. } => "pipeline.role_missing",
            Self::RoleRepeated { .. } => "pipeline.role_repeated",
            Self::SetUp { code, .. } => code,
            Self::NotTrusted { .. } => "measurement.not_trusted",
            Self::Doubtful { .. } => "measurement.doubtful",
            Self::Internal { .. } => "internal.fault",
        }
    }

    /// What to do next.
    pub fn advice(&self) -> String {
        match self {
            Self::File {
                action: "writing", ..
            } => "write elsewhere, or move what stands in the way".into(),
            Self::File { .. } => "check the path and the permissions".into(),
            Self::Document { .. } => "correct the line; docs/formats.md describes the file".into(),
            Self::NoFont => "install a font, or write the picture as SVG".into(),
            Self::NoBrowser { named_by, .. } => format!(
                "install Chromium or a browser built on it, or name one in {named_by}; or write .html and print that from any browser: the page has a style sheet for paper"
            ),
            Self::NotARecord { .. } => {
                "name what `--format json` or `--out FILE.json` wrote".into()
            }
            Self::NoRecipe { .. } => {
                "name a record of this version that nothing was taken out of".into()
            }
            Self::OtherFiles { .. } => {
                "put the files of the record where --folder says; figures of other files are no check"
                    .into()
            }
            Self::UnknownKey { known, .. } if known.is_empty() => {
                "remove it: nothing can be set here".into()
            }
            Self::UnknownKey { known, .. } => format!("known here: {}", known.join(", ")),
            Self::MissingKey { key } => {
                format!(
                    "add `{key} = …`; docs/formats.md says what it holds and where it comes from"
                )
            }
            Self::Value { .. } => "correct the value".into(),
            Self::Personal { .. } => {
                "use a code such as P-041: at most three letters in a row and five digits; keep the list of codes apart from these files"
                    .into()
            }
            Self::UnknownBand { .. } => {
                "use a nominal frequency from 25 Hz to 20 kHz, for instance 125, 1250 or 8000"
                    .into()
            }
            Self::BandOrder { .. } => "exchange the two".into(),
            Self::NotWav { .. } => "export the recording as WAV (PCM or 32-bit float)".into(),
            Self::BrokenWav { .. } => "export the recording again from the recorder".into(),
            Self::UnsupportedWav { .. } => {
                "export it as PCM with 16, 24 or 32 bits, or as 32-bit float".into()
            }
            Self::RepairedWav { .. } => "compare duration and peaks with the recorder's own".into(),
            Self::Rate { .. } => "record at 44100 Hz or 48000 Hz".into(),
            Self::NoSuchChannel { .. } => {
                "correct `channel` in the calibration or the session".into()
            }
            Self::SameChannel { .. } => {
                "correct `channel` in the calibration or the session".into()
            }
            Self::Interrupted { .. } => {
                "record again with a larger buffer and nothing else running on the recorder".into()
            }
            Self::NoSignal | Self::Silent { .. } => {
                "check the cable and the recorder's input, and record again".into()
            }
            Self::SameSamples { .. } | Self::Copied { .. } => {
                "check that the recorder takes two inputs, not one twice, and record again".into()
            }
            Self::Unmatched { .. } => "use two files of one recording".into(),
            Self::NotFinite => {
                "export the recording again; such a file must not be measured".into()
            }
            Self::Clipped { .. } => "lower the recorder's gain and record again".into(),
            Self::TooShort { .. } => "record longer, or choose a higher lowest band".into(),
            Self::Interval { .. } => "choose an interval inside the recording".into(),
            Self::NoChannel => "add a [force] or a [microphone] table".into(),
            Self::ChannelMissing { channel, .. } => {
                format!(
                    "add a [{channel}] table to the calibration, with its channel and sensitivity"
                )
            }
            Self::CalibrationOverdue { .. } => {
                "have the channel calibrated; until then its levels may have drifted".into()
            }
            Self::CalibratedLater { .. } => {
                "correct the date that is wrong, or name the calibration that was in force then"
                    .into()
            }
            Self::CalibrationAgeUnknown { .. } => {
                "state `date` and `interval_months` in the calibration, and `date` in the session"
                    .into()
            }
            Self::NotTheTone { remedies, .. } => {
                format!("{}; then record again", remedies.join("; "))
            }
            Self::SensitivityMoved { next, .. } => next.clone(),
            Self::BandsLeftOut { .. } => "record at a higher sampling rate to measure them".into(),
            Self::NoBand { .. } => "ask for lower bands, or record at a higher rate".into(),
            Self::Settling { .. } => "say `from_s` in the session to choose another part".into(),
            Self::RoleMissing { role, .. } => {
                format!("record one and give it `role = \"{role}\"` in the session")
            }
            Self::RoleRepeated { .. } => "give every role once".into(),
            Self::SetUp { next, .. } | Self::NotTrusted { next, .. } => (*next).into(),
            Self::Doubtful { .. } => "read the figures concerned with care".into(),
            Self::Internal { .. } => {
                "this is a fault of the program: please report it with the command and the message"
                    .into()
            }
        }
    }
}

fn nearest_text(nearest: Option<&str>) -> String {
    nearest
        .map(|name| format!("; did you mean `{name}`?"))
        .unwrap_or_default()
}
