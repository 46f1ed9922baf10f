//! What force levels are aimed at.
//!
//! Either none, or a table from the prescription that the clinic uses, or a
//! starting point of our own:
//!
//! target = sound + ½ H + c − T₀ + zero
//!
//! *Method.* 1. Insertion gain by the half-gain rule, ½ H with the threshold H in
//! dB HL, less c = 10 dB at 250 Hz and 5 dB at 500 Hz (linear in dB over the
//! logarithm of frequency, held below 250 Hz, nothing from 1 kHz). 2. The
//! amplified sound, as its level above the free-field threshold T₀ of normal
//! hearing. 3. The force of that same level above the force of 0 dB HL: equal
//! sensation by air and by direct bone conduction. 4. No higher than leaves the
//! 99th percentile of the speech below the uncomfortable level.
//!
//! *Source.* Half gain: Lybarger 1944; the low-frequency reductions: McCandless
//! and Lyregaard 1983; both from memory. T₀: ISO 226:2003, from public code. The
//! carrying to force is our own derivation.
//!
//! *Limits.* The rules were made for air conduction. A starting point, not a
//! validated prescription.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::hearing::Hearing;
use super::person::{AgeGroup, Person};
use super::sheet;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::measurement::speech_percentiles::BandSpeech;
use crate::quantity::{Band, ForceLevel, LevelDifference, Reading, SensitivityLevel};
use crate::table::speech_intelligibility::speech_bands;

/// How far a table's speech level may lie from the presented one, in dB.
const SAME_LEVEL_DB: f64 = 2.5;
/// Largest binaural correction that is plausible, in dB.
const LARGEST_CORRECTION_DB: f64 = 10.0;

/// What is said of the starting point wherever it appears.
pub const STARTING_POINT: &str = "starting point, not a validated prescription: half-gain rule (Lybarger 1944) less 10 dB at 250 Hz and 5 dB at 500 Hz (McCandless and Lyregaard 1983), both from memory and made for air conduction; carried to force by equal level above the threshold of normal hearing, free field (ISO 226:2003) against dial zero; bounded so that the 99th percentile of the speech stays below the uncomfortable level";

/// Where targets come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// Nowhere: nothing is aimed at.
    None,
    /// A table of the user.
    Table(Vec<Row>),
    /// The rule above.
    StartingPoint,
}

/// One target of a table.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    nominal_hz: f64,
    speech_level_db_spl: f64,
    age_group: AgeGroup,
    target_db: f64,
}

/// Targets of one person.
#[derive(Debug, Clone, PartialEq)]
pub struct Prescription {
    source: Source,
    correction_db: f64,
    /// What was assumed, to be printed beside the targets.
    pub assumptions: Vec<String>,
}

/// Where a session's targets come from, as the record tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Nowhere.
    None,
    /// A table of the user.
    Table,
    /// The rule above.
    StartingPoint,
}

impl Source {
    /// Reads a table `nominal_hz,speech_level_db_spl,age_group,target_db`.
    ///
    /// # Errors
    /// [`Problem::Document`] with the line; a band that does not exist.
    pub fn table(text: &str) -> Result<Self> {
        let columns = "nominal_hz,speech_level_db_spl,age_group,target_db";
        let rows: Vec<Row> = sheet::rows(text, columns)?;
        for row in &rows {
            Band::named(row.nominal_hz)?;
            if !(0.0..=160.0).contains(&row.target_db) {
                let expected = "a force level of 0 to 160 dB re 1 µN";
                return Err(Diagnostic::value("target_db", row.target_db, expected));
            }
        }
        Ok(Self::Table(rows))
    }
}

