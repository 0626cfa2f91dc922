//! `rideloop show`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// One revision: its tables, what changed, on which evidence, under which settings.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop show\n  rideloop show r3")]
pub(super) struct Args {
    /// The revision, such as r3; without it the newest.
    #[arg(value_name = "REV")]
    revision: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let shown = operations::show(&bike, args.revision.as_deref())?;
    context.screen.tell(&shown, |width| report::show(&shown, width));
    Ok(Exit::Done)
}
