//! `rideloop table-text`: what git runs to show a table. Not for people, so not in the help.

use super::outcome::Exit;
use super::{Context, Result};
use crate::bike::read_regular;
use crate::operations::OperationError;
use crate::table::cell_lines;
use std::path::PathBuf;

/// A table or evidence file, one line a cell; any other file as it is.
#[derive(Debug, clap::Args)]
#[command(hide = true, after_help = "Example:\n  rideloop table-text maps/power/fuel.csv")]
pub(super) struct Args {
    /// The file.
    file: PathBuf,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bytes = read_regular(&args.file).map_err(|error| OperationError::io("read", &args.file, &error))?;
    let lines = std::str::from_utf8(&bytes).ok().and_then(cell_lines);
    context.screen.pass_on(lines.as_deref().map_or(bytes.as_slice(), str::as_bytes));
    Ok(Exit::Done)
}
