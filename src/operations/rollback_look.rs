//! What a rollback would do to the engine, before it is done.
//!
//! Today's tables and those that are to come back enter; counts, cautions and the
//! refusal of a sudden spark advance leave. Going back to fuel the engine had is what
//! a rollback is for, so leaning is told and not refused.

use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::{SlotTables, TableRole};
use crate::blend::by_hand::{HandGuard, HandInput, SPARK_STEP_DEG, cautions};
use crate::blend::{Blending, Refusal};
use crate::ledger::Revision;
use crate::table::{Table, TableDiff};
use crate::units;

/// What would change besides fuel, and what to be careful with.
#[derive(Debug, Default)]
pub(super) struct RollbackLook {
    pub mixture_cells: usize,
    pub spark_cells: usize,
    /// Cells that are locked today and change all the same.
    pub locked_cells: usize,
    pub cautions: Vec<String>,
    /// The largest advance of a cell, degrees, with where it is.
    spark_advance: Option<(f64, String)>,
}

/// Looks at the slots that go back to a revision.
///
/// # Errors
/// When the revision's tables cannot be read.
pub(super) fn look(
    bike: &OpenBike,
    target: &Revision,
    slots: &[String],
) -> Result<RollbackLook, OperationError> {
    let mut look = RollbackLook::default();
    for slot in slots {
        let (today, then) = (bike.today(slot), bike.tables_at(&target.commit, slot)?);
        look.mixture_cells += TableDiff::between(&today.mixture, &then.mixture).cells_changed();
        look.locked_cells += locked_changes(today, &then);
        match (&today.spark, &then.spark) {
            (Some(now), Some(back)) => {
                look.spark_cells += TableDiff::between(now, back).cells_changed();
                look.advance(now, back, slot);
            }
            (Some(_), None) => look.cautions.push(format!(
                "{} goes: {} did not hold it; what the controller fires by then is not ours to say",
                TableRole::Spark.path(slot),
                target.name()
            )),
            (None, _) => {}
        }
        let input = HandInput {
            before: Some(today),
            after: &then,
            start: None,
            spark_before: today.spark.as_ref(),
            spark_start: None,
            others: &[],
            ridden: None,
            controller: &bike.folder.bike.controller,
            controller_before: &bike.folder.bike.controller,
            settings: &Blending::default(),
        };
        look.cautions.extend(cautions(&input));
    }
    if look.locked_cells > 0 {
        look.cautions.push(format!(
            "{} that are locked today go back as well; the locks stay",
            units::counted(look.locked_cells, "cell")
        ));
    }
    look.cautions.dedup();
    Ok(look)
}

/// Locked cells that another table would change.
fn locked_changes(today: &SlotTables, then: &SlotTables) -> usize {
    let changed = |rpm: f64, load: f64| {
        TableRole::ALL.into_iter().any(|role| match (today.table(role), then.table(role)) {
            (Some(now), Some(back)) => now.at(rpm, load) != back.at(rpm, load),
            _ => false,
        })
    };
    let grid = &today.fuel.grid;
    let points = (0..grid.cells()).map(|cell| grid.point(cell));
    points.filter(|(rpm, load)| today.lock_of(*rpm, *load).is_some() && changed(*rpm, *load)).count()
}

impl RollbackLook {
    /// Notes the largest advance between two tables, at the breakpoints of both.
    fn advance(&mut self, now: &Table, back: &Table, slot: &str) {
        for grid in [&now.grid, &back.grid] {
            for (rpm, load) in (0..grid.cells()).map(|cell| grid.point(cell)) {
                let by = back.at(rpm, load) - now.at(rpm, load);
                if by > self.spark_advance.as_ref().map_or(0.0, |(most, _)| *most) {
                    let place = format!("{slot}, {} rpm, load {}", units::plain(rpm), units::plain(load));
                    self.spark_advance = Some((by, place));
                }
            }
        }
    }

    /// Refuses a spark advance larger than a step by hand may be.
    ///
    /// # Errors
    /// `spark_step`.
    pub(super) fn refuse_advance(&self) -> Result<(), Refusal> {
        // A sum of tenths is no whole number of them.
        const SLACK_DEG: f64 = 1e-9;
        match &self.spark_advance {
            Some((by, place)) if *by > SPARK_STEP_DEG + SLACK_DEG => Err(Refusal {
                guard: HandGuard::SparkStep.name(),
                saw: format!(
                    "spark would be advanced by up to {} degrees at once ({place})",
                    units::fixed(*by, 1)
                ),
                look_at: format!(
                    "why it was retarded: knock, other fuel, heat. Where that is over, `--advance-spark` takes the \
                     old table back at once; `rideloop edit add 1 --table spark` goes by steps of {} degree",
                    units::fixed(SPARK_STEP_DEG, 0)
                ),
            }),
            _ => Ok(()),
        }
    }

    /// Whether spark comes forward further than a step.
    pub(super) fn advances(&self) -> bool {
        self.refuse_advance().is_err()
    }
}
