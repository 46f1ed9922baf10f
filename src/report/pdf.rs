//! The page as PDF, printed by a browser of this machine: the style sheet for paper
//! keeps figures whole and numbers the pages, text stays text.

use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use wait_timeout::ChildExt as _;

use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// What a browser says where it runs as root and would not without this.
const NO_SANDBOX: &str = "--no-sandbox";
/// A page takes seconds; a browser that hangs is ended.
const PATIENCE: Duration = Duration::from_secs(120);

/// The size of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm by 297 mm.
    #[default]
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

impl Paper {
    /// Its name in a style sheet.
    fn name(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }
}

/// Prints `page`, the text of [`html`](fn@super::html), with `browser`, one of those
/// that are built on Chromium; the bytes of the PDF file. The page loads nothing,
/// and the browser has a fresh profile.
///
/// # Errors
/// [`Problem::File`] with the browser's name and what it said, if it prints nothing.
pub fn pdf(page: &str, paper: Paper, browser: &Path) -> Result<Vec<u8>> {
    let size = format!("@page{{size:{}}}</style>", paper.name());
    let page = page.replacen("</style>", &size, 1);
    let failed = |cause: String| {
        let action = "printing the page as PDF";
        Diagnostic::from(Problem::File { action, cause }).in_file(browser)
    };
    let attempt = || -> io::Result<(String, io::Result<Vec<u8>>)> {
        let folder = tempfile::tempdir()?;
        fs::write(folder.path().join("report.html"), &page)?;
        let mut told = printed(browser, folder.path(), &[], PATIENCE)?;
        let mut made = fs::read(folder.path().join("report.pdf"));
        if made.is_err() && told.contains(NO_SANDBOX) {
            // As root there is no sandbox; the page is ours and loads nothing.
            told = printed(browser, folder.path(), &[NO_SANDBOX], PATIENCE)?;
            made = fs::read(folder.path().join("report.pdf"));
        }
        Ok((told, made))
    };
    let (told, bytes) = attempt().map_err(|error| failed(error.to_string()))?;
    match bytes {
        Ok(bytes) if bytes.starts_with(b"%PDF") => Ok(without_day(bytes)),
        _ => {
            let last = told.lines().rfind(|line| !line.trim().is_empty());
            Err(failed(last.unwrap_or("it wrote no PDF").to_owned()))
        }
    }
}

/// Runs the browser on `report.html` of the folder; what it said.
fn printed(browser: &Path, folder: &Path, more: &[&str], patience: Duration) -> io::Result<String> {
    let told = folder.join("told.txt");
    let named = |option: &str, name: &str| format!("--{option}={}", folder.join(name).display());
    let mut running = Command::new(browser)
        .args(["--headless", "--disable-gpu", "--no-first-run"])
        .args(["--disable-background-networking", "--no-pdf-header-footer"])
        .arg(named("user-data-dir", "profile"))
        .arg(named("print-to-pdf", "report.pdf"))
        .args(more)
        .arg(folder.join("report.html"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(File::create(&told)?)
        .spawn()?;
    if running.wait_timeout(patience)?.is_none() {
        running.kill()?;
        running.wait()?;
        let cause = format!("it did not end within {} s", patience.as_secs());
        return Err(io::Error::new(io::ErrorKind::TimedOut, cause));
    }
    Ok(String::from_utf8_lossy(&fs::read(told)?).into_owned())
}

/// The file without the day on which it was printed: it may lead to a person.
fn without_day(mut bytes: Vec<u8>) -> Vec<u8> {
    for key in [&b"/CreationDate (D:"[..], b"/ModDate (D:"] {
        let found = bytes.windows(key.len()).position(|window| window == key);
        if let Some(at) = found {
            let digits = bytes[at + key.len()..].iter_mut();
            let day = b"19700101000000".iter();
            for (digit, zero) in digits.zip(day).take_while(|(d, _)| d.is_ascii_digit()) {
                *digit = *zero;
            }
        }
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_of_printing_goes_and_every_offset_stays() {
        let before =
            b"%PDF /CreationDate (D:20260312101112+00'00') /ModDate (D:20260312101112+00'00')";
        let after = without_day(before.to_vec());
        assert_eq!(after.len(), before.len());
        let told = String::from_utf8(after).unwrap();
        assert!(!told.contains("2026"), "{told}");
        assert_eq!(told.matches("D:19700101000000+00'00'").count(), 2);
    }

    #[test]
    #[cfg(unix)]
    fn a_browser_that_hangs_is_ended() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let browser = folder.path().join("browser");
        // No process of its own that could outlive it.
        fs::write(&browser, "#!/bin/sh\nexec sleep 600\n").unwrap();
        fs::set_permissions(&browser, fs::Permissions::from_mode(0o755)).unwrap();
        let patience = Duration::from_millis(100);
        let error = printed(&browser, folder.path(), &[], patience).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }

    #[test]
    fn a_program_that_prints_nothing_is_named() {
        let error = pdf("<p>x</p>", Paper::A4, Path::new("/no/such/browser")).unwrap_err();
        assert!(error.to_string().contains("browser"), "{error}");
    }
}
