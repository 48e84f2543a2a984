//! A text file replaced whole: written beside it, then renamed; its permissions stay, and a link to it stays a link.

use crate::deliver::{OutputFolder, Pending};
use crate::diag::Finding;
use std::fs;
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// A new text on the disk, beside the file it will replace.
#[derive(Debug)]
pub(super) struct Replacing(Pending);

impl Replacing {
    /// Writes `text` beside the file at `path`, which stays as it is.
    pub fn prepared(path: &Path, text: &str) -> Result<Replacing, String> {
        // The file itself, so that a link to it stays one.
        let target = fs::canonicalize(path).map_err(|fault| fault.to_string())?;
        let mode = fs::metadata(&target)
            .map_err(|fault| fault.to_string())?
            .permissions()
            .mode();
        let name = target
            .file_name()
            .and_then(|name| name.to_str())
            .ok_or("its name is no UTF-8 text")?;
        let place = target.parent().unwrap_or(Path::new("/"));
        let folder = OutputFolder::open(place).map_err(|fault| fault.to_string())?;
        let mut pending = folder.create(name).map_err(|fault| fault.to_string())?;
        pending
            .write_all(text.as_bytes())
            .map_err(|fault| fault.to_string())?;
        pending.set_mode(mode).map_err(|fault| fault.to_string())?;
        // A disk that is full shows itself here, while the file still stands.
        pending.settled().map_err(|fault| fault.to_string())?;
        Ok(Replacing(pending))
    }

    /// Puts the new text in the file's place.
    pub fn commit(self) -> Result<(), String> {
        self.0.commit().map_err(|fault| fault.to_string())
    }
}

/// A file that could not be replaced.
pub(super) fn unwritable(file: &str, fault: &str) -> Finding {
    Finding::stop(
        "unwritable",
        format!("\"{file}\" can't be replaced: {fault}"),
    )
}
