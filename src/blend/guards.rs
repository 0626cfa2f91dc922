//! Looks at the whole proposal and says no when it cannot be right.

use super::{Blending, CellProposal, Hold, Proposal};
use crate::bike::FuelTableKind;
use crate::evidence::weighted_median;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;

/// A refusal: which guard, what it saw, what to look at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema, thiserror::Error)]
#[error("{saw}")]
pub struct Refusal {
    /// The guard's name.
    pub guard: &'static str,
    /// What it saw.
    pub saw: String,
    /// What to look at.
    pub look_at: String,
}

/// Below so many cells a share says nothing. Common practice, no source.
const CELLS_FOR_A_SHARE: usize = 8;

/// Refuses a proposal that cannot be right as a whole.
///
/// # Errors
/// `implausible_correction` when the median correction is too large;
/// `too_many_at_limit` when too many cells stop at a limit.
pub fn refuse(proposal: &Proposal, kind: FuelTableKind, settings: &Blending) -> Result<(), Refusal> {
    implausible_correction(proposal, kind, settings)?;
    too_many_at_limit(proposal, settings)
}

fn implausible_correction(
    proposal: &Proposal,
    kind: FuelTableKind,
    settings: &Blending,
) -> Result<(), Refusal> {
    let mut corrections: Vec<(f64, f64)> = proposal
        .cells
        .iter()
        .filter_map(|c| c.evidence.map(|e| (kind.change_pct(c.before, e.required), e.weight_s)))
        .filter(|(change, _)| change.is_finite())
        .collect();
    let median = weighted_median(&mut corrections).unwrap_or_default();
    if median.abs() <= settings.median_correction_pct {
        return Ok(());
    }
    Err(Refusal {
        guard: "implausible_correction",
        saw: format!(
            "the median correction is {} % fuel, more than the {} % a run may ask for",
            units::signed(median, 1),
            units::plain(settings.median_correction_pct)
        ),
        look_at: "a wrong fuel in bike.yaml, lambda logged in another unit, a dead sensor, an exhaust leak, \
                  or rides filed under the wrong revision"
            .to_owned(),
    })
}

fn too_many_at_limit(proposal: &Proposal, settings: &Blending) -> Result<(), Refusal> {
    // Inferred cells stop at limits of their own and would hide the others.
    let speaks = |c: &&CellProposal| c.evidence.is_some() && c.held_by != Some(Hold::Inferred);
    let judged = proposal.cells.iter().filter(speaks);
    let judged: Vec<_> =
        judged.filter(|c| c.before != c.after || c.held_by.is_some_and(|h| h.is_limit())).collect();
    let at_limit = judged.iter().filter(|c| c.held_by.is_some_and(|h| h.is_limit())).count();
    let share = at_limit as f64 / judged.len().max(1) as f64 * 100.0;
    if judged.len() < CELLS_FOR_A_SHARE || share <= settings.cells_at_limit_pct {
        return Ok(());
    }
    Err(Refusal {
        guard: "too_many_at_limit",
        saw: format!(
            "{at_limit} of the {} cells that want to move stop at a limit ({share:.0} %, at most {} % may)",
            judged.len(),
            units::plain(settings.cells_at_limit_pct)
        ),
        look_at: "whether the bike still has the hardware builds.yaml names and the rides belong to these \
                  tables; after a change of hardware start a new build and use the first-ride pipeline"
            .to_owned(),
    })
}

#[cfg(test)]
mod tests {
    use super::super::propose::tests::{run_from, sure, tables};
    use super::*;

    fn guard(required: f64, settings: &Blending) -> Option<&'static str> {
        let today = tables(vec![50.0; 9]);
        let evidence = vec![Some(sure(required)); 9];
        refuse(&run_from(&today, &today.fuel, &evidence, settings), FuelTableKind::VePct, settings)
            .err()
            .map(|r| r.guard)
    }

    #[test]
    fn refuses_what_no_engine_needs() {
        let settings = Blending::default();
        assert_eq!(guard(52.0, &settings), None);
        assert_eq!(guard(50.0 * 14.7, &settings), Some("implausible_correction"));
        assert_eq!(guard(20.0, &settings), Some("implausible_correction"));
        assert_eq!(guard(60.0, &settings), Some("too_many_at_limit"));
    }
}
