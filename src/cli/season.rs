//! `rideloop season`

use super::outcome::{CliError, Exit};
use super::{Context, Result, page_file};
use crate::operations::OpenBike;
use crate::report::page;
use crate::{operations, report};
use std::path::{Path, PathBuf};

/// How the map evolved: every revision, error, coverage, convergence, rides, warnings.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop season\n  rideloop season --slot power\n  \
                        rideloop season --html season.html    a page for a browser")]
pub(super) struct Args {
    /// One slot only; without it all of them.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Write it as a page for a browser: one file that needs no network. A file of
    /// that name is replaced.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let slot = args.slot.as_deref();
    let Some(file) = &args.html else {
        let told = operations::season::season(&OpenBike::open(context.root())?, slot)?;
        context.screen.tell(&told, |width| report::season(&told, width));
        return Ok(Exit::Done);
    };
    page_file::write(context, file, || page(context, context.root(), slot))
}

/// The season of a bike folder as a page.
pub(super) fn page(
    context: &Context,
    root: &Path,
    slot: Option<&str>,
) -> std::result::Result<String, CliError> {
    let told = operations::season::season(&OpenBike::open(root)?, slot)?;
    page_file::draw(context, |about| page::season(&told, about))
}
