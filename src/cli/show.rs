//! `rideloop show`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// One revision: its tables, what changed, on which evidence, under which settings.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop show\n  rideloop show r3\n  \
                        rideloop show r3 --slot economy    one slot as it stood at r3\n  \
                        rideloop show b1                   the last revision of build b1")]
pub(super) struct Args {
    /// A revision (r3), a build (its last revision), a slot (in the newest), or POINT:SLOT;
    /// without it the newest revision.
    #[arg(value_name = "POINT")]
    point: Option<String>,
    /// Only this slot; without it those that the revision is about.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let shown = operations::show(&bike, args.point.as_deref(), args.slot.as_deref())?;
    context.screen.tell(&shown, |width| report::show(&shown, width));
    Ok(Exit::Done)
}
