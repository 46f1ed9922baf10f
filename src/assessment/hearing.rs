//! Which forces at the abutment a person hears, and which are uncomfortable.
//!
//! *Method.* 1. Force level = dial level + force level at 0 dB on the dial.
//! 2. Between audiometric frequencies at most an octave apart, linear in dB over
//! the logarithm of frequency; beyond the outermost, held for two thirds of an
//! octave. 3. An answer beyond the device's limit stays a bound, a missing one a
//! gap.
//!
//! *Source.* The conversion and the interpolation as in published analysis code
//! of two clinical studies (data doi 10.5281/zenodo.5573872), read; the limits of
//! an octave and of two thirds of one are our own. Average uncomfortable level:
//! 100 dB HL, Sherlock and Formby 2005 (n = 59, normal hearing, by air), abstract
//! read.
//!
//! *Limits.* Reference levels of an audiometric vibrator hold for a vibrator on
//! skin. They are refused: at an abutment the skin's loss is missing.

use super::person::{Answer, HearingIn, Person, Uncomfortable, answers};
use super::sheet;
use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{Band, ForceLevel, Origin, Reading, Uncertainty};
use crate::table::bone_vibrator::mastoid;
use crate::table::dial_zero::{self, DeviceType, dial_zero};

/// Uncertainty (k = 2) of an answer: twice the step of 5 dB of an audiometer,
/// taken as the standard deviation of a retest; common practice, no source.
const PERSON_DB: f64 = 10.0;
/// Average uncomfortable level of normal hearing in dB HL.
const AVERAGE_DB_HL: f64 = 100.0;
/// How far a level is carried beyond the outermost frequency, in octaves.
const HELD_OCTAVES: f64 = 2.0 / 3.0;
/// Values of the audiometric vibrator that betray its table.
const BETRAYING: usize = 3;

/// The force level at 0 dB on the dial, over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct DialZero {
    contour: Contour,
    source: String,
}

impl DialZero {
    /// A published type of device: `type_1` or `type_2`.
    ///
    /// # Errors
    /// Another name; with the reason, where it names the audiometric vibrator.
    pub fn published(name: &str) -> Result<Self> {
        let device = match name {
            "type_1" => DeviceType::One,
            "type_2" => DeviceType::Two,
            _ => {
                let expected = match name {
                    "mastoid" | "forehead" | "bone_vibrator" | "retfl" | "iso_389_3" => {
                        ON_SKIN.to_owned()
                    }
                    _ => "type_1, type_2 or a table (a file ending in .csv)".to_owned(),
                };
                return Err(Diagnostic::value("person.dial_zero", name, &expected));
            }
        };
        Ok(Self {
            contour: zeros(&dial_zero(device), dial_zero::SPREAD_DB),
            source: format!(
                "{} of percutaneous devices: {}; two types differ by up to {} dB, which enters the uncertainty",
                name.replace('_', " "),
                dial_zero::SOURCE,
                dial_zero::SPREAD_DB
            ),
        })
    }

    /// A table of the device at hand, `frequency_hz,zero_db`; `name` is the
    /// file's.
    ///
    /// # Errors
    /// [`Problem::Document`] for a line that is not understood, fewer than two
    /// lines, or the values of the audiometric vibrator.
    pub fn table(name: &str, text: &str, expanded_uncertainty_db: Option<f64>) -> Result<Self> {
        let points: Vec<(f64, f64)> = sheet::rows(text, "frequency_hz,zero_db")?;
        let rising = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
        let sound = |(hz, db): &(f64, f64)| *hz > 0.0 && db.abs() < 200.0;
        if points.len() < 2 || !rising || !points.iter().all(sound) {
            let cause = "two or more rising frequencies with levels are needed".into();
            return Err(Problem::Document { cause }.into());
        }
        let betrays = mastoid().iter().filter(|p| points.contains(p)).count();
        if betrays >= BETRAYING {
            let cause = format!("these are the values of an audiometric vibrator: {ON_SKIN}");
            return Err(Problem::Document { cause }.into());
        }
        Ok(Self {
            contour: zeros(&points, expanded_uncertainty_db),
            source: match expanded_uncertainty_db {
                Some(u) => format!("table {name}, ± {u} dB (k = 2)"),
                None => format!("table {name}, its uncertainty not stated and not counted"),
            },
        })
    }

