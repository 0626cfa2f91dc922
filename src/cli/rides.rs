//! `rideloop rides`

use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OpenBike;
use crate::report;
use serde_json::json;

/// The register: which rides count, which are set aside, and why.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop rides")]
pub(super) struct Args {}

pub(super) fn main(context: &Context, _args: &Args) -> Result {
    let bike = OpenBike::open(context.root())?;
    let register = &bike.register;
    context.screen.tell(&json!({ "rides": register.rides() }), |width| report::register(register, width));
    Ok(Exit::Done)
}
