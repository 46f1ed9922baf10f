//! The calibration of one channel: sensitivity, response, and the paper behind
//! them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::response::Response;
use crate::diagnostic::{At, Diagnostic, Problem, Result};
use crate::quantity::{Band, Date, Origin, Role, Uncertainty};

/// The calibration of one channel.
#[derive(Debug, Clone, Serialize, JsonSchema)]
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
    /// Expanded uncertainty (k = 2) of taking the device off the simulator and
    /// putting it on again, in dB.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remounting_expanded_db: Option<f64>,
    /// Certificate of the sensitivity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificate: Option<String>,
    /// Date of the certificate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<Date>,
    /// Months until the next calibration is due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub interval_months: Option<u16>,
    /// Temperature at the calibration, in °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
}

/// Makes the table of one role as it stands in the file. Two plain structs,
/// because serde refuses unknown keys only in those.
macro_rules! table {
    ($(#[$doc:meta])* $name:ident, $role:expr, $sensitivity:ident $(, $own:ident)*) => {
        $(#[$doc])*
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        pub(super) struct $name {
            channel: usize,
            $sensitivity: f64,
            response: Option<String>,
            expanded_uncertainty_db: Option<f64>,
            certificate: Option<String>,
            date: Option<Date>,
            interval_months: Option<u16>,
            temperature_c: Option<f64>,
            $($own: Option<f64>,)*
        }

        impl $name {
            /// Checks the table; `read` gives the text of the response.
            pub(super) fn channel(
                self,
                read: &mut dyn FnMut(&str) -> Result<String>,
            ) -> Result<Channel> {
                let key = format!("{}.{}", $role.name(), stringify!($sensitivity));
                positive(&key, self.$sensitivity, "a positive sensitivity")?;
                Channel {
                    expanded_uncertainty_db: self.expanded_uncertainty_db,
                    certificate: self.certificate,
                    date: self.date,
                    interval_months: self.interval_months,
                    temperature_c: self.temperature_c,
                    $($own: self.$own,)*
                    ..Channel::new($role, self.channel, self.$sensitivity)
                }
                .checked(self.response.as_deref(), read)
            }
        }
    };
}

table! {
    /// `[force]`.
    Force, Role::Force, sensitivity_v_per_n, remounting_expanded_db
}
table! {
    /// `[microphone]`.
    Microphone, Role::Microphone, sensitivity_v_per_pa
}

impl Channel {
    fn new(role: Role, channel: usize, sensitivity: f64) -> Self {
        Self {
            role,
            channel,
            sensitivity,
            response: None,
            expanded_uncertainty_db: None,
            remounting_expanded_db: None,
            certificate: None,
            date: None,
            interval_months: None,
            temperature_c: None,
        }
    }

    /// The channel of a signal that is already in newtons or pascals.
    pub(super) fn exact(role: Role) -> Self {
        Self {
            expanded_uncertainty_db: Some(0.0),
            ..Self::new(role, role as usize + 1, 1.0)
        }
    }

    fn checked(
        mut self,
        response: Option<&str>,
        read: &mut dyn FnMut(&str) -> Result<String>,
    ) -> Result<Self> {
        let key = |name: &str| format!("{}.{name}", self.role.name());
        if self.channel == 0 {
            return Err(Diagnostic::value(&key("channel"), 0, "a number from 1 on"));
        }
        for (name, expanded_db) in [
            ("expanded_uncertainty_db", self.expanded_uncertainty_db),
            ("remounting_expanded_db", self.remounting_expanded_db),
        ] {
            if let Some(u) = expanded_db
                && !(0.0..=20.0).contains(&u)
            {
                return Err(Diagnostic::value(&key(name), u, "0 dB to 20 dB (k = 2)"));
            }
        }
        if self.interval_months == Some(0) {
            let expected = "at least one month";
            return Err(Diagnostic::value(&key("interval_months"), 0, expected));
        }
        if let Some(temperature) = self.temperature_c
            && !(-20.0..=60.0).contains(&temperature)
        {
            let expected = "−20 °C to 60 °C";
            return Err(Diagnostic::value(
                &key("temperature_c"),
                temperature,
                expected,
            ));
        }
        if let Some(name) = response {
            let text = read(name).at_key(&key("response"))?;
            let parsed = Response::parse(&text).in_file(std::path::Path::new(name))?;
            self.response = Some(parsed);
        }
        Ok(self)
    }

    /// What the calibration lends to the uncertainty of a level of the channel
    /// at any frequency: the response counts with its largest.
    pub fn uncertainty(&self) -> Uncertainty {
        self.budget(Response::largest_uncertainty_db)
    }

    /// What the calibration lends to the uncertainty of a level of the channel
    /// at `frequency_hz`.
    pub fn uncertainty_at(&self, frequency_hz: f64) -> Uncertainty {
        self.budget(|response| response.uncertainty_at_db(frequency_hz))
    }

    fn budget(&self, of_response: impl Fn(&Response) -> Option<f64>) -> Uncertainty {
        let (sensitivity, response) = match self.role {
            Role::Force => (Origin::ForceTransducer, Origin::ForceResponse),
            Role::Microphone => (Origin::Microphone, Origin::MicrophoneResponse),
        };
        let mut budget = Uncertainty::of(sensitivity, self.expanded_uncertainty_db);
        if let Some(known) = &self.response {
            budget = budget.and(response, of_response(known));
        }
        match self.role {
            Role::Force => budget.and(Origin::Remounting, self.remounting_expanded_db),
            Role::Microphone => budget,
        }
    }

    /// What the age of the certificate makes doubtful on the day of a
    /// measurement, or why its age cannot be judged.
    pub fn age_finding(&self, day: Option<Date>) -> Option<Diagnostic> {
        let unknown =
            |missing| Some(Diagnostic::from(Problem::CalibrationAgeUnknown { missing }).note());
        let finding = match (self.date, day) {
            (None, _) => unknown("its date"),
            (_, None) => unknown("the date of the session"),
            (Some(date), Some(day)) if day < date => {
                let (date, day) = (date.to_string(), day.to_string());
                Some(Diagnostic::from(Problem::CalibratedLater { date, day }).warning())
            }
            (Some(date), Some(day)) => match self.interval_months {
                None => unknown("its interval"),
                Some(months) => {
                    let due = date.plus_months(months);
                    (day > due).then(|| {
                        let (due, day) = (due.to_string(), day.to_string());
                        let date = date.to_string();
                        Diagnostic::from(Problem::CalibrationOverdue { date, due, day }).warning()
                    })
                }
            },
        };
        finding.map(|finding| finding.in_channel(self.role.name()))
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

pub(super) fn positive(key: &str, found: f64, expected: &str) -> Result<()> {
    if found > 0.0 && found.is_finite() {
        Ok(())
    } else {
        Err(Diagnostic::value(key, found, expected))
    }
}
