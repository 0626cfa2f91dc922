//! `rideloop git-setup`

use super::outcome::Exit;
use super::{Context, Result};
use crate::{operations, report};

/// Let plain git in a clone show tables one line a cell.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop --bike fernhill git-setup\n  \
                        git -C fernhill log -p maps/power/fuel.csv\n  \
                        git -C fernhill blame maps/power/fuel.csv      which revision set each cell\n\n\
                        A clone carries .gitattributes, which says what is a table, but not git's settings, which say \
                        how to show one. Where rideloop makes revisions, they are set already. Without rideloop on the \
                        PATH git shows the files as they are.")]
pub(super) struct Args {}

pub(super) fn main(context: &Context, _args: &Args) -> Result {
    let done = operations::git_setup(context.root())?;
    context.screen.tell(&done, |_| report::git_setup(&done));
    Ok(Exit::Done)
}
