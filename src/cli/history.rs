//! `rideloop history`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// The revisions, newest first.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop history\n  rideloop --json history")]
pub(super) struct Args {}

pub(super) fn main(context: &Context, _args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let entries = operations::history(&bike);
    context.screen.tell(&entries, |width| report::history(&entries, width));
    Ok(Exit::Done)
}
