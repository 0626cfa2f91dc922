//! `rideloop cell`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::{operations, report};

/// One cell through all revisions: value, evidence, which rides, which limit held it.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop cell 3500 14\n\nBetween cells the nearest one answers.")]
pub(super) struct Args {
    /// Engine speed, 1/min.
    #[arg(value_name = "RPM", allow_negative_numbers = true, value_parser = super::finite)]
    rpm: f64,
    /// Load, in the unit of the table's axis.
    #[arg(value_name = "LOAD", allow_negative_numbers = true, value_parser = super::finite)]
    load: f64,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let found = operations::cell(&bike, args.rpm, args.load, args.slot.as_deref())?;
    context.screen.tell(&found, |width| report::cell(&found, width));
    Ok(Exit::Done)
}
