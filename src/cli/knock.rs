//! `rideloop knock`

use super::by_hand::Guards;
use super::outcome::Exit;
use super::progress::RideBar;
use super::questions::ranged;
use super::{Context, Result};
use crate::evidence::FEWEST_EVENTS;
use crate::operations::{HandRequest, KnockRequest};
use crate::{operations, report};
use std::path::PathBuf;

/// Retard the cells of the spark table that knocked, by a set step.
///
/// Counts the logged knock events (`knock_count`) of the build's rides near each cell and brings a
/// cell below the advance at which it knocked. The same rides never retard it twice, and nothing is
/// ever advanced: that is done by hand, with `rideloop edit`, by small steps.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop knock --dry-run\n  rideloop knock --retard-deg 2 --why \"pings on the hill\"\n\n\
                        Knock is heard before it is logged: where it can be heard, close the throttle. The engine \
                        and its fuel are a workshop's business before the table is."
)]
pub(super) struct Args {
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// How far below the advance at which it knocked, degrees.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, default_value_t = 1.5, value_parser = ranged(0.5, 6.0))]
    retard_deg: f64,
    /// Fewer events than this near a cell are taken for noise.
    #[arg(long, value_name = "N", default_value_t = FEWEST_EVENTS, value_parser = clap::value_parser!(u32).range(1..=1000))]
    fewest_events: u32,
    /// Why; it stands in the history. Without it, what was counted.
    #[arg(long, value_name = "TEXT", default_value = "", hide_default_value = true)]
    why: String,
    /// Show it all and write nothing.
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    guards: Guards,
    /// Rides or folders of rides; without them the bike's own rides/.
    #[arg(value_name = "RIDE_OR_FOLDER")]
    rides: Vec<PathBuf>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let reason = super::by_hand::Reason { why: args.why.clone(), dry_run: args.dry_run };
    let hand: HandRequest = super::by_hand::request(context, &reason, Some(&args.guards));
    let request = KnockRequest {
        slot: args.slot.clone(),
        rides: args.rides.clone(),
        retard_deg: args.retard_deg,
        fewest_events: f64::from(args.fewest_events),
        hand,
    };
    context.interrupts.reads();
    let done = operations::knock(context.root(), &request, &RideBar::with_stop(context))?;
    context.screen.tell(&done, |width| report::knock(&done, width, &context.command()));
    Ok(if done.change.refused.is_some() { Exit::Refused } else { Exit::Done })
}
