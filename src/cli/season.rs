//! `rideloop season`

use super::outcome::Exit;
use super::{Context, Result, page_file};
use crate::operations::{OpenBike, OperationError};
use crate::report::page::{self, PageContext};
use crate::{operations, report};
use std::path::PathBuf;

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
    let tell = || -> std::result::Result<_, OperationError> {
        operations::season::season(&OpenBike::open(context.root())?, args.slot.as_deref())
    };
    let Some(file) = &args.html else {
        let told = tell()?;
        context.screen.tell(&told, |width| report::season(&told, width));
        return Ok(Exit::Done);
    };
    page_file::write(context, file, || {
        let told = tell()?;
        let (made, tool) = (context.today()?, operations::tool_name());
        Ok(page::season(&told, &PageContext { made: &made, tool: &tool }))
    })
}
