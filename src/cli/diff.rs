//! `rideloop diff`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// What changed between two revisions, cell by cell, and in the settings.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop diff             the newest revision against the one before\n  \
                        rideloop diff r1 r5"
)]
pub(super) struct Args {
    /// The older revision; without it the one before TO.
    #[arg(value_name = "FROM")]
    from: Option<String>,
    /// The newer revision; without it the newest.
    #[arg(value_name = "TO")]
    to: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let found = operations::diff(&bike, args.from.as_deref(), args.to.as_deref())?;
    context.screen.tell(&found, |width| report::diff(&found, width));
    Ok(Exit::Done)
}
