//! `rideloop rides`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{OpenBike, RideCorrection, RideFate};
use crate::ride::RegisteredRide;
use crate::{operations, report};
use clap::Subcommand;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::PathBuf;

/// The register: which rides count, which are set aside, and why.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop rides\n  rideloop rides set-aside r3/monday.csv --why \"loose sensor\"\n  \
                        rideloop rides take-back r3/monday.csv\n  \
                        rideloop rides correct r3/monday.csv --slot economy --why \"told the wrong slot\""
)]
pub(super) struct Args {
    #[command(subcommand)]
    decision: Option<Decision>,
}

#[derive(Debug, Subcommand)]
enum Decision {
    /// Take a ride out of the evidence; recorded as a revision that changes no table.
    #[command(after_help = "Example:\n  rideloop rides set-aside r3/monday.csv --why \"loose sensor\"")]
    SetAside {
        /// The ride: its name in the register, or a file.
        file: PathBuf,
        /// Why; it stands in the history.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Correct on which slot or revision a ride was made; recorded as a revision that changes no
    /// table. The next run of each slot counts the ride anew, and once.
    #[command(
        after_help = "Example:\n  rideloop rides correct r3/monday.csv --slot economy --why \"told the wrong slot\"\n  \
                            rideloop rides correct monday.csv --made-on r2 --why \"r3 was not in the controller yet\""
    )]
    #[command(group(clap::ArgGroup::new("what").required(true).multiple(true).args(["slot", "made_on"])))]
    Correct {
        /// The ride: its name in the register, or a file.
        file: PathBuf,
        /// The slot it was made on, where its log does not tell.
        #[arg(long, value_name = "NAME")]
        slot: Option<String>,
        /// The revision it was made on, such as r3.
        #[arg(long, value_name = "REVISION")]
        made_on: Option<String>,
        /// Why; it stands in the history.
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Let a ride that was set aside count again.
    #[command(after_help = "Example:\n  rideloop rides take-back r3/monday.csv")]
    TakeBack {
        /// The ride: its name in the register, or a file.
        file: PathBuf,
    },
}

/// The register.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RideList {
    /// The rides, in the order they came.
    rides: Vec<RegisteredRide>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let (file, fate) = match &args.decision {
        None => {
            let bike = OpenBike::open(context.root())?;
            let register = &bike.register;
            let list = RideList { rides: register.rides().to_vec() };
            context.screen.tell(&list, |width| report::register(register, width));
            return Ok(Exit::Done);
        }
        Some(Decision::SetAside { file, why }) => (file, RideFate::SetAside(why.clone())),
        Some(Decision::Correct { file, slot, made_on, why }) => {
            let (slot, revision) = (slot.clone(), made_on.clone());
            (file, RideFate::Correct(RideCorrection { slot, revision, why: why.clone() }))
        }
        Some(Decision::TakeBack { file }) => (file, RideFate::TakeBack),
    };
    let done = operations::decide_ride(context.root(), file, &fate, context.now)?;
    context.screen.tell(&done, |width| report::wrapped(&report::ride_fate(&done), width));
    Ok(Exit::Done)
}
