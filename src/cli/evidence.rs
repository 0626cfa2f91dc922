//! `rideloop evidence`

use super::outcome::Exit;
use super::progress::RideBar;
use super::{Context, Result};
use crate::operations::CollectRequest;
use crate::pipeline::DEFAULT_PIPELINE;
use crate::{operations, report};
use clap::Subcommand;
use std::path::PathBuf;

/// What rides say, worked out one by one and merged, so that many machines can share the work.
///
/// `rideloop run --evidence FILE` makes the revision of it.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop evidence collect --out evidence.parquet\n  \
                        rideloop evidence merge one.parquet others/ --out evidence.parquet")]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, Subcommand)]
enum Deed {
    /// Work out what rides say and keep it as Parquet; the bike folder stays as it is.
    #[command(
        after_help = "Example:\n  rideloop evidence collect rides/r1/monday.csv --out monday.parquet\n  \
                            rideloop evidence collect --out evidence/      a file for each ride\n\n\
                            It holds for this bike, its settings and mixture table of today, the tables that \
                            were ridden, one slot, one pipeline and this rideloop."
    )]
    Collect {
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
        /// A file that ends with .parquet takes all rides; a folder takes a file for each.
        #[arg(long, value_name = "FILE_OR_FOLDER")]
        out: PathBuf,
        /// Rides or folders of rides; without them the bike's own rides/.
        #[arg(value_name = "RIDE_OR_FOLDER")]
        rides: Vec<PathBuf>,
    },
    /// Merge evidence of many rides into one file: in any order, a ride twice counts once.
    #[command(
        after_help = "Example:\n  rideloop evidence merge monday.parquet others/ --out evidence.parquet\n\n\
                            No bike folder is needed; the same rides always give the same bytes."
    )]
    Merge {
        /// The file to write.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// Files of `rideloop evidence collect` or `merge`, or folders of them.
        #[arg(value_name = "FILE_OR_FOLDER", required = true)]
        files: Vec<PathBuf>,
    },
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    match &args.deed {
        Deed::Collect { pipeline, slot, ridden_on, out, rides } => {
            let request = CollectRequest {
                pipeline: pipeline.clone(),
                slot: slot.clone(),
                ridden_on: ridden_on.clone(),
                rides: rides.clone(),
                out: out.clone(),
            };
            context.interrupts.reads();
            let bar = RideBar::with_stop(context);
            let done = operations::collect_evidence(context.root(), &request, &bar)?;
            context.screen.tell(&done, |width| report::collected(&done, width));
        }
        Deed::Merge { out, files } => {
            let done = operations::merge_evidence(files, out)?;
            context.screen.tell(&done, |_| report::merged(&done));
        }
    }
    Ok(Exit::Done)
}
