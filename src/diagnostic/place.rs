//! Where a diagnostic points.

use std::fmt;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::Serialize;

/// File, line, capture, channel, key and time, as far as they are known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct Place {
    /// File, as the user named it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<PathBuf>,
    /// Line of a text file, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<usize>,
    /// Name of the capture in the session.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capture: Option<String>,
    /// Channel: its role, or its number counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<String>,
    /// Key in a document.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// Time in the recording, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_s: Option<f64>,
}

impl Place {
    /// Whether nothing of the place is known.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut parts = Vec::new();
        if let Some(file) = &self.file {
            let line = self.line.map(|n| format!(":{n}")).unwrap_or_default();
            parts.push(format!("{}{line}", file.display()));
        }
        if let Some(capture) = &self.capture {
            parts.push(format!("capture {capture}"));
        }
        if let Some(channel) = &self.channel {
            parts.push(format!("channel {channel}"));
        }
        if let Some(key) = &self.key {
            parts.push(format!("key {key}"));
        }
        if let Some(time_s) = self.time_s {
            parts.push(format!("at {time_s:.3} s"));
        }
        f.write_str(&parts.join(", "))
    }
}
