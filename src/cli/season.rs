//! `rideloop season`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// How the map evolved: every revision, error, coverage, convergence, rides, warnings.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop season\n  rideloop season --slot power")]
pub(super) struct Args {
    /// One slot only; without it all of them.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let told = operations::season::season(&bike, args.slot.as_deref())?;
    context.screen.tell(&told, |width| report::season(&told, width));
    Ok(Exit::Done)
}
