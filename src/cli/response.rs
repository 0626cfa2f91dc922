//! `rideloop response`

use super::outcome::Exit;
use super::progress::RideBar;
use super::{Context, Result};
use crate::operations::{OpenBike, ResponseRequest};
use crate::{operations, report};
use std::path::PathBuf;

/// How lambda follows the throttle: lean or rich on opening and closing, how far and for how long.
///
/// Advice for acceleration fuel, region by region, from the rides of this build. Nothing is
/// changed: acceleration fuel stands in the controller, not in the tables.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop response\n  rideloop response rides/r3/\n  rideloop --json response | jq '.regions[]'\n\n\
                        It takes lively rides with a warm engine, logged at 10 Hz or more: open the throttle from \
                        a steady hand, and hold it for two seconds."
)]
pub(super) struct Args {
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// Rides or folders of rides; without them the bike's own rides/.
    #[arg(value_name = "RIDE_OR_FOLDER")]
    rides: Vec<PathBuf>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let request = ResponseRequest { slot: args.slot.clone(), rides: args.rides.clone() };
    let bar = RideBar::with_stop(context);
    let found = operations::response(&bike, &request, &bar)?;
    context.screen.tell(&found, |width| report::response(&found, width));
    Ok(Exit::Done)
}
