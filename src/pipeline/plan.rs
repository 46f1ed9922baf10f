//! What to read and what to measure.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::document::{Text, beside, read_calibration, read_session};
use super::recipe::Recipe;
use super::session::{CaptureDocument, CaptureRole, Session, SourceDocument};
use super::subject;
use crate::assessment::{self, DataSheet, Subject};
use crate::calibration::Calibration;
use crate::capture::{InputFile, Source};
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::levels::{Interval, Needs, StatedTone};
use crate::measurement::{Kind, Options, directivity};
use crate::quantity::{BandRange, Role};
use crate::trust::Sound;

/// Everything a run needs to know.
#[derive(Debug, Clone)]
pub struct Plan {
    /// What the session file says of the appointment; absent without one.
    pub session: Option<Session>,
    /// The calibration of every capture.
    pub calibration: Calibration,
    /// The documents read so far: the session file, where there is one, the
    /// calibration file, and what they name.
    pub documents: Vec<InputFile>,
    /// Bands to analyse.
    pub range: BandRange,
    /// The captures.
    pub captures: Vec<CapturePlan>,
    /// The measurements.
    pub requests: Vec<Request>,
    /// Their options.
    pub options: Options,
    /// The person, if the session says what is heard.
    pub subject: Option<Subject>,
    /// What the device's maker states, if the session names it.
    pub data_sheet: Option<DataSheet>,
    /// The criteria of the assessments.
    pub criteria: assessment::Options,
    /// What could not be planned, and why.
    pub gaps: Vec<String>,
}

/// One capture to read.
#[derive(Debug, Clone)]
pub struct CapturePlan {
    /// Its name in the record.
    pub name: String,
    /// What it was recorded for.
    pub role: CaptureRole,
    /// Force and microphone channel.
    pub sources: [Option<Source>; 2],
    /// The part to analyse.
    pub interval: Interval,
    /// Presented level, as stated, in dB SPL.
    pub level_db_spl: Option<f64>,
    /// What a calibrator was stated to do.
    pub tone: Option<StatedTone>,
    /// Direction of the sound, as stated; 0 is the front.
    pub direction_deg: Option<f64>,
    /// When steps of tones begin and end in the recording, in seconds; empty: they are
    /// found.
    pub steps_s: Vec<[f64; 2]>,
    /// The user's note.
    pub note: Option<String>,
}

/// One measurement: which capture plays which part in it, by index.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// The measurement.
    pub kind: Kind,
    /// Parts and captures.
    pub captures: BTreeMap<String, usize>,
}

impl CapturePlan {
    /// A whole WAV file with the tone of a calibrator; only the channel that it
    /// drives is read.
    ///
    /// # Errors
    /// [`Problem::ChannelMissing`].
    pub fn of_tone(file: &Path, tone: StatedTone, calibration: &Calibration) -> Result<Self> {
        describes(calibration, tone.role)?;
        let role = match tone.role {
            Role::Force => CaptureRole::ForceCalibrator,
            Role::Microphone => CaptureRole::MicrophoneCalibrator,
        };
        let mut capture = Self::of_file(file, role, calibration);
        capture.sources[1 - tone.role as usize] = None;
        capture.tone = Some(tone);
        Ok(capture)
    }

    /// A whole WAV file whose channels lie where `calibration` says; its name is
    /// the file's without ending.
    pub fn of_file(file: &Path, role: CaptureRole, calibration: &Calibration) -> Self {
        let stem = file.file_stem().unwrap_or(file.as_os_str());
        Self {
            name: stem.to_string_lossy().into_owned(),
            role,
            sources: [0, 1].map(|slot| {
                let channel = calibration.channels()[slot].as_ref()?.channel;
                let file = file.to_owned();
                Some(Source { file, channel })
            }),
            interval: Interval::default(),
            level_db_spl: None,
            tone: None,
            direction_deg: None,
            steps_s: Vec::new(),
            note: None,
        }
    }

