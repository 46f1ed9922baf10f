//! Files appear whole or not at all.

use std::io::Write;
use std::path::Path;

use crate::diagnostic::{At, Diagnostic, Problem, Result};

/// Writes `content` to `path` through a temporary file beside it.
///
/// # Errors
/// [`Problem::File`] with the file's name; what stood there before stays.
pub fn write(path: &Path, content: impl AsRef<[u8]>) -> Result<()> {
    // Through a link, not over it.
    let target = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let folder = match target.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let attempt = || -> std::io::Result<()> {
        let mut file = tempfile::Builder::new()
            .prefix(".micronewton-")
            .tempfile_in(folder)?;
        file.write_all(content.as_ref())?;
        // Temporary files are private; reports are for the folder's readers.
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            file.as_file()
                .set_permissions(std::fs::Permissions::from_mode(0o644))?;
        }
        file.persist(&target)?;
        Ok(())
    };
    attempt().map_err(|error| {
        let cause = error.to_string();
        let action = "writing";
        Diagnostic::from(Problem::File { action, cause }).in_file(path)
    })
}
