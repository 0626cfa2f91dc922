//! `rideloop demo`

use super::outcome::Exit;
use super::progress::RideBar;
use super::{Context, Result, page_file, season};
use crate::bike::REPORTS_FOLDER;
use crate::operations::OperationError;
use crate::{operations, report};
use std::path::PathBuf;

/// Go round the whole loop on an invented bike: simulate a ride, run, commit, again.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop demo\n  rideloop demo /tmp/fernhill")]
pub(super) struct Args {
    /// A folder that does not exist yet; without it a fresh one among the temporary files.
    dir: Option<PathBuf>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let root = args.dir.clone().unwrap_or_else(fresh_folder);
    // Until its first rides are looked at, and while it rides and writes, a request waits.
    let bar = RideBar::with_stop(context);
    let mut told = |round: &operations::DemoRound| {
        // Only now is it known that the folder could be made.
        if round.round == 1 {
            context.screen.say(&report::demo_head(&root.display().to_string()));
        }
        context.screen.say(&report::demo_round(round));
    };
    let done = operations::demo(&root, context.now, &bar, &mut told)?;
    let folder = root.join(REPORTS_FOLDER);
    std::fs::create_dir_all(&folder).map_err(|error| OperationError::io("make", &folder, &error))?;
    let page = folder.join("season.html");
    let made = || season::page(context, &root, None);
    page_file::put(context, &page, made)?;
    context.screen.tell(&done, |_| report::demo_end(&done, &page.display().to_string()));
    Ok(Exit::Done)
}

/// The first free name among the temporary files.
fn fresh_folder() -> PathBuf {
    let base = std::env::temp_dir();
    let named = |n: u32| base.join(format!("rideloop-demo-{n}"));
    (1..).map(named).find(|path| !path.exists()).unwrap_or_else(|| named(0))
}