    fn of_document(
        capture: &CaptureDocument,
        session: &Path,
        calibration: &Calibration,
    ) -> Result<Self> {
        capture.check_steps().in_capture(&capture.name)?;
        let role = capture.role.calibrated();
        if let Some(role) = role {
            describes(calibration, role).in_capture(&capture.name)?;
        }
        let source = |slot: usize, own: Option<&SourceDocument>| {
            let read = role.is_none_or(|role| role as usize == slot);
            let Some(channel) = calibration.channels()[slot].as_ref().filter(|_| read) else {
                return Ok(None);
            };
            let file = own.and_then(|o| o.file.as_ref()).or(capture.file.as_ref());
            let Some(file) = file else {
                let key = "file".into();
                return Err(Diagnostic::from(Problem::MissingKey { key }));
            };
            Ok(Some(Source {
                file: beside(session, file),
                channel: own.and_then(|o| o.channel).unwrap_or(channel.channel),
            }))
        };
        Ok(Self {
            name: capture.name.clone(),
            role: capture.role,
            sources: [
                source(0, capture.force.as_ref()).in_capture(&capture.name)?,
                source(1, capture.microphone.as_ref()).in_capture(&capture.name)?,
            ],
            interval: Interval {
                from_s: capture.from_s,
                to_s: capture.to_s,
            },
            level_db_spl: capture.level_db_spl,
            tone: capture.tone().in_capture(&capture.name)?,
            direction_deg: capture.direction_deg,
            steps_s: capture.steps_s.clone(),
            note: capture.note.clone(),
        })
    }
}

/// Refuses a calibrator on a channel that nobody described.
fn describes(calibration: &Calibration, role: Role) -> Result<()> {
    if calibration.channels()[role as usize].is_some() {
        return Ok(());
    }
    let (measurement, channel) = (Kind::CalibratorTone.name(), role.name());
    Err(Problem::ChannelMissing {
        measurement,
        channel,
    }
    .into())
}

impl Plan {
    /// Reads a session file and plans every measurement that its captures
    /// allow.
    ///
    /// # Errors
    /// Those of the session and the calibration file.
    pub fn read(path: &Path) -> Result<Self> {
        let (document, input) = read_session(path)?;
        document.options.check().in_file(path)?;
        document.criteria.check().in_file(path)?;
        let calibration_path: PathBuf = beside(path, &document.session.calibration);
        let (calibration, inputs) = read_calibration(&calibration_path)?;
        let captures = document
            .capture
            .iter()
            .map(|capture| CapturePlan::of_document(capture, path, &calibration).in_file(path))
            .collect::<Result<Vec<_>>>()?;
        let (subject, tables) = match &document.person {
            Some(person) => subject::read(person, path)?,
            None => (None, Vec::new()),
        };
        let sheet = document.device.as_ref().and_then(|d| d.data_sheet.as_ref());
        let (data_sheet, sheets) = match sheet {
            Some(name) => {
                let named = beside(path, name);
                let text = Text::read(&named)?;
                let sheet = DataSheet::parse(&text.text).in_file(&named)?;
                (Some(sheet), vec![text.input])
            }
            None => (None, Vec::new()),
        };
        let mut plan = Self {
            session: Some(document.session()),
            range: document.range().in_file(path).at_key("bands")?,
            options: document.options,
            subject,
            data_sheet,
            criteria: document.criteria,
            documents: std::iter::once(input)
                .chain(inputs)
                .chain(tables)
                .chain(sheets)
                .collect(),
            calibration,
            captures,
            requests: Vec::new(),
            gaps: Vec::new(),
        };
        plan.ask_everything();
        Ok(plan)
    }