    /// Force level of 0 dB HL at `hz`, if the table reaches there.
    pub fn at(&self, hz: f64) -> Option<ForceLevel> {
        self.contour.at(hz).figure()
    }

    /// The uncertainty that it brings.
    pub fn uncertainty(&self) -> &Uncertainty {
        &self.contour.uncertainty
    }
}

fn zeros(points: &[(f64, f64)], expanded_db: impl Into<Option<f64>>) -> Contour {
    let points = points.iter().map(|(hz, db)| (*hz, Answer::At(*db)));
    Contour {
        points: points.collect(),
        uncertainty: Uncertainty::of(Origin::DialZero, expanded_db),
        what: "zero",
    }
}

const ON_SKIN: &str = "the zero of this device's own dial: reference levels of an audiometric vibrator hold for a vibrator pressed on skin, and an abutment has no skin to lose force in";

/// Levels over frequency, some of them bounds or missing.
#[derive(Debug, Clone, PartialEq)]
struct Contour {
    points: Vec<(f64, Answer)>,
    uncertainty: Uncertainty,
    what: &'static str,
}

/// The forces that a person hears, and those that are uncomfortable.
#[derive(Debug, Clone, PartialEq)]
pub struct Hearing {
    thresholds: Contour,
    uncomfortable: Option<Contour>,
    zero: Option<DialZero>,
    /// Whether the uncomfortable levels are those of others.
    pub average: bool,
    /// How the force levels came about, to be printed beside them.
    pub assumptions: Vec<String>,
}

impl Hearing {
    /// Carries what `person` answered to force levels; `None` without
    /// thresholds.
    ///
    /// # Errors
    /// Frequencies and levels that make no sense, a dial without its zero, an
    /// uncomfortable level at or below a threshold.
    pub fn of(person: &Person, zero: Option<DialZero>) -> Result<Option<Self>> {
        if person.thresholds.is_empty() {
            return match &person.uncomfortable {
                None => Ok(None),
                Some(_) => missing("person.thresholds"),
            };
        }
        let stated = person.expanded_uncertainty_db.unwrap_or(PERSON_DB);
        if !(0.0..=40.0).contains(&stated) {
            let key = "person.expanded_uncertainty_db";
            return Err(Diagnostic::value(key, stated, "0 to 40 dB"));
        }
        let own = Uncertainty::of(Origin::Person, stated);
        let dial = person.hearing_in == HearingIn::Dial;
        let needs_zero = dial || person.uncomfortable == Some(Uncomfortable::Average);
        if needs_zero && zero.is_none() {
            return missing("person.dial_zero");
        }
        let on_dial = zero.as_ref().filter(|_| dial);
        let contour = |key, what, by_hz| {
            let points = answers(key, by_hz)?;
            Ok::<_, Diagnostic>(Contour::new(points, on_dial, &own, what))
        };
        let thresholds = contour("thresholds", "threshold", &person.thresholds)?;
        let (uncomfortable, average) = match (&person.uncomfortable, &zero) {
            (None, _) => (None, false),
            (Some(Uncomfortable::Measured(by_hz)), _) => {
                let measured = contour("uncomfortable", "uncomfortable level", by_hz)?;
                (Some(measured), false)
            }
            (Some(Uncomfortable::Average), zero) => {
                let points = zero.iter().flat_map(|zero| &zero.contour.points);
                let points = points.map(|(hz, _)| (*hz, Answer::At(AVERAGE_DB_HL)));
                let what = "uncomfortable level";
                let average = Contour::new(points.collect(), zero.as_ref(), &own, what);
                (Some(average), true)
            }
        };
        if let Some(uncomfortable) = &uncomfortable {
            uncomfortable.above(&thresholds)?;
        }
        let mut assumptions = vec![match &zero {
            Some(zero) if dial => format!(
                "force level = dial level + zero of the dial ({})",
                zero.source
            ),
            _ => "thresholds are given as force levels".to_owned(),
        }];
        assumptions.push(format!(
            "what the person answered carries ± {stated} dB (k = 2): a retest moves by one step of 5 dB (common practice, no source)"
        ));
        assumptions.push("between audiometric frequencies at most an octave apart: linear in dB over the logarithm of frequency; beyond the outermost: held for two thirds of an octave".into());
        if average {
            assumptions.push(format!(
                "uncomfortable level: not this person’s, but {AVERAGE_DB_HL} dB HL, the average of normal hearing by air (Sherlock and Formby 2005, abstract read)"
            ));
        }
        Ok(Some(Self {
            thresholds,
            uncomfortable,
            zero,
            average,
            assumptions,
        }))
    }

