//! `rideloop diff`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// What differs between two revisions, builds or slots, cell by cell, and in the settings.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop diff             the newest revision against the one before\n  \
                        rideloop diff r1 r5\n  \
                        rideloop diff b1 b2            the last revisions of two builds\n  \
                        rideloop diff power economy    two slots of the newest revision\n  \
                        rideloop diff r5:power r9      one slot, between two revisions\n\n\
                        A point is a revision (r5), a build (its last revision), a slot (in the newest revision), \
                        or POINT:SLOT. r5 always means the revision. Where slots are compared, settings are not."
)]
pub(super) struct Args {
    /// The older point; without it the revision before the newest. A slot alone: what the newest
    /// revision changed in it.
    #[arg(value_name = "FROM")]
    from: Option<String>,
    /// The newer point; without it the newest revision.
    #[arg(value_name = "TO")]
    to: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let found = operations::diff(&bike, args.from.as_deref(), args.to.as_deref())?;
    context.screen.tell(&found, |width| report::diff(&found, width));
    Ok(Exit::Done)
}
