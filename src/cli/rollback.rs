//! `rideloop rollback`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::RollbackRequest;
use crate::{operations, report};

/// Make a new revision that holds an earlier one's tables; nothing is lost.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop rollback r2 --why \"hesitates at small throttle\"\n\n\
                        The rides that fed only the undone revisions are set aside, so that the next run does not \
                        bring the same map back.")]
pub(super) struct Args {
    /// The revision to go back to, such as r2.
    #[arg(value_name = "REV")]
    revision: String,
    /// Why; it stands in the history.
    #[arg(long, value_name = "TEXT")]
    why: String,
    /// Leave the rides of the undone revisions in the evidence.
    #[arg(long)]
    keep_rides: bool,
    /// Only this slot; without it all of them.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Go back to the tables of another build all the same.
    #[arg(long)]
    across_builds: bool,
    /// Take a more advanced spark table back at once, where the cause for retarding it is over.
    #[arg(long)]
    advance_spark: bool,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = RollbackRequest {
        to: args.revision.clone(),
        why: args.why.clone(),
        keep_rides: args.keep_rides,
        slot: args.slot.clone(),
        across_builds: args.across_builds,
        advance_spark: args.advance_spark,
        when: context.now,
    };
    let done = operations::rollback(context.root(), &request)?;
    context.screen.tell(&done, |width| report::wrapped(&report::rollback(&done, &context.command()), width));
    Ok(Exit::Done)
}