    /// Threshold in `band`.
    pub fn threshold(&self, band: Band) -> Reading<ForceLevel> {
        self.thresholds.at(band.nominal_hz())
    }

    /// Whether nothing at all was heard at the frequency that decides in `band`.
    pub fn no_response(&self, band: Band) -> bool {
        matches!(
            self.thresholds.known(band.nominal_hz()),
            Known::NoResponse(_)
        )
    }

    /// Whether uncomfortable levels are given.
    pub fn has_uncomfortable(&self) -> bool {
        self.uncomfortable.is_some()
    }

    /// Uncomfortable level in `band`.
    pub fn uncomfortable(&self, band: Band) -> Reading<ForceLevel> {
        match &self.uncomfortable {
            Some(contour) => contour.at(band.nominal_hz()),
            None => Reading::not_measured("no uncomfortable level is given"),
        }
    }

    /// The zero of the dial.
    pub fn zero(&self) -> Option<&DialZero> {
        self.zero.as_ref()
    }
}

fn missing<T>(key: &str) -> Result<T> {
    let key = key.into();
    Err(Problem::MissingKey { key }.into())
}

/// What a contour knows at a frequency.
enum Known {
    /// A level.
    Level(f64),
    /// A level above this one, because of the answer at a frequency.
    Above(f64, f64),
    /// No level, because there was no response at a frequency.
    NoResponse(f64),
    /// Nothing was asked near enough.
    Gap,
}

impl Contour {
    /// Answers as force levels; those whose frequency the zero of the dial does
    /// not reach cannot be carried over and are left out.
    fn new(
        mut points: Vec<(f64, Answer)>,
        zero: Option<&DialZero>,
        own: &Uncertainty,
        what: &'static str,
    ) -> Self {
        let mut uncertainty = own.clone();
        if let Some(zero) = zero {
            uncertainty = uncertainty.plus(zero.uncertainty());
            points.retain_mut(|(hz, answer)| match (zero.at(*hz), answer) {
                (Some(zero), Answer::At(db) | Answer::Above(db)) => {
                    *db += zero.db();
                    true
                }
                (Some(_), Answer::NoResponse) => true,
                (None, _) => false,
            });
        }
        Self {
            points,
            uncertainty,
            what,
        }
    }

    fn known(&self, hz: f64) -> Known {
        let below = self.points.iter().rev().find(|(at, _)| *at <= hz);
        let above = self.points.iter().find(|(at, _)| *at >= hz);
        let octaves = |low: f64, high: f64| (high / low).log2();
        match (below, above) {
            (Some(low), Some(high)) if low.0 == high.0 => Known::of(*low),
            (Some(low), Some(high)) if octaves(low.0, high.0) <= 1.0 + 1e-9 => {
                let share = octaves(low.0, hz) / octaves(low.0, high.0);
                between(*low, *high, share, hz)
            }
            (Some(end), None) if octaves(end.0, hz) <= HELD_OCTAVES => Known::of(*end),
            (None, Some(end)) if octaves(hz, end.0) <= HELD_OCTAVES => Known::of(*end),
            _ => Known::Gap,
        }
    }

