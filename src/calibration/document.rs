//! The calibration file: what one unit of a WAV sample stands for.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::ser::SerializeMap;
use serde::{Deserialize, Serialize, Serializer};

use super::channel::{Channel, Force, Microphone, positive};
use crate::diagnostic::{Diagnostic, Problem, Result, toml_problem};
use crate::quantity::Role;

/// How samples become newtons and pascals. Built only from a calibration file.
#[derive(Debug, Clone)]
pub struct Calibration {
    full_scale_v: f64,
    full_scale_assumed: bool,
    channels: [Option<Channel>; 2],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Document {
    schema: u32,
    recorder: Recorder,
    force: Option<Force>,
    microphone: Option<Microphone>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Recorder {
    full_scale_v: f64,
    #[serde(default)]
    full_scale_assumed: bool,
}

impl Serialize for Calibration {
    /// With the keys of the calibration file.
    fn serialize<S: Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Keyed<'a> {
            #[serde(skip_serializing_if = "Option::is_none")]
            sensitivity_v_per_n: Option<f64>,
            #[serde(skip_serializing_if = "Option::is_none")]
            sensitivity_v_per_pa: Option<f64>,
            #[serde(flatten)]
            channel: &'a Channel,
        }
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("full_scale_v", &self.full_scale_v)?;
        if self.full_scale_assumed {
            map.serialize_entry("full_scale_assumed", &true)?;
        }
        for role in Role::ALL {
            if let Some(channel) = &self.channels[role as usize] {
                let of = |wanted| (role == wanted).then_some(channel.sensitivity);
                let keyed = Keyed {
                    sensitivity_v_per_n: of(Role::Force),
                    sensitivity_v_per_pa: of(Role::Microphone),
                    channel,
                };
                map.serialize_entry(role.name(), &keyed)?;
            }
        }
        map.end()
    }
}

impl JsonSchema for Calibration {
    fn schema_name() -> Cow<'static, str> {
        "Calibration".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let mut of = |sensitivity: &str| {
            json_schema!({
                "allOf": [generator.subschema_for::<Channel>()],
                "properties": {sensitivity: {"type": "number", "exclusiveMinimum": 0}},
                "required": [sensitivity],
            })
        };
        json_schema!({
            "description": "The calibration applied, with the keys of the calibration file",
            "type": "object",
            "properties": {
                "full_scale_v": {"type": "number", "exclusiveMinimum": 0},
                "full_scale_assumed": {"const": true},
                "force": of("sensitivity_v_per_n"),
                "microphone": of("sensitivity_v_per_pa"),
            },
            "required": ["full_scale_v"],
            "anyOf": [{"required": ["force"]}, {"required": ["microphone"]}],
            "additionalProperties": false,
        })
    }
}

impl Calibration {
    /// Reads a calibration file. `read` gives the text of a file named in it
    /// (`response`), by the name that stands there.
    ///
    /// # Errors
    /// Syntax, unknown or missing keys and senseless values, each with line or
    /// key; [`Problem::NoChannel`].
    ///
    /// ```
    /// use micronewton::calibration::Calibration;
    /// let text = "schema = 1\n[recorder]\nfull_scale_v = 1.0\n\
    ///             [force]\nchannel = 1\nsensitivity_v_per_n = 0.132\n";
    /// let calibration = Calibration::parse(text, &mut |_| unreachable!()).unwrap();
    /// assert_eq!(calibration.full_scale_v(), 1.0);
    /// ```
    pub fn parse(text: &str, read: &mut dyn FnMut(&str) -> Result<String>) -> Result<Self> {
        let document: Document = toml::from_str(text).map_err(|e| toml_problem(&e, text))?;
        if document.schema != 1 {
            return Err(Diagnostic::value("schema", document.schema, "1"));
        }
        let full_scale_v = document.recorder.full_scale_v;
        positive("recorder.full_scale_v", full_scale_v, "a positive voltage")?;
        let force = document.force.map(|table| table.channel(read));
        let microphone = document.microphone.map(|table| table.channel(read));
        let channels = [force.transpose()?, microphone.transpose()?];
        if channels.iter().all(Option::is_none) {
            return Err(Problem::NoChannel.into());
        }
        Ok(Self {
            full_scale_v,
            full_scale_assumed: document.recorder.full_scale_assumed,
            channels,
        })
    }

    /// Volts at digital full scale (sample value 1.0).
    pub fn full_scale_v(&self) -> f64 {
        self.full_scale_v
    }

    /// Whether the full scale is not known: only tones then tell a sensitivity.
    pub fn full_scale_assumed(&self) -> bool {
        self.full_scale_assumed
    }

    /// Takes out what names a certificate; of dates, the year alone is told.
    pub fn withhold_papers(&mut self) {
        for channel in self.channels.iter_mut().flatten() {
            channel.certificate = None;
            channel.date = channel.date.map(|date| date.told_by_year());
        }
    }

    /// Force and microphone channel, as far as described.
    pub fn channels(&self) -> &[Option<Channel>; 2] {
        &self.channels
    }