impl Prescription {
    /// The targets of `person` out of `source`.
    ///
    /// # Errors
    /// A table for the other age group or without the person's being stated; a
    /// binaural correction for a child, or one that makes no sense.
    pub fn of(person: &Person, source: Source) -> Result<Self> {
        let correction_db = person.binaural_correction_db.unwrap_or(0.0);
        let key = "person.binaural_correction_db";
        if !(0.0..=LARGEST_CORRECTION_DB).contains(&correction_db) {
            return Err(Diagnostic::value(key, correction_db, "0 to 10 dB"));
        }
        if correction_db > 0.0 && person.age_group != Some(AgeGroup::Adult) {
            let expected = "no correction unless `person.age_group` is adult: a child’s targets are not lowered for a second device, for a child needs the whole level to learn speech (common practice, from memory)";
            return Err(Diagnostic::value(key, correction_db, expected));
        }
        if let Source::Table(rows) = &source {
            let Some(group) = person.age_group else {
                let key = "person.age_group".into();
                return Err(Problem::MissingKey { key }.into());
            };
            if !rows.iter().any(|row| row.age_group == group) {
                let cause = format!(
                    "no target for the age group of this person ({}): targets of the other group must not stand in for them",
                    group.name()
                );
                return Err(Problem::Document { cause }.into());
            }
        }
        let mut assumptions = Vec::new();
        let source = match (source, person.age_group) {
            (Source::Table(mut rows), Some(group)) => {
                rows.retain(|row| row.age_group == group);
                assumptions.push("targets from the table of the session".into());
                Source::Table(rows)
            }
            (Source::StartingPoint, _) => {
                assumptions.push(STARTING_POINT.into());
                Source::StartingPoint
            }
            (source, _) => source,
        };
        if correction_db > 0.0 {
            assumptions.push(format!(
                "targets are {correction_db} dB lower because both sides are aided (binaural correction, stated in the session)"
            ));
        }
        Ok(Self {
            source,
            correction_db,
            assumptions,
        })
    }

    /// Where the targets come from.
    pub fn kind(&self) -> Kind {
        match self.source {
            Source::None => Kind::None,
            Source::Table(_) => Kind::Table,
            Source::StartingPoint => Kind::StartingPoint,
        }
    }

    /// The long-term force level aimed at in the band of `speech`, presented at
    /// `level_db_spl`.
    pub fn target(
        &self,
        speech: &BandSpeech,
        level_db_spl: Option<f64>,
        hearing: &Hearing,
    ) -> Reading<ForceLevel> {
        let target = match &self.source {
            Source::None => Reading::not_measured("no targets are given"),
            Source::Table(rows) => from_table(rows, speech.band, level_db_spl),
            Source::StartingPoint => starting_point(speech, hearing),
        };
        match target {
            Reading::Measured(level, u) => {
                let corrected = level + LevelDifference::from_db(-self.correction_db);
                Reading::measured(corrected, u)
            }
            other => other,
        }
    }
}

fn from_table(rows: &[Row], band: Band, level_db_spl: Option<f64>) -> Reading<ForceLevel> {
    let Some(presented) = level_db_spl else {
        return Reading::not_measured("the presented level is neither stated nor measured");
    };
    let distance = |row: &&Row| (row.speech_level_db_spl - presented).abs();
    let of_band = rows
        .iter()
        .filter(|row| row.nominal_hz == band.nominal_hz());
    match of_band.min_by(|a, b| distance(a).total_cmp(&distance(b))) {
        None => Reading::not_measured("the table has no target for this band"),
        Some(row) if distance(&row) > SAME_LEVEL_DB => Reading::not_measured(format!(
            "the table has no target for speech at {presented:.0} dB SPL"
        )),
        // A target is what it is: it has no uncertainty.
        Some(row) => Reading::measured(ForceLevel::from_db(row.target_db), Default::default()),
    }
}

fn starting_point(speech: &BandSpeech, hearing: &Hearing) -> Reading<ForceLevel> {
    let hz = speech.band.nominal_hz();
    let zero = hearing
        .zero()
        .and_then(|zero| Some((zero.at(hz)?, zero.uncertainty())));
    let bands = speech_bands();
    let normal = bands.iter().find(|band| band.nominal_hz == hz);
    let (Some((zero, of_zero)), Some(normal)) = (zero, normal) else {
        return Reading::not_measured("the zero of the dial is not known here");
    };
    let sound = match &speech.sound.leq {
        Reading::Measured(level, u) => (*level, u),
        Reading::NotMeasured(why) => return Reading::not_measured(why.clone()),
        _ => return Reading::not_measured("the sound is only a bound"),
    };
    let threshold = match hearing.threshold(speech.band) {
        Reading::Measured(level, _) => level,
        Reading::NotMeasured(why) => return Reading::NotMeasured(why),
        Reading::AtLeast(_, why) | Reading::AtMost(_, why) => return Reading::NotMeasured(why),
    };
    let gain_db = 0.5 * (threshold - zero).db() - low_frequency_db(hz);
    let sensitivity = SensitivityLevel::from_db(gain_db - normal.threshold_db + zero.db());
    let aimed = sound.0.through(sensitivity);
    let bounded = match (hearing.uncomfortable(speech.band), peak_db(speech)) {
        (Reading::Measured(lid, _), Some(peak_db)) => aimed.db().min(lid.db() - peak_db),
        _ => aimed.db(),
    };
    Reading::measured(ForceLevel::from_db(bounded), sound.1.plus(of_zero))
}

