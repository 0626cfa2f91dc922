//! `rideloop check`

use super::outcome::Exit;
use super::{Context, Result};
use crate::{operations, report};

/// Read everything, change nothing, and say what is wrong and where, ride by ride.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop --bike bikes/fernhill check\n\nExit code 1 when something must be put right."
)]
pub(super) struct Args {}

pub(super) fn main(context: &Context, _args: &Args) -> Result {
    let found = operations::check(context.root(), context.cache.as_deref())?;
    context.screen.tell(&found, |width| report::check(&found, width));
    Ok(if found.is_clean() { Exit::Done } else { Exit::Failed })
}