    /// Level of a full-scale sine (r.m.s.) on the channel of `role`: dB re 1 µN
    /// or dB re 20 µPa. A figure to compare with the bench's own papers.
    pub fn full_scale_sine_db(&self, role: Role) -> Option<f64> {
        let channel = self.channels[role as usize].as_ref()?;
        let rms = self.full_scale_v / channel.sensitivity / f64::sqrt(2.0);
        let reference = match role {
            Role::Force => 1e-6,
            Role::Microphone => 20e-6,
        };
        Some(20.0 * (rms / reference).log10())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Band, Origin};

    const TEXT: &str = "schema = 1\n[recorder]\nfull_scale_v = 1.0\n\
        [force]\nchannel = 1\nsensitivity_v_per_n = 0.132\n";

    fn parse(text: &str) -> Result<Calibration> {
        Calibration::parse(text, &mut |_| {
            Ok("frequency_hz,magnitude_db\n200,0\n5000,1\n".into())
        })
    }

    #[test]
    fn a_misspelt_key_names_the_nearest_known_one() {
        let error = parse(&TEXT.replace("channel", "chanel")).unwrap_err();
        assert_eq!(error.problem().code(), "document.unknown_key");
        assert!(error.to_string().contains("`channel`"), "{error}");
        assert_eq!(error.place().line, Some(5));
    }

    #[test]
    fn a_missing_sensitivity_is_named() {
        let error = parse(&TEXT.replace("sensitivity_v_per_n = 0.132\n", "")).unwrap_err();
        assert_eq!(error.problem().code(), "document.missing_key");
        assert!(error.to_string().contains("sensitivity_v_per_n"), "{error}");
    }

    #[test]
    fn bands_beyond_the_response_are_named_as_gaps() {
        let calibration = parse(&format!("{TEXT}response = \"r.csv\"\n")).unwrap();
        let channel = calibration.channels()[0].as_ref().unwrap();
        assert!(channel.gap(Band::named(100.0).unwrap()).is_some());
        assert!(channel.gap(Band::named(1000.0).unwrap()).is_none());
    }

    #[test]
    fn one_volt_on_132_mv_per_newton_is_134_58_db_re_1_micronewton() {
        // 20 lg(1 / 0.132 / √2 / 1e-6) = 134.578 dB.
        let level = parse(TEXT)
            .unwrap()
            .full_scale_sine_db(Role::Force)
            .unwrap();
        assert!((level - 134.578).abs() < 1e-3, "{level}");
    }

    const DATED: &str = "date = 2025-01-31\ninterval_months = 12\n";

    fn age(more: &str, day: Option<&str>) -> Option<&'static str> {
        let calibration = parse(&format!("{TEXT}{more}")).unwrap();
        let day = day.map(|day| day.parse().unwrap());
        let finding = calibration.channels()[0]
            .as_ref()
            .and_then(|c| c.age_finding(day));
        finding.map(|finding| finding.problem().code())
    }

    #[test]
    fn a_certificate_is_overdue_the_day_after_its_interval() {
        assert_eq!(age(DATED, Some("2026-01-31")), None);
        assert_eq!(age(DATED, Some("2026-02-01")), Some("calibration.overdue"));
        assert_eq!(age(DATED, Some("2025-01-30")), Some("calibration.later"));
    }

    #[test]
    fn an_age_that_cannot_be_judged_is_said() {
        let unknown = Some("calibration.age_unknown");
        assert_eq!(age(DATED, None), unknown);
        assert_eq!(age("", Some("2026-01-31")), unknown);
        assert_eq!(age("date = 2025-01-31\n", Some("2026-01-31")), unknown);
    }

    #[test]
    fn a_date_that_is_none_is_refused_with_its_line() {
        for date in ["\"31.1.2025\"", "2025-02-30"] {
            let error = parse(&format!("{TEXT}date = {date}\n")).unwrap_err();
            assert_eq!(error.place().line, Some(7), "{error}");
        }
    }

    #[test]
    fn what_the_file_states_is_the_budget_of_the_channel() {
        let text = format!(
            "{TEXT}response = \"r.csv\"\nexpanded_uncertainty_db = 0.4\nremounting_expanded_db = 0.3\n"
        );
        let budget = |response: &str, hz: f64| {
            let response = response.to_owned();
            let calibration = Calibration::parse(&text, &mut |_| Ok(response.clone())).unwrap();
            let channel = calibration.channels()[0].as_ref().unwrap();
            let budget = channel.uncertainty_at(hz);
            let parts: Vec<_> = budget.parts().map(|(_, expanded)| expanded).collect();
            (parts, budget.expanded())
        };
        let plain = "frequency_hz,magnitude_db\n200,0\n5000,1\n";
        let (parts, expanded) = budget(plain, 1000.0);
        assert_eq!(parts, [Some(0.4), None, Some(0.3)]);
        assert_eq!(expanded, Some(0.5));
        let stated = "frequency_hz,magnitude_db,expanded_uncertainty_db\n100,0,0.1\n10000,1,0.3\n";
        let (parts, _) = budget(stated, 1000.0);
        assert!((parts[1].unwrap() - 0.2).abs() < 1e-12);
    }

    #[test]
    fn a_channel_without_papers_states_no_uncertainty() {
        let calibration = parse(TEXT).unwrap();
        let budget = calibration.channels()[0].as_ref().unwrap().uncertainty();
        let parts: Vec<_> = budget.parts().collect();
        assert_eq!(
            parts,
            [(Origin::ForceTransducer, None), (Origin::Remounting, None)]
        );
        assert_eq!(budget.expanded(), None);
    }
}
