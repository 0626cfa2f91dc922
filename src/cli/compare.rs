//! `rideloop compare`

use super::outcome::Exit;
use super::{Context, Result, page_file, power};
use crate::operations::{CompareRequest, OpenBike};
use crate::report::page;
use crate::{operations, report};
use std::path::PathBuf;

/// The bike before and after, for its owner: what was changed, the maps, power curves, rides and
/// cautions; as a page with --html. Reads only.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop compare --html before-and-after.html\n  \
                        rideloop compare b1 b2 --slot power\n  \
                        rideloop compare r1 r9 --power dyno/before.csv --power dyno/after.csv --html page.html\n\n\
                        A point is a revision (r5), a build (its last revision), or POINT:SLOT. The options of \
                        bike, road and air are those of `rideloop power`, and matter only for pulls.")]
pub(super) struct Args {
    /// The point before; without it the first revision.
    #[arg(value_name = "FROM")]
    from: Option<String>,
    /// The point after; without it the newest revision.
    #[arg(value_name = "TO")]
    to: Option<String>,
    /// One slot only; without it all that both sides have.
    #[arg(long, value_name = "NAME")]
    slot: Option<String>,
    /// A dyno sheet or a ride with pulls, the one before first; once a file.
    #[arg(long, value_name = "FILE")]
    power: Vec<PathBuf>,
    /// Write it as a page for the bike's owner: one file that needs no network, and prints. A file of
    /// that name is replaced.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    #[command(flatten)]
    how: power::How,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let request = CompareRequest {
        from: args.from.clone(),
        to: args.to.clone(),
        slot: args.slot.clone(),
        power: args.how.request(args.power.clone()),
    };
    let compare = || operations::compare(&OpenBike::open(context.root())?, context.root(), &request);
    let Some(file) = &args.html else {
        let told = compare()?;
        context.screen.tell(&told, |width| report::compare(&told, width));
        return Ok(Exit::Done);
    };
    page_file::write(context, file, || {
        let told = compare()?;
        page_file::draw(context, |about| page::compare(&told, about))
    })
}
