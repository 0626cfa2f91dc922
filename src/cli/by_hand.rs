//! What `edit` and `import` take alike, and how they answer.

use super::outcome::Exit;
use super::{Context, Result};
use crate::bike::TableRole;
use crate::blend::by_hand::HandGuard;
use crate::operations::{HandReport, HandRequest};
use crate::pipeline::DEFAULT_PIPELINE;
use crate::report;
use clap::ValueEnum;
use clap::builder::PossibleValuesParser;

/// Which table is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum TableWord {
    /// The fuel table.
    Fuel,
    /// The wanted lambda.
    Mixture,
    /// Ignition advance.
    Spark,
}

impl From<TableWord> for TableRole {
    fn from(word: TableWord) -> Self {
        match word {
            TableWord::Fuel => TableRole::Fuel,
            TableWord::Mixture => TableRole::Mixture,
            TableWord::Spark => TableRole::Spark,
        }
    }
}

/// Why, and whether to write.
#[derive(Debug, clap::Args)]
pub(super) struct Reason {
    /// Why; it stands in the history.
    #[arg(long, value_name = "TEXT")]
    pub why: String,
    /// Show it all and write nothing.
    #[arg(long)]
    pub dry_run: bool,
}

/// What guards a change of cells.
#[derive(Debug, clap::Args)]
pub(super) struct Guards {
    /// The pipeline whose `blend` limits guard the change.
    #[arg(long, value_name = "NAME", default_value = DEFAULT_PIPELINE)]
    pub pipeline: String,
    /// Let this guard stand aside; the history remembers it. Again for another one.
    #[arg(
        long,
        value_name = "GUARD",
        value_parser = PossibleValuesParser::new(HandGuard::that_can_stand_aside())
    )]
    pub despite: Vec<String>,
}

pub(super) fn request(context: &Context, reason: &Reason, guards: Option<&Guards>) -> HandRequest {
    let despite = guards.map(|g| g.despite.as_slice()).unwrap_or_default();
    HandRequest {
        why: reason.why.clone(),
        dry_run: reason.dry_run,
        pipeline: guards.map_or_else(|| DEFAULT_PIPELINE.to_owned(), |g| g.pipeline.clone()),
        despite: despite.iter().filter_map(|name| HandGuard::from_name(name)).collect(),
        when: context.now,
    }
}

pub(super) fn answer(context: &Context, done: &HandReport) -> Result {
    context.screen.tell(done, |width| report::by_hand(done, width, &context.command()));
    Ok(if done.refused.is_some() { Exit::Refused } else { Exit::Done })
}
