//! `rideloop` without a command.

use super::outcome::Exit;
use super::{Context, Result};
use crate::bike::BikeFolder;
use crate::operations::OperationError;
use crate::{operations, report};
use schemars::JsonSchema;
use serde::Serialize;

const HOW_TO_START: &str = "\
This is not a bike folder. To start:

  rideloop demo             see the whole loop on an invented bike
  rideloop new DIR          a folder for your bike, computed from its engine data
  rideloop --help           all commands

With a bike folder: go there, or name it with --bike DIR.
";

/// The answer outside a bike folder.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct NoBike {
    /// There is none.
    bike: (),
}

pub(super) fn main(context: &Context) -> Result {
    if !context.root().is_dir() {
        return Err(OperationError::failed(
            format!("there is no folder `{}`", context.root().display()),
            "`rideloop new DIR` makes one",
        )
        .into());
    }
    if !BikeFolder::is_one(context.root()) {
        context.screen.tell(&NoBike { bike: () }, |_| HOW_TO_START.to_owned());
        return Ok(Exit::Done);
    }
    let status = operations::status(context.root(), context.cache.as_deref())?;
    context.screen.tell(&status, |width| report::status(&status, width, &context.command()));
    Ok(Exit::Done)
}
