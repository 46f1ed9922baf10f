//! What went wrong or looks doubtful, where, and what to do about it.
//!
//! A [`Diagnostic`] is the only error, warning and note of the crate: a
//! [`Problem`] (what), a [`Place`] (where) and a [`Severity`].

mod place;
mod problem;
mod toml;

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use std::fmt;
use std::io;
use std::path::Path;

use serde::Serialize;
use serde::ser::SerializeMap;

pub use place::Place;
pub use problem::Problem;
pub(crate) use toml::toml_problem;

/// Result of anything that can fail in this crate.
pub type Result<T> = std::result::Result<T, Diagnostic>;

/// How much a diagnostic matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; nothing is in doubt.
    Note,
    /// The figures that depend on it are in doubt.
    Warning,
    /// What depends on it could not be done.
    Error,
}

/// A problem with its place and weight.
#[derive(Debug)]
pub struct Diagnostic(Box<Inner>);

#[derive(Debug)]
struct Inner {
    problem: Problem,
    place: Place,
    severity: Severity,
}

impl Diagnostic {
    /// A key that holds a value which makes no sense ([`Problem::Value`]).
    pub fn value(key: &str, found: impl ToString, expected: &str) -> Self {
        Problem::Value {
            key: key.into(),
            found: found.to_string(),
            expected: expected.into(),
        }
        .into()
    }

    /// A file with which something cannot be done, and why ([`Problem::File`]).
    pub fn file(action: &'static str, cause: impl ToString) -> Self {
        let cause = cause.to_string();
        Problem::File { action, cause }.into()
    }

    /// The same, for an error of the system, in words of our own where it is a
    /// common one.
    pub fn io(action: &'static str, error: &io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound => Self::file(action, "there is no such file"),
            io::ErrorKind::PermissionDenied => Self::file(action, "permission denied"),
            io::ErrorKind::IsADirectory => Self::file(action, "this is a folder"),
            _ => Self::file(action, error),
        }
    }

    /// What happened.
    pub fn problem(&self) -> &Problem {
        &self.0.problem
    }

    /// Where it happened.
    pub fn place(&self) -> &Place {
        &self.0.place
    }

    /// How much it matters.
    pub fn severity(&self) -> Severity {
        self.0.severity
    }

    /// Changes the name of the file in its place.
    pub fn rename_file(&mut self, rename: &dyn Fn(&mut std::path::PathBuf)) {
        self.0.place.file.iter_mut().for_each(rename);
    }

    /// The same as a warning: the work goes on, in doubt.
    #[must_use]
    pub fn warning(mut self) -> Self {
        self.0.severity = Severity::Warning;
        self
    }

    /// The same as a note.
    #[must_use]
    pub fn note(mut self) -> Self {
        self.0.severity = Severity::Note;
        self
    }
}

impl<P: Into<Problem>> From<P> for Diagnostic {
    fn from(problem: P) -> Self {
        Self(Box::new(Inner {
            problem: problem.into(),
            place: Place::default(),
            severity: Severity::Error,
        }))
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.0.place.is_empty() {
            write!(f, "{}: ", self.0.place)?;
        }
        write!(f, "{}", self.0.problem)
    }
}

impl std::error::Error for Diagnostic {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        std::error::Error::source(&self.0.problem)
    }
}

impl Serialize for Diagnostic {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> std::result::Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("severity", &self.0.severity)?;
        map.serialize_entry("code", self.0.problem.code())?;
        map.serialize_entry("place", &self.0.place)?;
        map.serialize_entry("message", &self.0.problem.to_string())?;
        map.serialize_entry("next", &self.0.problem.advice())?;
        map.end()
    }
}

impl JsonSchema for Diagnostic {
    fn schema_name() -> Cow<'static, str> {
        "Diagnostic".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "What is assumed, doubtful or impossible; where, and what to do next",
            "type": "object",
            "properties": {
                "severity": generator.subschema_for::<Severity>(),
                "code": {"type": "string", "pattern": "^[a-z_]+\\.[a-z0-9_]+$"},
                "place": generator.subschema_for::<Place>(),
                "message": {"type": "string"},
                "next": {"type": "string"},
            },
            "required": ["severity", "code", "place", "message", "next"],
            "additionalProperties": false,
        })
    }
}

/// Adds what a layer knows of the place to a passing error. The first layer to
/// name a part of the place wins: it stands nearest to the fault.
pub trait At {
    /// Names the file.
    #[must_use]
    fn in_file(self, path: &Path) -> Self;
    /// Names the line of a text file, counted from 1.
    #[must_use]
    fn at_line(self, line: usize) -> Self;
    /// Names the capture of the session.
    #[must_use]
    fn in_capture(self, name: &str) -> Self;
    /// Names the channel.
    #[must_use]
    fn in_channel(self, channel: &str) -> Self;
    /// Names the key in a document.
    #[must_use]
    fn at_key(self, key: &str) -> Self;
    /// Names the time in the recording, in seconds.
    #[must_use]
    fn at_time(self, seconds: f64) -> Self;
}

impl At for Diagnostic {
    fn in_file(mut self, path: &Path) -> Self {
        self.0.place.file.get_or_insert_with(|| path.to_owned());
        self
    }

    fn at_line(mut self, line: usize) -> Self {
        self.0.place.line.get_or_insert(line);
        self
    }

    fn in_capture(mut self, name: &str) -> Self {
        self.0.place.capture.get_or_insert_with(|| name.to_owned());
        self
    }

    fn in_channel(mut self, channel: &str) -> Self {
        self.0
            .place
            .channel
            .get_or_insert_with(|| channel.to_owned());
        self
    }

    fn at_key(mut self, key: &str) -> Self {
        self.0.place.key.get_or_insert_with(|| key.to_owned());
        self
    }

    fn at_time(mut self, seconds: f64) -> Self {
        self.0.place.time_s.get_or_insert(seconds);
        self
    }
}

impl<T> At for Result<T> {
    fn in_file(self, path: &Path) -> Self {
        self.map_err(|d| d.in_file(path))
    }

    fn at_line(self, line: usize) -> Self {
        self.map_err(|d| d.at_line(line))
    }

    fn in_capture(self, name: &str) -> Self {
        self.map_err(|d| d.in_capture(name))
    }

    fn in_channel(self, channel: &str) -> Self {
        self.map_err(|d| d.in_channel(channel))
    }

    fn at_key(self, key: &str) -> Self {
        self.map_err(|d| d.at_key(key))
    }

    fn at_time(self, seconds: f64) -> Self {
        self.map_err(|d| d.at_time(seconds))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_layer_nearest_to_the_fault_names_the_place() {
        let inner: Result<()> = Err(Problem::MissingKey {
            key: "force".into(),
        }
        .into());
        let outer = inner
            .in_file(Path::new("bench.toml"))
            .in_file(Path::new("session.toml"))
            .at_key("calibration");
        let text = outer.unwrap_err().to_string();
        assert!(text.starts_with("bench.toml, key calibration: "), "{text}");
    }
}
