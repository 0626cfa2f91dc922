//! `rideloop` without a command.

use super::outcome::Exit;
use super::{Context, Result};
use crate::bike::BikeFolder;
use crate::{operations, report};
use serde_json::json;

const HOW_TO_START: &str = "\
This is no bike folder. To start:

  rideloop demo             see the whole loop on an invented bike
  rideloop new DIR          a folder for your bike, computed from its engine data
  rideloop --help           all commands

With a bike folder: go there, or name it with --bike DIR.
";

pub(super) fn main(context: &Context) -> Result {
    if !BikeFolder::is_one(context.root()) {
        context.screen.tell(&json!({ "bike": null }), |_| HOW_TO_START.to_owned());
        return Ok(Exit::Done);
    }
    let status = operations::status(context.root())?;
    context.screen.tell(&status, |width| report::status(&status, width));
    Ok(Exit::Done)
}