    /// A plan without a session: `captures`, all measured for `kinds`.
    pub fn without_session(
        calibration: Calibration,
        documents: Vec<InputFile>,
        captures: Vec<CapturePlan>,
        kinds: &[Kind],
    ) -> Self {
        let mut plan = Self {
            session: None,
            calibration,
            documents,
            range: BandRange::default(),
            captures,
            requests: Vec::new(),
            options: Options::default(),
            subject: None,
            data_sheet: None,
            criteria: assessment::Options::default(),
            gaps: Vec::new(),
        };
        plan.tell_apart();
        for kind in kinds {
            match kind {
                Kind::SpeechPercentiles => plan.ask_speech(),
                Kind::Directional => plan.ask_directional(),
                Kind::DirectionalAtOnce => plan.ask_directional_at_once(),
                Kind::Directivity => plan.ask_directivity(),
                Kind::NoiseReduction => plan.ask_noise_reduction(),
                Kind::NoiseReductionOnset => plan.ask_onset(),
                Kind::PhaseInversion => plan.ask_phase_inversion(),
                Kind::OutputForceLevel
                | Kind::FullOnSensitivity
                | Kind::ForceLevelResponse
                | Kind::HarmonicDistortion
                | Kind::InputOutput
                | Kind::AttackRelease => plan.ask_tones(*kind),
                Kind::CalibratorTone => plan.ask_calibrators(),
                Kind::Feedback => plan.ask_feedback(),
                Kind::Sensitivity => plan.ask_sensitivity(),
                Kind::EquivalentInputNoise => plan.ask_equivalent_input_noise(),
                _ => plan.ask_each(*kind),
            }
        }
        plan
    }

    /// Every file that it reads.
    pub fn files(&self) -> Vec<PathBuf> {
        let documents = self.documents.iter().map(|input| input.path.clone());
        let captures = self.captures.iter();
        let sources = captures.flat_map(|capture| capture.sources.iter().flatten());
        documents
            .chain(sources.map(|source| source.file.clone()))
            .collect()
    }

    /// What it takes to plan it again.
    pub fn recipe(&self) -> Recipe {
        let document = |index: usize| self.documents.get(index).map(|input| input.path.clone());
        let has_session = usize::from(self.session.is_some());
        let mut measurements: Vec<Kind> = self.requests.iter().map(|r| r.kind).collect();
        measurements.sort();
        measurements.dedup();
        Recipe {
            session: document(0).filter(|_| has_session > 0),
            calibration: document(has_session).unwrap_or_default(),
            lowest_hz: self.range.lowest().nominal_hz(),
            highest_hz: self.range.highest().nominal_hz(),
            measurements,
        }
    }

    /// What must be reduced of the capture at `index`.
    pub fn needs(&self, index: usize) -> Needs {
        self.requests
            .iter()
            .filter(|request| request.captures.values().any(|i| *i == index))
            .fold(Needs::default(), |needs, request| {
                needs.or(request.kind.needs())
            })
    }

    /// Captures whose files have one name are called by their paths.
    fn tell_apart(&mut self) {
        let names: Vec<String> = self.captures.iter().map(|c| c.name.clone()).collect();
        for (capture, name) in self.captures.iter_mut().zip(&names) {
            let file = capture
                .sources
                .iter()
                .flatten()
                .next()
                .map(|source| &source.file);
            if let Some(file) = file
                && names.iter().filter(|other| *other == name).count() > 1
            {
                capture.name = file.display().to_string();
            }
        }
    }

    fn ask_everything(&mut self) {
        self.ask_calibrators();
        self.ask_each(Kind::Levels);
        self.ask_speech();
        self.miss_assessments();
        if self.calibration.channels().iter().all(Option::is_some) {
            self.ask_feedback();
            self.ask_directional();
            self.ask_directional_at_once();
            self.ask_directivity();
            self.ask_noise_reduction();
            self.ask_onset();
            self.ask_phase_inversion();
            self.ask_sensitivity();
            self.ask_equivalent_input_noise();
            for kind in [
                Kind::OutputForceLevel,
                Kind::FullOnSensitivity,
                Kind::ForceLevelResponse,
                Kind::HarmonicDistortion,
                Kind::InputOutput,
                Kind::AttackRelease,
            ] {
                self.ask_tones(kind);
            }
        } else {
            self.gaps.push(
                "feedback, directionality and noise reduction: both channels are needed; describe the missing one in the calibration file"
                    .into(),
            );
        }
    }

