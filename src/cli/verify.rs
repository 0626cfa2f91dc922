//! `rideloop verify`

use super::outcome::Exit;
use super::progress::RideBar;
use super::{Context, Result};
use crate::{operations, report};

/// Make revisions again from their rides, and hold tables, evidence, register, hashes and tags against
/// each other; nothing is written.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop verify          everything\n  rideloop verify r3 r4    replay these two only; \
                        all else is looked at in any case\n\n\
                        Exit code 1 when something does not fit. A revision that another version of rideloop made may \
                        come out otherwise: that is said and is no trouble. Whether a commit is signed is said too; \
                        `git verify-commit` says whether the signature is good."
)]
pub(super) struct Args {
    /// The revisions to replay, such as r3; without them all.
    #[arg(value_name = "REV")]
    revisions: Vec<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bar = RideBar::new(context);
    let found = operations::verify(context.root(), &args.revisions, &bar)?;
    context.screen.tell(&found, |width| report::verify(&found, width, &context.command()));
    Ok(if found.is_well() { Exit::Done } else { Exit::Failed })
}
