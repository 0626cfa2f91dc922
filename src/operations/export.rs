//! `export`: a table of a revision for other programs.

use super::error::OperationError;
use super::open::OpenBike;
use super::point::find_revision;
use super::whole_file::WholeFile;
use crate::bike::TableRole;
use crate::table::{self, ExportLayout, Format, Rows};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What an export is asked to do.
#[derive(Debug, Clone)]
pub struct ExportRequest {
    /// The revision, or the newest.
    pub revision: Option<String>,
    /// The file; `None` when the caller passes the text on.
    pub file: Option<PathBuf>,
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// Which table.
    pub table: TableRole,
    /// The format; without it what the file's ending says, else csv.
    pub format: Option<Format>,
    /// What a row of cells is.
    pub rows: Rows,
    /// Whether the breakpoints are written too.
    pub axes: bool,
    /// Whether a file that is there may be overwritten.
    pub force: bool,
}

/// What was exported.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ExportReport {
    /// The revision; none when the folder has none yet.
    pub revision: Option<String>,
    /// The slot.
    pub slot: String,
    /// Which table.
    pub table: TableRole,
    /// The format.
    pub format: Format,
    /// What a row of cells is.
    pub rows: Rows,
    /// The file.
    pub file: Option<PathBuf>,
    /// The text, where there is no file.
    pub text: Option<String>,
}

/// Writes a table for other programs.
///
/// # Errors
/// When revision, slot or table do not exist, the file's ending tells no format, or
/// the file is there already or cannot be written.
pub fn export(bike: &OpenBike, request: &ExportRequest) -> Result<ExportReport, OperationError> {
    let format = match (request.format, &request.file) {
        (Some(format), _) => format,
        (None, None) => Format::Csv,
        (None, Some(file)) => Format::of_file(file).ok_or_else(|| {
            OperationError::failed(
                format!("the ending of `{}` tells no format", file.display()),
                "name it .csv, .tsv or .json, or say --format",
            )
        })?,
    };
    let revision = match &request.revision {
        Some(name) => Some(find_revision(bike, name)?),
        None => bike.newest(),
    };
    let (tables, slot, kind) = match revision {
        Some(revision) => {
            let (then, _) = bike.bike_at(&revision.commit)?;
            let slot = request.slot.clone().unwrap_or_else(|| then.slots[0].clone());
            if !then.slots.contains(&slot) {
                return Err(OperationError::failed(
                    format!("{} has no slot `{slot}`", revision.name()),
                    format!("it has {}", then.slots.join(", ")),
                ));
            }
            (bike.tables_at(&revision.commit, &slot)?, slot, then.controller.fuel_table)
        }
        None => {
            let slot = bike.slot(request.slot.as_deref())?;
            (bike.today(&slot).clone(), slot, bike.folder.bike.controller.fuel_table)
        }
    };
    let table = tables.table(request.table).ok_or_else(|| OperationError::Failed {
        what: format!("slot `{slot}` has no {} table", request.table.name()),
        hint: None,
    })?;
    let unit = request.table.unit(kind);
    let layout =
        ExportLayout { format, rows: request.rows, axes: request.axes, table: request.table.name(), unit };
    let text = table::export(table, &layout);
    if let Some(file) = &request.file {
        put(file, &text, request.force)?;
    }
    Ok(ExportReport {
        revision: revision.map(|r| r.name()),
        slot,
        table: request.table,
        format,
        rows: request.rows,
        text: request.file.is_none().then_some(text),
        file: request.file.clone(),
    })
}

fn put(file: &Path, text: &str, force: bool) -> Result<(), OperationError> {
    let exists = || {
        OperationError::failed(
            format!("`{}` exists already", file.display()),
            "name another file, or say --force to overwrite it",
        )
    };
    match force {
        true => WholeFile::begin(file)?.put(text.as_bytes()),
        false if std::fs::metadata(file).is_ok() => Err(exists()),
        false => WholeFile::begin(file)?.put_new(text.as_bytes())?.ok_or_else(exists),
    }
}
