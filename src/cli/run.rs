//! `rideloop run`

use super::outcome::{CliError, Exit};
use super::progress::RideBar;
use super::{Context, Result};
use crate::blend::Refusal;
use crate::operations::{OperationError, RunRequest};
use crate::pipeline::DEFAULT_PIPELINE;
use crate::{operations, report};
use schemars::JsonSchema;
use serde::Serialize;
use std::path::PathBuf;

/// Turn rides into evidence, and evidence into the next revision of the fuel map.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  rideloop run --dry-run                see what the new rides ask for\n  \
                        rideloop run                          make the next revision\n  \
                        rideloop run --pipeline first-ride rides/r1/first.csv\n  \
                        rideloop run --evidence evidence.parquet\n\n\
                        A ride that does not lie in rides/r<N>/ counts as made on the newest revision."
)]
pub(super) struct Args {
    /// The pipeline: one of pipelines/, or road, dyno, first-ride.
    #[arg(long, value_name = "NAME", default_value = DEFAULT_PIPELINE)]
    pipeline: String,
    /// The slot; without it the first of bike.yaml.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// The slot that rides were made on whose log and register do not tell it; for slots that
    /// share their breathing.
    #[arg(long, value_name = "NAME")]
    ridden_on: Option<String>,
    /// Run though the fuel table waits for `rideloop rescale`: the hardware is what it was made
    /// for, and bike.yaml was only put right.
    #[arg(long)]
    unscaled: bool,
    /// Show it all and write nothing.
    #[arg(long)]
    dry_run: bool,
    /// Read every ride anew, and keep nothing of it for the next run.
    #[arg(long)]
    no_cache: bool,
    /// Take what `rideloop evidence` collected in the place of the logs.
    #[arg(long, value_name = "FILE", conflicts_with = "rides")]
    evidence: Option<PathBuf>,
    /// Rides or folders of rides; without them the bike's own rides/.
    #[arg(value_name = "RIDE_OR_FOLDER")]
    rides: Vec<PathBuf>,
}

/// A run that a guard refused before it looked at a ride.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct RunRefusal {
    /// It made none.
    revision: (),
    /// It made none.
    commit: (),
    /// The slot that was asked for.
    slot: Option<String>,
    /// Whether nothing was to be written.
    dry_run: bool,
    /// No ride was read.
    rides: [(); 0],
    /// No cell was looked at.
    cells: [(); 0],
    /// The guard that refused.
    refused: Refusal,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = RunRequest {
        pipeline: args.pipeline.clone(),
        slot: args.slot.clone(),
        ridden_on: args.ridden_on.clone(),
        unscaled: args.unscaled,
        dry_run: args.dry_run,
        rides: args.rides.clone(),
        when: context.now,
        cache: context.cache.clone().filter(|_| !args.no_cache),
    };
    context.interrupts.reads();
    let bar = RideBar::with_stop(context);
    let done = match &args.evidence {
        Some(file) => operations::run_on_evidence(context.root(), &request, file, &bar),
        None => operations::run(context.root(), &request, &bar),
    };
    match done {
        Ok(done) => {
            context.screen.tell(&done, |width| report::run(&done, width, &context.command()));
            Ok(if done.refused.is_some() { Exit::Refused } else { Exit::Done })
        }
        Err(OperationError::Refused(refusal)) if context.screen.json() => {
            // The same keys as a run that got further, so that a script needs one reader.
            context.screen.answer(&RunRefusal {
                revision: (),
                commit: (),
                slot: args.slot.clone(),
                dry_run: args.dry_run,
                rides: [],
                cells: [],
                refused: refusal,
            });
            Ok(Exit::Refused)
        }
        Err(error) => Err(CliError(error)),
    }
}
