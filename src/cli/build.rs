//! `rideloop build`

use super::outcome::Exit;
use super::questions::measured;
use super::{Context, Result};
use crate::bike::HARDWARE_CHANGES;
use crate::operations::BuildRequest;
use crate::operations::calc::quantity::TEMPERATURE_STEP;
use crate::{operations, report};
use clap::Subcommand;
use clap::builder::PossibleValuesParser;

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
                            rideloop build add \"sharper cams, open filter\" --changed cams,air-filter\n  \
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
        /// The same in known words, for a verdict: whether the stock controller's own adaption
        /// covers it, and what it asks for.
        #[arg(long, value_name = "CHANGE", value_delimiter = ',', value_parser = PossibleValuesParser::new(change_names()))]
        changed: Vec<String>,
        /// What a device adds to the reading of the air temperature, °C: -10 reads colder and
        /// enriches every cell. It stays with the builds after this one; 0 says that it is gone.
        #[arg(long, value_name = "C", allow_negative_numbers = true, value_parser = measured(&TEMPERATURE_STEP, [-60.0, 60.0]))]
        air_temp_bias_c: Option<f64>,
    },
}

/// The words for known changes.
pub(super) fn change_names() -> impl Iterator<Item = &'static str> {
    HARDWARE_CHANGES.iter().map(|change| change.name)
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let Deed::Add { what, name, since, changed, air_temp_bias_c } = &args.deed;
    let request = BuildRequest {
        what: what.clone(),
        name: name.clone(),
        since: since.clone(),
        changed: changed.clone(),
        air_temp_bias_c: *air_temp_bias_c,
        when: context.now,
    };
    let done = operations::build_add(context.root(), &request)?;
    context.screen.tell(&done, |width| report::build(&done, width, &context.command()));
    Ok(Exit::Done)
}