    fn ask_each(&mut self, kind: Kind) {
        for index in 0..self.captures.len() {
            // The tone of a calibrator is no device's doing.
            if self.captures[index].role.calibrated().is_none() {
                self.ask(kind, index);
            }
        }
    }

    /// Every calibrator capture, each after the first of its channel with that
    /// first one, to know the drift.
    fn ask_calibrators(&mut self) {
        let kind = Kind::CalibratorTone;
        for role in Role::ALL {
            let calibrators = self.captures.iter().enumerate();
            let mut of_role =
                calibrators.filter(|(_, capture)| capture.role.calibrated() == Some(role));
            let Some((first, _)) = of_role.next() else {
                continue;
            };
            let captures = parts([("capture", first)]);
            self.requests.push(Request { kind, captures });
            for (index, _) in of_role {
                let captures = parts([("capture", index), ("earlier", first)]);
                self.requests.push(Request { kind, captures });
            }
        }
    }

    fn ask(&mut self, kind: Kind, index: usize) {
        let mut captures = parts([("capture", index)]);
        if kind == Kind::Feedback {
            if self.captures[index].role == CaptureRole::Substitution {
                return;
            }
            let substitution = self.substitution(index);
            captures.extend(substitution.map(|at| ("substitution".into(), at)));
        }
        if kind == Kind::Levels && self.captures[index].role.sound() != Sound::Silence {
            let noise = self.having(CaptureRole::RoomNoise);
            captures.extend(noise.first().map(|noise| ("room_noise".into(), *noise)));
        }
        self.requests.push(Request { kind, captures });
    }

    /// The capture of the same presented level with the device off.
    fn substitution(&self, index: usize) -> Option<usize> {
        let level = self.captures[index].level_db_spl;
        let mut captures = self.having(CaptureRole::Substitution).into_iter();
        captures.find(|at| self.captures[*at].level_db_spl == level)
    }

    fn having(&self, role: CaptureRole) -> Vec<usize> {
        let captures = self.captures.iter().enumerate();
        let has = |(index, c): (usize, &CapturePlan)| (c.role == role).then_some(index);
        captures.filter_map(has).collect()
    }

    fn ask_speech(&mut self) {
        if self.calibration.channels()[0].is_some() {
            for index in self.having(CaptureRole::Speech) {
                self.ask(Kind::SpeechPercentiles, index);
            }
        }
    }

    /// What keeps speech and output from being held against the person.
    fn miss_assessments(&mut self) {
        let speech = self.having(CaptureRole::Speech);
        let output = self.having(CaptureRole::OutputForceLevel);
        let mut miss = |missing: bool, gap: &str| {
            if missing {
                self.gaps.push(gap.into());
            }
        };
        let subject = self.subject.as_ref();
        let heard = subject.is_some();
        let uncomfortable = subject.is_some_and(|s| s.hearing.has_uncomfortable());
        miss(
            !heard && !speech.is_empty(),
            "whether speech reaches the person: write the thresholds into `[person.thresholds]`",
        );
        miss(
            heard && speech.is_empty(),
            "whether speech reaches the person: record speech and give it `role = \"speech\"`",
        );
        miss(
            !(uncomfortable || speech.is_empty() && output.is_empty()),
            "whether it is ever too much: write uncomfortable levels into `[person.uncomfortable]`",
        );
        miss(
            uncomfortable && output.is_empty(),
            "the largest output against the uncomfortable levels: record a tone sweep at 90 dB SPL, the device off the head, and give it `role = \"output_force_level\"`",
        );
    }

