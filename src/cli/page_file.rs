//! A page on disk: opened before the long work, in place only when it is whole.

use super::outcome::{CliError, Exit};
use super::{Context, Result};
use crate::operations::{OperationError, WholeFile};
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// A page that was written.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct PageWritten {
    /// The file.
    html: PathBuf,
    /// Its size.
    bytes: usize,
}

/// Writes a page and tells of it; one that is there already is replaced.
///
/// # Errors
/// As [`put`].
pub(super) fn write(
    context: &Context,
    path: &Path,
    make: impl FnOnce() -> std::result::Result<String, CliError>,
) -> Result {
    let bytes = put(path, make)?;
    let written = PageWritten { html: path.to_owned(), bytes };
    context.screen.tell(&written, |_| {
        let size = units::fixed(written.bytes as f64 / 1e6, 1);
        format!("{} is written, {size} MB; any browser opens it, without a network\n", path.display())
    });
    Ok(Exit::Done)
}

/// Writes a page and says how many bytes it has; one that is there already is
/// replaced.
///
/// The file is opened before `make` works, so that a folder that cannot be written
/// to is told at once, and takes its name when all of it is on disk.
///
/// # Errors
/// When the file cannot be written, and whatever `make` fails with.
pub(super) fn put(
    path: &Path,
    make: impl FnOnce() -> std::result::Result<String, CliError>,
) -> std::result::Result<usize, CliError> {
    if path.is_dir() {
        let hint = format!("name a file, such as {}", path.join("page.html").display());
        return Err(OperationError::failed(format!("`{}` is a folder", path.display()), hint).into());
    }
    let file = WholeFile::begin(path)?;
    let page = make()?;
    file.put(page.as_bytes())?;
    Ok(page.len())
}
