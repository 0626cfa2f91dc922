//! `rideloop gaps`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::{GapsRequest, OpenBike};
use crate::{operations, report};

/// What to ride next: the points that matter and are not well known.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop gaps\n  rideloop gaps --speed-limit-kph 80\n  rideloop gaps --dyno\n\n\
                        Ranked by how often the bike is there times how unsure its cell is. Points at high load \
                        are never suggested for the road."
)]
pub(super) struct Args {
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// How many points.
    #[arg(long, value_name = "N", default_value_t = 8)]
    most: usize,
    /// The fastest your roads allow; gears are chosen to stay below.
    #[arg(long, value_name = "KM/H", default_value_t = 100.0, value_parser = speed)]
    speed_limit_kph: f64,
    /// A dyno is at hand: list high load as well.
    #[arg(long)]
    dyno: bool,
}

fn speed(text: &str) -> std::result::Result<f64, String> {
    match super::finite(text)? {
        speed if (20.0..=300.0).contains(&speed) => Ok(speed),
        _ => Err("a speed limit lies between 20 and 300 km/h".to_owned()),
    }
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let request = GapsRequest {
        slot: args.slot.clone(),
        most: args.most,
        speed_limit_kph: args.speed_limit_kph,
        dyno: args.dyno,
    };
    let found = operations::gaps(&bike, &request)?;
    context.screen.tell(&found, |width| report::gaps(&found, width));
    Ok(Exit::Done)
}