    fn at(&self, hz: f64) -> Reading<ForceLevel> {
        let what = self.what;
        match self.known(hz) {
            Known::Level(db) => {
                Reading::measured(ForceLevel::from_db(db), self.uncertainty.clone())
            }
            Known::Above(db, at) => Reading::AtLeast(
                ForceLevel::from_db(db),
                format!("the {what} at {at} Hz lies beyond the device’s limit"),
            ),
            Known::NoResponse(at) => Reading::not_measured(format!("no response at {at} Hz")),
            Known::Gap => Reading::not_measured(format!(
                "no {what} is given near enough: an octave at most between two, two thirds of one beyond the last"
            )),
        }
    }

    /// Refuses to lie at or below `thresholds` where both are levels.
    fn above(&self, thresholds: &Self) -> Result<()> {
        for (hz, answer) in &self.points {
            if let (Answer::At(db), Known::Level(threshold)) = (answer, thresholds.known(*hz))
                && *db <= threshold
            {
                return Err(Diagnostic::value(
                    &format!("person.uncomfortable.{hz}"),
                    format!("{:.0} dB at or below the threshold", threshold - db),
                    "a level above the threshold: one of the two is wrong",
                ));
            }
        }
        Ok(())
    }
}

impl Known {
    fn of((hz, answer): (f64, Answer)) -> Self {
        match answer {
            Answer::At(db) => Self::Level(db),
            Answer::Above(db) => Self::Above(db, hz),
            Answer::NoResponse => Self::NoResponse(hz),
        }
    }
}

