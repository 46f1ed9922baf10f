//! When a recording was made, as its recorder noted it.
//!
//! Only dates, times and the position on the recorder's clock are taken over. Names and
//! remarks may be those of people: that they are there is said, not what they say. Layout
//! of `bext` after EBU Tech 3285; `iXML` and `LIST` after their public descriptions.

use std::io::{Read, Seek, SeekFrom};

use serde::Serialize;

use super::container::{Chunk, u64_at};
use crate::diagnostic::{Diagnostic, Result};

/// What a recorder noted of a recording.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Origin {
    /// Date, as written.
    pub date: Option<String>,
    /// Time of day, as written.
    pub time: Option<String>,
    /// Samples since midnight at the first one, of a `bext` chunk.
    pub since_midnight_samples: Option<u64>,
    /// What else is present and not shown: it may name people.
    pub not_shown: Vec<String>,
}

/// More of a chunk than this is not looked at.
const MOST_BYTES: u64 = 1 << 16;

impl Origin {
    /// Reads what the chunks hold; `None` if they hold nothing of the kind.
    ///
    /// # Errors
    /// [`crate::Problem::File`] if reading fails.
    pub fn read(file: &mut (impl Read + Seek), chunks: &[Chunk]) -> Result<Option<Self>> {
        let mut origin = Self::default();
        for chunk in chunks {
            if !matches!(chunk.id.as_str(), "bext" | "iXML" | "LIST") {
                continue;
            }
            let mut body = vec![0; chunk.bytes.min(MOST_BYTES) as usize];
            file.seek(SeekFrom::Start(chunk.at))
                .and_then(|_| file.read_exact(&mut body))
                .map_err(|error| Diagnostic::io("reading", &error))?;
            match chunk.id.as_str() {
                "bext" => origin.bext(&body),
                "iXML" => origin.ixml(&String::from_utf8_lossy(&body)),
                _ => origin.list(&body),
            }
        }
        Ok((origin != Self::default()).then_some(origin))
    }

    fn bext(&mut self, body: &[u8]) {
        for (name, from, to) in [
            ("description", 0, 256),
            ("originator", 256, 288),
            ("originator reference", 288, 320),
            ("coding history", 602, body.len()),
        ] {
            let text = body.get(from..to).unwrap_or(&[]);
            if text.iter().any(|byte| !matches!(byte, 0 | b' ')) {
                self.not_shown.push(format!("bext {name}"));
            }
        }
        self.date = self.date.take().or(digits(body.get(320..330)));
        self.time = self.time.take().or(digits(body.get(330..338)));
        self.since_midnight_samples = (body.len() >= 346).then(|| u64_at(body, 338));
    }

    fn ixml(&mut self, text: &str) {
        let element = |name: &str| {
            let (_, rest) = text.split_once(&format!("<{name}>"))?;
            let (value, _) = rest.split_once("</")?;
            digits(Some(value.as_bytes()))
        };
        self.date = self.date.take().or(element("BWF_ORIGINATION_DATE"));
        self.time = self.time.take().or(element("BWF_ORIGINATION_TIME"));
        self.not_shown.push("iXML".to_owned());
    }

    fn list(&mut self, body: &[u8]) {
        let Some(body) = body.strip_prefix(b"INFO") else {
            return;
        };
        if let Some(at) = body.windows(4).position(|id| id == b"ICRD") {
            self.date = self.date.take().or(digits(body.get(at + 8..at + 18)));
        }
        self.not_shown.push("LIST INFO".to_owned());
    }
}

/// A date or a time of day; nothing that could be a name.
fn digits(text: Option<&[u8]>) -> Option<String> {
    let text = text?.split(|byte| *byte == 0).next()?.trim_ascii();
    let allowed = |byte: &u8| byte.is_ascii_digit() || b"-:_./ T".contains(byte);
    let any = text.iter().any(u8::is_ascii_digit);
    (any && text.iter().all(allowed)).then(|| String::from_utf8_lossy(text).into_owned())
}
