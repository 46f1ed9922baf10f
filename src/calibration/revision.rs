//! Putting a new sensitivity into the text of a calibration file.

use toml_edit::{DocumentMut, Item, Table, Value, value};

use crate::diagnostic::{Diagnostic, Problem, Result};
use crate::quantity::{Date, Role};

/// A new sensitivity of one channel, and the paper behind it. What is absent is
/// not stated: papers of the sensitivity before do not count for the new one.
#[derive(Debug, Clone, PartialEq)]
pub struct Revision {
    /// The channel.
    pub role: Role,
    /// Volts per newton or per pascal.
    pub sensitivity: f64,
    /// Number of the channel, counted from 1; may be absent where the file says it.
    pub channel: Option<usize>,
    /// What the recorder's full scale is; may be absent where the file says it.
    pub full_scale: Option<FullScale>,
    /// Expanded uncertainty (k = 2) of the sensitivity in dB.
    pub expanded_uncertainty_db: Option<f64>,
    /// Number of the certificate.
    pub certificate: Option<String>,
    /// Day of the calibration.
    pub date: Date,
    /// Months until it is due again; that of the file stays where absent.
    pub interval_months: Option<u16>,
    /// Temperature in °C.
    pub temperature_c: Option<f64>,
}

/// What one full scale of the recorder stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FullScale {
    /// This many volts.
    Volts(f64),
    /// Nobody knows. Sensitivities that come from tones of this recorder are then
    /// given for a full scale of 1 V: every level is right, for only the ratio of
    /// the two counts, but a certificate's volts must not stand beside them.
    Assumed,
}

impl Revision {
    /// By a tone that reads `deviation_db` above its true level with the present
    /// sensitivity, found with an expanded uncertainty of `reading_db`. Rounded to
    /// six digits, far below any uncertainty.
    #[must_use]
    pub fn corrected(mut self, deviation_db: f64, reading_db: f64) -> Self {
        let sensitivity = self.sensitivity * 10f64.powf(deviation_db / 20.0);
        self.sensitivity = format!("{sensitivity:.5e}").parse().unwrap_or(sensitivity);
        let own = self.expanded_uncertainty_db;
        let hundredths = |db: f64| (100.0 * db).ceil() / 100.0;
        self.expanded_uncertainty_db = own.map(|own| hundredths(own.hypot(reading_db)));
        self
    }

    /// The calibration file `text` (nothing: a new one) with this sensitivity.
    /// Comments, order, the response and all of the other channel stay.
    ///
    /// # Errors
    /// Syntax; [`Problem::MissingKey`] for a channel or full scale that nobody
    /// stated; [`Problem::Value`] where a full scale contradicts the file, which
    /// would move the levels of the other channel.
    pub fn applied_to(&self, text: Option<&str>) -> Result<String> {
        let mut document = parse(text.unwrap_or("schema = 1\n"))?;
        self.set_full_scale(&mut document)?;
        let name = self.role.name();
        let table = document.entry(name).or_insert(Item::Table(Table::new()));
        let Some(table) = table.as_table_like_mut() else {
            return Err(Diagnostic::value(name, "no table", "a table"));
        };
        match self.channel {
            Some(channel) => set(table, "channel", channel as i64),
            None if table.contains_key("channel") => {}
            None => {
                let key = format!("{name}.channel");
                return Err(Problem::MissingKey { key }.into());
            }
        }
        set(table, sensitivity_key(self.role), self.sensitivity);
        set_or_remove(
            table,
            "expanded_uncertainty_db",
            self.expanded_uncertainty_db,
        );
        set_or_remove(table, "certificate", self.certificate.as_deref());
        let date = self.date.to_string();
        set(table, "date", date.parse::<Value>().unwrap_or(date.into()));
        if let Some(months) = self.interval_months {
            set(table, "interval_months", i64::from(months));
        }
        set_or_remove(table, "temperature_c", self.temperature_c);
        Ok(document.to_string())
    }

    fn set_full_scale(&self, document: &mut DocumentMut) -> Result<()> {
        let others = Role::ALL
            .iter()
            .any(|role| *role != self.role && document.contains_key(role.name()));
        let recorder = document
            .entry("recorder")
            .or_insert(Item::Table(Table::new()));
        let Some(recorder) = recorder.as_table_like_mut() else {
            return Err(Diagnostic::value("recorder", "no table", "a table"));
        };
        // A starter file holds 0 until somebody fills it in.
        let of_file = recorder.get("full_scale_v").and_then(number);
        let of_file = of_file.filter(|volts| *volts > 0.0);
        let assumed = recorder
            .get("full_scale_assumed")
            .and_then(Item::as_bool)
            .unwrap_or(false);
        let stated = match self.full_scale {
            None if of_file.is_some() => return Ok(()),
            None => {
                let key = "recorder.full_scale_v".into();
                return Err(Problem::MissingKey { key }.into());
            }
            Some(FullScale::Volts(volts)) => (volts, false),
            Some(FullScale::Assumed) => (1.0, true),
        };
        if let Some(of_file) = of_file
            && others
            && (of_file, assumed) != stated
        {
            return Err(Diagnostic::value(
                "full scale",
                match stated {
                    (_, true) => "unknown".to_owned(),
                    (volts, false) => format!("{volts} V"),
                },
                &format!(
                    "that of the file, {of_file} V{}: another one would move the levels of the other channel",
                    if assumed { " (assumed)" } else { "" }
                ),
            ));
        }
        set(recorder, "full_scale_v", stated.0);
        set_or_remove(recorder, "full_scale_assumed", stated.1.then_some(true));
        Ok(())
    }
}

/// The calibration file `text` without the channel that is not `role`: enough to
/// read a calibrator by, even where the other is not filled in yet.
///
/// # Errors
/// Syntax.
pub fn of_one_channel(text: &str, role: Role) -> Result<String> {
    let mut document = parse(text)?;
    for other in Role::ALL.iter().filter(|other| **other != role) {
        document.remove(other.name());
    }
    Ok(document.to_string())
}

fn parse(text: &str) -> Result<DocumentMut> {
    text.parse().map_err(|error: toml_edit::TomlError| {
        let cause = error.message().into();
        Problem::Document { cause }.into()
    })
}

/// The key of a channel's sensitivity.
pub fn sensitivity_key(role: Role) -> &'static str {
    match role {
        Role::Force => "sensitivity_v_per_n",
        Role::Microphone => "sensitivity_v_per_pa",
    }
}

fn number(item: &Item) -> Option<f64> {
    let integer = item.as_integer().map(|integer| integer as f64);
    item.as_float().or(integer)
}

/// Sets a key and leaves what stands around it, comments above all.
fn set(table: &mut dyn toml_edit::TableLike, key: &str, new: impl Into<Value>) {
    let mut new = new.into();
    match table.get_mut(key).and_then(Item::as_value_mut) {
        Some(old) => {
            *new.decor_mut() = old.decor().clone();
            *old = new;
        }
        None => {
            table.insert(key, value(new));
        }
    }
}

fn set_or_remove(table: &mut dyn toml_edit::TableLike, key: &str, new: Option<impl Into<Value>>) {
    match new {
        Some(new) => set(table, key, new),
        None => {
            table.remove(key);
        }
    }
}