    /// Every capture by itself, and one before against one after.
    fn ask_feedback(&mut self) {
        let kind = Kind::Feedback;
        self.ask_each(kind);
        self.ask_pair(
            kind,
            "feedback before and after",
            [CaptureRole::Before, CaptureRole::After],
            None,
        );
    }

    /// One capture of the first role against one of the second, beside them the only
    /// one of a third, if there is one. Whether there is a capture of either role.
    fn ask_pair(
        &mut self,
        kind: Kind,
        what: &str,
        roles: [CaptureRole; 2],
        beside: Option<CaptureRole>,
    ) -> bool {
        let [first, second] = roles.map(|role| self.having(role));
        let names = roles.map(CaptureRole::name);
        match (first.as_slice(), second.as_slice()) {
            ([first], [second]) => {
                let mut captures = parts([(names[0], *first), (names[1], *second)]);
                if let Some(role) = beside
                    && let [only] = self.having(role).as_slice()
                {
                    captures.insert(role.name().into(), *only);
                }
                self.requests.push(Request { kind, captures });
            }
            ([], []) => return false,
            _ => self.gaps.push(format!(
                "{what}: one capture with role \"{}\" and one with role \"{}\" are needed; there are {} and {}",
                names[0],
                names[1],
                first.len(),
                second.len()
            )),
        }
        true
    }

    fn ask_directional(&mut self) {
        let roles = [CaptureRole::Front, CaptureRole::Back];
        let silence = Some(CaptureRole::EquivalentInputNoise);
        let asked = self.ask_pair(Kind::Directional, "directionality", roles, silence);
        let others = [CaptureRole::Angle, CaptureRole::FrontAndBack];
        if !asked && others.iter().all(|role| self.having(*role).is_empty()) {
            self.gaps.push(
                "directionality: record one capture with role \"front\" and one with role \"back\""
                    .into(),
            );
        }
    }

    fn ask_directional_at_once(&mut self) {
        for index in self.having(CaptureRole::FrontAndBack) {
            self.ask(Kind::DirectionalAtOnce, index);
        }
    }

    /// Gain off against gain on, in steady noise.
    fn ask_noise_reduction(&mut self) {
        let roles = [
            CaptureRole::NoiseReductionOff,
            CaptureRole::NoiseReductionOn,
        ];
        let silence = Some(CaptureRole::EquivalentInputNoise);
        if !self.ask_pair(Kind::NoiseReduction, "noise reduction", roles, silence) {
            self.gaps.push(
                "noise reduction: record the same steady noise with role \"noise_reduction_off\" and, once it has settled, \"noise_reduction_on\"".into(),
            );
        }
    }

    fn ask_sensitivity(&mut self) {
        for index in self.having(CaptureRole::Sensitivity) {
            self.ask(Kind::Sensitivity, index);
        }
    }

    /// Each capture without sound, with the first that tells the gain and the first
    /// with the device off.
    fn ask_equivalent_input_noise(&mut self) {
        let quiet = self.having(CaptureRole::EquivalentInputNoise);
        let Some(sensitivity) = self.having(CaptureRole::Sensitivity).first().copied() else {
            if !quiet.is_empty() {
                self.gaps.push(
                    "equivalent input noise: record steady noise at 60 dB SPL and give it `role = \"sensitivity\"`"
                        .into(),
                );
            }
            return;
        };
        let room = self.having(CaptureRole::RoomNoise).first().copied();
        for index in quiet {
            let mut captures = parts([("capture", index), ("sensitivity", sensitivity)]);
            captures.extend(room.map(|room| ("room_noise".into(), room)));
            self.requests.push(Request {
                kind: Kind::EquivalentInputNoise,
                captures,
            });
        }
    }

    fn ask_onset(&mut self) {
        let onsets = self.having(CaptureRole::NoiseReductionOnset);
        let reduces = !self.having(CaptureRole::NoiseReductionOn).is_empty();
        if onsets.is_empty() && reduces {
            self.gaps.push(
                "how fast the noise reduction sets in: record 2 s of quiet and then 30 s of steady noise, and give it `role = \"noise_reduction_onset\"`"
                    .into(),
            );
        }
        for index in onsets {
            self.ask(Kind::NoiseReductionOnset, index);
        }
    }

