//! `rideloop show`

use super::outcome::Exit;
use super::{Context, Result, page_file};
use crate::operations::OpenBike;
use crate::report::page;
use crate::{operations, report};
use std::path::PathBuf;

/// One revision: its tables, what changed, on which evidence, under which settings.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop show\n  rideloop show r3\n  \
                        rideloop show r3 --slot economy    one slot as it stood at r3\n  \
                        rideloop show b1                   the last revision of build b1\n  \
                        rideloop show r3 --html r3.html    a page for a browser")]
pub(super) struct Args {
    /// A revision (r3), a build (its last revision), a slot (in the newest), or POINT:SLOT;
    /// without it the newest revision.
    #[arg(value_name = "POINT")]
    point: Option<String>,
    /// Only this slot; without it those that the revision is about.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Write it as a page for a browser: one file that needs no network. A file of
    /// that name is replaced.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let (point, slot) = (args.point.as_deref(), args.slot.as_deref());
    let Some(file) = &args.html else {
        let bike = OpenBike::open(context.root())?;
        let shown = operations::show(&bike, point, slot)?;
        context.screen.tell(&shown, |width| report::show(&shown, width));
        return Ok(Exit::Done);
    };
    page_file::write(context, file, || {
        let bike = OpenBike::open(context.root())?;
        let shown = operations::show(&bike, point, slot)?;
        page_file::draw(context, |about| page::show(&shown, &bike.folder.bike.name, about))
    })
}
