//! A page on disk: opened before the long work, in place only when it is whole.

use super::outcome::{CliError, Exit};
use super::{Context, Result};
use crate::bike::REPORTS_FOLDER;
use crate::operations::{OperationError, WholeFile, tool_name};
use crate::report::page::{self, PageContext};
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// A page that was written.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct PageWritten {
    /// The file.
    html: PathBuf,
    /// Its size.
    bytes: usize,
}

/// Draws a page that says when it was made, and by what.
///
/// # Errors
/// When the clock is out of range.
pub(super) fn draw(
    context: &Context,
    page: impl FnOnce(&PageContext<'_>) -> String,
) -> std::result::Result<String, CliError> {
    let (made, tool) = (context.today()?, tool_name());
    Ok(page(&PageContext { made: &made, tool: &tool }))
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
    context.interrupts.reads();
    let made = make_own_folder(context, path)?;
    let bytes = put(context, path, make).inspect_err(|_| {
        // As it was before; a folder that got files meanwhile stays.
        if let Some(folder) = made {
            let _ = std::fs::remove_dir(folder);
        }
    })?;
    let written = PageWritten { html: path.to_owned(), bytes };
    context.screen.tell(&written, |_| {
        let size = units::fixed(written.bytes as f64 / 1e6, 1);
        format!("{} is written, {size} MB; any browser opens it, without a network\n", path.display())
    });
    Ok(Exit::Done)
}

/// The bike's own folder for pages is made when it is first used, and then named; any other folder may be
/// a slip of the pen.
fn make_own_folder(context: &Context, path: &Path) -> std::result::Result<Option<PathBuf>, OperationError> {
    let own = context.root().join(REPORTS_FOLDER);
    let same = |a: &Path, b: &Path| std::path::absolute(a).ok() == std::path::absolute(b).ok();
    match path.parent() {
        Some(folder) if same(folder, &own) && context.root().is_dir() && !own.is_dir() => {
            std::fs::create_dir_all(&own).map_err(|error| OperationError::io("make", &own, &error))?;
            Ok(Some(own))
        }
        _ => Ok(None),
    }
}

/// A page replaces nothing but a page: not bike.yaml, not a device.
fn refuse_other_files(path: &Path) -> std::result::Result<(), OperationError> {
    /// A page says in its first kilobytes what made it.
    const HEAD_BYTES: u64 = 4096;
    let shown = path.display();
    if path == Path::new("-") {
        return Err(OperationError::failed("a page is a file", "name one, such as page.html"));
    }
    let Ok(there) = std::fs::symlink_metadata(path) else { return Ok(()) };
    if there.is_dir() {
        let hint = format!("name a file, such as {}", path.join("page.html").display());
        return Err(OperationError::failed(format!("`{shown}` is a folder"), hint));
    }
    let mut head = Vec::new();
    let is_page = there.is_file()
        && std::fs::File::open(path).and_then(|file| file.take(HEAD_BYTES).read_to_end(&mut head)).is_ok()
        && (head.is_empty() || String::from_utf8_lossy(&head).contains(page::MARK));
    match is_page {
        true => Ok(()),
        false => Err(OperationError::failed(
            format!("`{shown}` is there and is no page of rideloop"),
            "name another file; a page replaces only a page",
        )),
    }
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
    context: &Context,
    path: &Path,
    make: impl FnOnce() -> std::result::Result<String, CliError>,
) -> std::result::Result<usize, CliError> {
    refuse_other_files(path)?;
    context.interrupts.reads();
    let file = WholeFile::begin(path)?;
    let page = make()?;
    if !context.interrupts.writes() {
        return Err(OperationError::STOPPED.into());
    }
    file.put(page.as_bytes())?;
    Ok(page.len())
}