    /// The technical measurements with tones, each on the captures made for it, with
    /// those beside it that tell it more.
    fn ask_tones(&mut self, kind: Kind) {
        use CaptureRole as At;
        let (role, beside): (At, &[At]) = match kind {
            Kind::FullOnSensitivity => (At::FullOnSensitivity, &[]),
            Kind::ForceLevelResponse => (
                At::ForceLevelResponse,
                &[At::OutputForceLevel, At::FullOnSensitivity],
            ),
            Kind::HarmonicDistortion => (At::HarmonicDistortion, &[At::ForceLevelResponse]),
            Kind::InputOutput => (At::InputOutput, &[]),
            Kind::AttackRelease => (At::AttackRelease, &[]),
            _ => (At::OutputForceLevel, &[]),
        };
        for index in self.having(role) {
            let mut captures = parts([("capture", index)]);
            for role in beside {
                if let [only] = self.having(*role).as_slice() {
                    captures.insert(role.name().into(), *only);
                }
            }
            self.requests.push(Request { kind, captures });
        }
    }

    /// Noise upright and inverted, noise reduction off and on.
    fn ask_phase_inversion(&mut self) {
        let roles = [
            CaptureRole::SpeechPlusNoise,
            CaptureRole::SpeechMinusNoise,
            CaptureRole::SpeechPlusNoiseOn,
            CaptureRole::SpeechMinusNoiseOn,
        ];
        let found = roles.map(|role| self.having(role));
        if found.iter().all(Vec::is_empty) {
            return;
        }
        if found.iter().any(|of_role| of_role.len() != 1) {
            let each = roles.iter().zip(&found);
            let counted: Vec<String> = each
                .map(|(role, of_role)| format!("{} \"{}\"", of_role.len(), role.name()))
                .collect();
            self.gaps.push(format!(
                "speech and noise apart: one capture of each of four roles is needed; there are {}",
                counted.join(", ")
            ));
            return;
        }
        let names = roles.map(CaptureRole::name).into_iter();
        let mut captures = parts(names.zip(found.iter().map(|f| f[0])));
        let silence = CaptureRole::EquivalentInputNoise;
        if let [only] = self.having(silence).as_slice() {
            captures.insert(silence.name().into(), *only);
        }
        let kind = Kind::PhaseInversion;
        self.requests.push(Request { kind, captures });
    }

    /// Every capture from a stated angle, together.
    fn ask_directivity(&mut self) {
        let kind = Kind::Directivity;
        let mut captures = BTreeMap::new();
        for index in self.having(CaptureRole::Angle) {
            let CapturePlan {
                name,
                direction_deg,
                ..
            } = &self.captures[index];
            let Some(angle_deg) = direction_deg else {
                self.gaps.push(format!(
                    "directivity: `{name}` has no `direction_deg` and is left out"
                ));
                continue;
            };
            let part = directivity::part(*angle_deg);
            if captures.contains_key(&part) {
                self.gaps.push(format!(
                    "directivity: `{name}` comes from the angle of an earlier capture and is left out"
                ));
                continue;
            }
            captures.insert(part, index);
        }
        if captures.is_empty() {
            return;
        }
        let silence = CaptureRole::EquivalentInputNoise;
        if let [only] = self.having(silence).as_slice() {
            captures.insert(silence.name().into(), *only);
        }
        self.requests.push(Request { kind, captures });
    }
}

/// Parts and captures of a request.
fn parts<'a>(each: impl IntoIterator<Item = (&'a str, usize)>) -> BTreeMap<String, usize> {
    let owned = |(part, index): (&str, usize)| (part.to_owned(), index);
    each.into_iter().map(owned).collect()
}
