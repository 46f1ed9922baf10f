//! The calibration file: what one unit of a WAV sample stands for.

use serde::ser::SerializeMap;
use serde::{Deserialize, Serialize, Serializer};

use super::response::Response;
use crate::diagnostic::{At, Diagnostic, Problem, Result, toml_problem};
use crate::quantity::{Band, Origin, Role, Uncertainty};

/// How samples become newtons and pascals. Built only from a calibration file.
#[derive(Debug, Clone)]
pub struct Calibration {
    full_scale_v: f64,
    channels: [Option<Channel>; 2],
}

/// The calibration of one channel.
#[derive(Debug, Clone, Serialize)]
pub struct Channel {
    /// What it records.
    #[serde(skip)]
    pub role: Role,
    /// Channel of the file, counted from 1.
    pub channel: usize,
    /// Volts per newton or per pascal.
    #[serde(skip)]
    pub sensitivity: f64,
    /// Response over frequency, relative to the sensitivity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response: Option<Response>,
    /// Expanded uncertainty (k = 2) of the sensitivity, in dB.
    pub expanded_uncertainty_db: Option<f64>,
    /// Certificate of the sensitivity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    /// Date of the certificate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Months until the next calibration is due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub interval_months: Option<u32>,
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
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Force {
    channel: usize,
    sensitivity_v_per_n: f64,
    response: Option<String>,
    expanded_uncertainty_db: Option<f64>,
    certificate: Option<String>,
    date: Option<toml::Value>,
    interval_months: Option<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Microphone {
    channel: usize,
    sensitivity_v_per_pa: f64,
    response: Option<String>,
    expanded_uncertainty_db: Option<f64>,
    certificate: Option<String>,
    date: Option<toml::Value>,
    interval_months: Option<u32>,
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
        let force = document.force.map(|f| {
            Channel {
                role: Role::Force,
                channel: f.channel,
                sensitivity: f.sensitivity_v_per_n,
                response: None,
                expanded_uncertainty_db: f.expanded_uncertainty_db,
                certificate: f.certificate,
                date: f.date.as_ref().map(date_text),
                interval_months: f.interval_months,
            }
            .checked("force", "sensitivity_v_per_n", f.response.as_deref(), read)
        });
        let microphone = document.microphone.map(|m| {
            Channel {
                role: Role::Microphone,
                channel: m.channel,
                sensitivity: m.sensitivity_v_per_pa,
                response: None,
                expanded_uncertainty_db: m.expanded_uncertainty_db,
                certificate: m.certificate,
                date: m.date.as_ref().map(date_text),
                interval_months: m.interval_months,
            }
            .checked(
                "microphone",
                "sensitivity_v_per_pa",
                m.response.as_deref(),
                read,
            )
        });
        let channels = [force.transpose()?, microphone.transpose()?];
        if channels.iter().all(Option::is_none) {
            return Err(Problem::NoChannel.into());
        }
        Ok(Self {
            full_scale_v,
            channels,
        })
    }

    /// Volts at digital full scale (sample value 1.0).
    pub fn full_scale_v(&self) -> f64 {
        self.full_scale_v
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

impl Channel {
    /// The channel of a signal that is already in newtons or pascals.
    pub(super) fn exact(role: Role) -> Self {
        Self {
            role,
            channel: role as usize + 1,
            sensitivity: 1.0,
            response: None,
            expanded_uncertainty_db: Some(0.0),
            certificate: None,
            date: None,
            interval_months: None,
        }
    }

    fn checked(
        mut self,
        table: &str,
        sensitivity: &str,
        response: Option<&str>,
        read: &mut dyn FnMut(&str) -> Result<String>,
    ) -> Result<Self> {
        if self.channel == 0 {
            return Err(Diagnostic::value(
                &format!("{table}.channel"),
                0,
                "a number from 1 on",
            ));
        }
        positive(
            &format!("{table}.{sensitivity}"),
            self.sensitivity,
            "a positive sensitivity",
        )?;
        if let Some(u) = self.expanded_uncertainty_db
            && !(0.0..=20.0).contains(&u)
        {
            let key = format!("{table}.expanded_uncertainty_db");
            return Err(Diagnostic::value(&key, u, "0 dB to 20 dB (k = 2)"));
        }
        if let Some(name) = response {
            let text = read(name).at_key(&format!("{table}.response"))?;
            let parsed = Response::parse(&text).in_file(std::path::Path::new(name))?;
            self.response = Some(parsed);
        }
        Ok(self)
    }

    /// What the calibration lends to the uncertainty of every level of the
    /// channel.
    pub fn uncertainty(&self) -> Uncertainty {
        let origin = match self.role {
            Role::Force => Origin::ForceTransducer,
            Role::Microphone => Origin::Microphone,
        };
        Uncertainty::of(origin, self.expanded_uncertainty_db)
    }

    /// Why a level in `band` cannot be given, if the response does not reach it.
    pub fn gap(&self, band: Band) -> Option<String> {
        let (low_hz, high_hz) = self.response.as_ref()?.range_hz();
        let inside = (low_hz..=high_hz).contains(&band.exact_hz());
        (!inside).then(|| {
            format!("the transducer's response is given from {low_hz} Hz to {high_hz} Hz only")
        })
    }
}

fn date_text(date: &toml::Value) -> String {
    match date {
        toml::Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn positive(key: &str, found: f64, expected: &str) -> Result<()> {
    if found > 0.0 && found.is_finite() {
        Ok(())
    } else {
        Err(Diagnostic::value(key, found, expected))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
}