/// 99th percentile of the sound above its long-term average, in dB.
fn peak_db(speech: &BandSpeech) -> Option<f64> {
    let sound = &speech.sound;
    Some((sound.percentile_99.figure()? - sound.leq.figure()?).db())
}

/// Reduction of the insertion gain: 10 dB at 250 Hz, 5 dB at 500 Hz, none from
/// 1 kHz: 5 dB per octave.
fn low_frequency_db(hz: f64) -> f64 {
    (5.0 * (1000.0 / hz).log2()).clamp(0.0, 10.0)
}

#[cfg(test)]
mod tests {
    use super::super::hearing::DialZero;
    use super::*;
    use crate::measurement::speech_percentiles::Speech;
    use crate::quantity::{PressureLevel, Quantity, Uncertainty};

    const TABLE: &str = "nominal_hz,speech_level_db_spl,age_group,target_db\n\
        1000,55,adult,80\n1000,65,adult,88\n1000,65,child,95\n";

    fn person(text: &str) -> Person {
        toml::from_str(&format!("code = 'P-1'\n{text}")).unwrap()
    }

    fn hearing(text: &str) -> Hearing {
        let zero = DialZero::published("type_1").ok();
        Hearing::of(&person(text), zero).unwrap().unwrap()
    }

    fn levels<Q: Quantity>(leq: Reading<Q>, percentile_99: Reading<Q>) -> Speech<Q> {
        Speech {
            percentile_30: leq.clone(),
            percentile_65: leq.clone(),
            leq,
            percentile_99,
        }
    }

    /// Speech of 49 dB SPL in the band at `hz`, its peaks 10 dB higher.
    fn speech(hz: f64) -> BandSpeech {
        let sound = |db| Reading::measured(PressureLevel::from_db(db), Uncertainty::EXACT);
        let none = || Reading::not_measured("not part of this check");
        BandSpeech {
            band: Band::named(hz).unwrap(),
            force: levels(none(), none()),
            sound: levels(sound(49.0), sound(59.0)),
            gain: levels(Reading::not_measured("none"), Reading::not_measured("none")),
        }
    }

    #[test]
    fn a_table_answers_for_its_levels_and_age_group_only() {
        let adult = person("age_group = 'adult'\nbinaural_correction_db = 3");
        let table = Source::table(TABLE).unwrap();
        let prescription = Prescription::of(&adult, table).unwrap();
        let heard = hearing("[thresholds]\n1000 = 20");
        let target = |level| prescription.target(&speech(1000.0), Some(level), &heard);
        assert_eq!(target(65.0).figure().unwrap().db(), 85.0);
        assert!(matches!(target(75.0), Reading::NotMeasured(why) if why.contains("75 dB SPL")));
        assert!(
            prescription
                .assumptions
                .iter()
                .any(|a| a.contains("3 dB lower"))
        );

        let adults = TABLE.lines().take(3).collect::<Vec<_>>().join("\n");
        let child = person("age_group = 'child'");
        let refused = Prescription::of(&child, Source::table(&adults).unwrap());
        let refused = refused.unwrap_err().to_string();
        assert!(refused.contains("(child)"), "{refused}");
        let unsaid = Prescription::of(&person(""), Source::table(TABLE).unwrap());
        assert!(unsaid.unwrap_err().to_string().contains("person.age_group"));
    }

    #[test]
    fn a_childs_targets_are_not_lowered() {
        let child = person("age_group = 'child'\nbinaural_correction_db = 3");
        let refused = Prescription::of(&child, Source::StartingPoint).unwrap_err();
        assert!(refused.to_string().contains("learn speech"), "{refused}");
    }

    #[test]
    fn the_starting_point_follows_its_formula_up_to_the_uncomfortable_level() {
        let start = Prescription::of(&person(""), Source::StartingPoint).unwrap();
        let heard = hearing("[thresholds]\n500 = 40\n1000 = 40");
        let db = |hz, heard: &Hearing| {
            let target = start.target(&speech(hz), None, heard);
            target.figure().unwrap().db()
        };
        // 49 dB + 20 dB − 2.4 dB + 39.6 dB; 49 + 20 − 5 − 4.4 + 52.7 at 500 Hz.
        assert!((db(1000.0, &heard) - 106.2).abs() < 1e-9);
        assert!((db(500.0, &heard) - 112.3).abs() < 1e-9);
        // 70 dB on the dial are 109.6 dB, and the peaks take 10 dB of it.
        let bounded = hearing("[thresholds]\n500 = 40\n1000 = 40\n[uncomfortable]\n1000 = 70");
        assert!((db(1000.0, &bounded) - 99.6).abs() < 1e-9);
    }
}