/// Between two answers. Where one of them is no level, the other stands for the
/// third-octave band in which it lies.
fn between(low: (f64, Answer), high: (f64, Answer), share: f64, hz: f64) -> Known {
    use Answer::{Above, At, NoResponse};
    let mean = |a: f64, b: f64| a + share * (b - a);
    match (low.1, high.1) {
        (At(a), At(b)) => Known::Level(mean(a, b)),
        (At(a), Above(b)) => Known::Above(mean(a, b), high.0),
        (Above(a), At(b) | Above(b)) => Known::Above(mean(a, b), low.0),
        (NoResponse, _) | (_, NoResponse) => {
            let (silent, other) = if low.1 == NoResponse {
                (low, high)
            } else {
                (high, low)
            };
            let inside = (other.0 / hz).log10().abs() <= 0.05;
            if inside && other.1 != NoResponse {
                Known::of(other)
            } else {
                Known::NoResponse(silent.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn person(text: &str) -> Person {
        toml::from_str(&format!("code = 'P-1'\n{text}")).unwrap()
    }

    fn hearing(text: &str) -> Result<Option<Hearing>> {
        let zero = DialZero::published("type_1").unwrap();
        Hearing::of(&person(text), Some(zero))
    }

    fn at(hearing: &Hearing, hz: f64) -> Reading<ForceLevel> {
        hearing.threshold(Band::named(hz).unwrap())
    }

    #[test]
    fn a_dial_level_becomes_a_force_level_also_between_frequencies() {
        let heard = hearing("[thresholds]\n250 = 20\n500 = 20\n1000 = 30\n");
        let heard = heard.unwrap().unwrap();
        let db = |hz| at(&heard, hz).figure().unwrap().db();
        assert!((db(250.0) - 77.7).abs() < 1e-9);
        // 57.7 − 5 lg(315 / 250) / lg 2 dB of zero.
        assert!((db(315.0) - 76.033).abs() < 1e-3);
        assert!((db(1000.0) - 69.6).abs() < 1e-9);
        // Held for two thirds of an octave, no farther.
        assert!((db(160.0) - 77.7).abs() < 1e-9);
        assert!(matches!(at(&heard, 125.0), Reading::NotMeasured(_)));
        let Reading::Measured(_, budget) = at(&heard, 500.0) else {
            panic!("no threshold")
        };
        // Ten decibels of the person and 3.3 dB of the zero.
        assert!((budget.expanded().unwrap() - 10f64.hypot(3.3)).abs() < 1e-9);
    }

    #[test]
    fn missing_and_unreachable_thresholds_are_told_apart() {
        let text = "[thresholds]\n500 = 20\n2000 = 30\n3000 = 'no_response'\n6000 = { above = 60 }";
        let heard = hearing(text).unwrap().unwrap();
        let why = |hz| match at(&heard, hz) {
            Reading::NotMeasured(why) => why,
            other => panic!("{other:?}"),
        };
        assert!(why(1000.0).contains("near enough"), "{}", why(1000.0));
        assert_eq!(why(2500.0), "no response at 3000 Hz");
        assert!(heard.no_response(Band::named(2500.0).unwrap()));
        assert!(!heard.no_response(Band::named(1000.0).unwrap()));
        match at(&heard, 6300.0) {
            Reading::AtLeast(level, why) => {
                assert!((level.db() - 92.6).abs() < 1e-9);
                assert!(why.contains("beyond the device’s limit"), "{why}");
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_vibrator_on_skin_is_no_zero_of_an_abutment() {
        for name in ["mastoid", "retfl", "forehead"] {
            let refused = DialZero::published(name).unwrap_err().to_string();
            assert!(refused.contains("pressed on skin"), "{refused}");
        }
        // Its values under another name.
        let table = "frequency_hz,zero_db\n250,67\n500,58\n1000,42.5\n2000,31\n";
        let refused = DialZero::table("z.csv", table, None)
            .unwrap_err()
            .to_string();
        assert!(refused.contains("audiometric vibrator"), "{refused}");
        let own = "# own\nfrequency_hz,zero_db\n500,53\n1000,40\n2000,30\n";
        let own = DialZero::table("z.csv", own, Some(1.0)).unwrap();
        assert!((own.at(1000.0).unwrap().db() - 40.0).abs() < 1e-9);
    }

    #[test]
    fn an_uncomfortable_level_below_the_threshold_is_refused() {
        let text = "[thresholds]\n500 = 60\n1000 = 60\n[uncomfortable]\n500 = 50\n";
        let refused = hearing(text).unwrap_err().to_string();
        assert!(
            refused.contains("person.uncomfortable.500") && refused.contains("10 dB at or below"),
            "{refused}"
        );
    }

    #[test]
    fn what_is_given_must_be_enough() {
        let key = |text: &str, zero| {
            let found = Hearing::of(&person(text), zero).unwrap_err();
            found.to_string()
        };
        let dial = "[thresholds]\n500 = 20\n";
        assert!(key(dial, None).contains("person.dial_zero"));
        let lids = "[uncomfortable]\n500 = 80\n";
        assert!(key(lids, None).contains("person.thresholds"));
        assert!(
            key(
                "[thresholds]\n510 = 20\n",
                DialZero::published("type_1").ok()
            )
            .contains("510")
        );
        assert!(Hearing::of(&person(""), None).unwrap().is_none());
        // Force levels need no zero.
        let force = "hearing_in = 'force_level'\n[thresholds]\n500 = 70\n";
        let heard = Hearing::of(&person(force), None).unwrap().unwrap();
        assert_eq!(at(&heard, 500.0).figure().unwrap().db(), 70.0);
    }

    #[test]
    fn an_average_uncomfortable_level_is_said_to_be_one() {
        let text = "uncomfortable = 'average'\n[thresholds]\n500 = 20\n1000 = 20\n";
        let heard = hearing(text).unwrap().unwrap();
        assert!(heard.average);
        let lid = heard.uncomfortable(Band::named(1000.0).unwrap());
        assert!((lid.figure().unwrap().db() - 139.6).abs() < 1e-9);
        assert!(
            heard
                .assumptions
                .iter()
                .any(|a| a.contains("not this person’s"))
        );
    }
}
