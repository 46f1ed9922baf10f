//! Reading the text documents of a plan; each is an input of the record.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::session::SessionDocument;
use crate::calibration::Calibration;
use crate::capture::{InputFile, hexadecimal};
use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// A text file that was read, and its trace for the record.
#[derive(Debug, Clone)]
pub struct Text {
    /// The text.
    pub text: String,
    /// Name, length and hash.
    pub input: InputFile,
}

impl Text {
    /// Reads `path`.
    ///
    /// # Errors
    /// [`Problem::File`] with the file's name.
    pub fn read(path: &Path) -> Result<Self> {
        let bytes = fs::read(path)
            .map_err(|error| Diagnostic::io("opening", &error))
            .in_file(path)?;
        let input = InputFile {
            path: path.to_owned(),
            sha256: Some(hexadecimal(&Sha256::digest(&bytes))),
            bytes: bytes.len() as u64,
        };
        let text = String::from_utf8(bytes)
            .map_err(|_| {
                let cause = "this is not a text file (UTF-8)".into();
                Problem::Document { cause }.into()
            })
            .in_file(path)?;
        Ok(Self { text, input })
    }
}

/// SHA-256 of a whole file, hexadecimal.
///
/// # Errors
/// [`Problem::File`] with the file's name.
pub(super) fn hash(path: &Path) -> Result<String> {
    let mut digest = Sha256::new();
    let mut block = vec![0; 1 << 16];
    let mut feed = || -> io::Result<()> {
        let mut file = File::open(path)?;
        loop {
            match file.read(&mut block)? {
                0 => return Ok(()),
                count => digest.update(&block[..count]),
            }
        }
    };
    feed()
        .map_err(|error| Diagnostic::io("opening", &error))
        .in_file(path)?;
    Ok(hexadecimal(&digest.finalize()))
}

/// Reads a calibration file and the responses it names, relative to it.
///
/// # Errors
/// Those of [`Text::read`] and [`parse_calibration`].
pub fn read_calibration(path: &Path) -> Result<(Calibration, Vec<InputFile>)> {
    let document = Text::read(path)?;
    let (calibration, responses) = parse_calibration(&document.text, path)?;
    let inputs = std::iter::once(document.input).chain(responses);
    Ok((calibration, inputs.collect()))
}

/// Reads what would stand in a calibration file at `path`, and the responses it
/// names.
///
/// # Errors
/// Those of [`Text::read`] and [`Calibration::parse`], with the file's name.
pub fn parse_calibration(text: &str, path: &Path) -> Result<(Calibration, Vec<InputFile>)> {
    let mut responses = Vec::new();
    let calibration = Calibration::parse(text, &mut |name| {
        let response = Text::read(&beside(path, Path::new(name)))?;
        responses.push(response.input);
        Ok(response.text)
    })
    .in_file(path)?;
    Ok((calibration, responses))
}

/// Reads a session file.
///
/// # Errors
/// Those of [`Text::read`], syntax, unknown and missing keys, with line.
pub fn read_session(path: &Path) -> Result<(SessionDocument, InputFile)> {
    let document = Text::read(path)?;
    let session = SessionDocument::parse(&document.text).in_file(path)?;
    Ok((session, document.input))
}

/// `name` relative to the folder of `document`.
pub fn beside(document: &Path, name: &Path) -> PathBuf {
    match document.parent() {
        Some(folder) => folder.join(name),
        None => name.to_owned(),
    }
}
