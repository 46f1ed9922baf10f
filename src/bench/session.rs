//! What a scenario says of the appointment, as its session file repeats it.

use serde::{Deserialize, Serialize};

/// What goes into the session file as it stands.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Session {
    pub(super) code: Option<String>,
    pub(super) date: Option<toml::Value>,
    #[serde(rename = "box")]
    pub(super) test_box: TestBox,
    pub(super) device: Option<Worn>,
    pub(super) person: Option<toml::Table>,
    pub(super) criteria: Option<toml::Table>,
}

impl Session {
    /// The tables that person and device name: they belong beside the session file.
    pub(super) fn tables(&self) -> impl Iterator<Item = &str> {
        let person = self.person.iter();
        let named = person.flat_map(|person| ["dial_zero", "targets"].map(|key| person.get(key)));
        let names = named.flatten().filter_map(toml::Value::as_str);
        let sheet = self.device.iter();
        let sheet = sheet.filter_map(|device| device.data_sheet.as_deref());
        names.filter(|name| name.ends_with(".csv")).chain(sheet)
    }
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Worn {
    code: String,
    side: Option<Side>,
    #[serde(skip_serializing_if = "Option::is_none")]
    data_sheet: Option<String>,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Side {
    Left,
    Right,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum TestBox {
    #[default]
    Closed,
    Open,
}
