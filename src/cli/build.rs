//! `rideloop build`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::BuildRequest;
use crate::{operations, report};
use clap::Subcommand;

/// The hardware of the bike: say that it changed.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop build add \"sharper cams\"")]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, Subcommand)]
enum Deed {
    /// Begin a new build: a line in builds.yaml and a revision with the same tables.
    ///
    /// Rides made before say nothing about it.
    #[command(after_help = "Example:\n  rideloop build add \"sharper cams\"\n  \
                            rideloop build add \"bigger injectors\" --name b3 --since 2026-05-02\n\n\
                            Rides that lie directly in rides/ count as made on the build before.")]
    Add {
        /// What was changed.
        #[arg(value_name = "TEXT")]
        what: String,
        /// Its name; without it the next number: b2 after b1.
        #[arg(long, value_name = "NAME")]
        name: Option<String>,
        /// The day it was first ridden; without it today.
        #[arg(long, value_name = "YYYY-MM-DD")]
        since: Option<String>,
    },
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let Deed::Add { what, name, since } = &args.deed;
    let request =
        BuildRequest { what: what.clone(), name: name.clone(), since: since.clone(), when: context.now };
    let done = operations::build_add(context.root(), &request)?;
    context.screen.tell(&done, |width| report::build(&done, width, &context.command()));
    Ok(Exit::Done)
}
