//! What else is worth knowing of a run.

use super::open::{AtHand, OpenBike};
use super::rides::{RideStanding, UsableRide};
use crate::blend::{CellProposal, Hold, Proposal};
use crate::pipeline::{Plan, RideChoice};
use crate::units;

/// What is worth knowing of the rides as a whole.
pub(super) fn ride_notes(bike: &OpenBike, plan: &Plan, found: &[RideStanding]) -> Vec<String> {
    let mut notes = Vec::new();
    let missing = bike.missing_rides(found);
    if plan.rides == RideChoice::Build && !missing.is_empty() {
        let place = match bike.at_hand {
            AtHand::Collected(_) => "are not in the evidence",
            AtHand::Logs | AtHand::Settled(_) => "are no longer in the folder",
        };
        notes.push(format!("rides that counted before {place} and no longer count: {}", missing.join(", ")));
    }
    if bike.folder.bike.shares_breathing() && bike.folder.bike.slots.len() > 1 {
        notes.push("slots share their breathing: rides of every slot count".to_owned());
    }
    if bike.build_start().is_none() && !bike.revisions.is_empty() {
        let build = bike.folder.builds.current();
        notes.push(format!("build {build} has no revision yet: new rides are taken as ridden on it"));
    }
    notes
}

/// What to say where the slot that was told is that of no ride, and some are known as made on
/// another.
pub(super) fn told_in_vain(bike: &OpenBike, told: Option<&str>, found: &[RideStanding]) -> Option<String> {
    let told = told?;
    let known = |standing: &RideStanding| bike.register.by_hash(standing.sha256()?)?.told_slot();
    let taken = |standing: &RideStanding| match standing {
        RideStanding::Usable(ride) => ride.slot == told && known(standing).is_none(),
        RideStanding::PassedOver { .. } => false,
    };
    let others = || found.iter().filter(|standing| known(standing).is_some_and(|slot| slot != told));
    let first = others().next().filter(|_| !found.iter().any(taken))?;
    let name = match first {
        RideStanding::Usable(UsableRide { name, .. }) | RideStanding::PassedOver { name, .. } => name,
    };
    let more = match others().count() - 1 {
        0 => String::new(),
        n => format!(" and {}", units::counted(n, "other ride")),
    };
    Some(format!(
        "--ridden-on {told} is for rides of which nobody told the slot; {name}{more} counted as made on another: \
         `rideloop rides correct {name} --slot {told} --why \"…\"` corrects that"
    ))
}

/// What to say of the cells that the controller trims by itself.
pub(super) fn left_to_controller(proposal: &Proposal) -> Option<String> {
    let governed = proposal.cells_governed();
    (governed > 0).then(|| {
        format!(
            "{} left to the controller: bike.yaml says that it trims there by itself and does not log by how \
             much, so a change would be trimmed away again",
            match governed {
                1 => "1 cell is".to_owned(),
                n => format!("{n} cells are"),
            }
        )
    })
}

/// What to say of the cells where the rides want more or less than the add-on module can hold.
pub(super) fn at_module_end(proposal: &Proposal, range: Option<[f64; 2]>) -> Vec<String> {
    let Some([least, most]) = range else { return Vec::new() };
    let held = || proposal.cells.iter().filter(|cell| cell.held_by == Some(Hold::ModuleRange));
    let wants_more = |cell: &&CellProposal| cell.evidence.is_some_and(|e| e.required > cell.before);
    let more = held().filter(wants_more).count();
    let less = held().count() - more;
    let says = |n: usize, end: f64, can: &str| {
        (n > 0).then(|| {
            format!(
                "{} at the module's end of {} %: it can {can} there; the stock map, the injectors or the fuel \
                 pressure must change",
                if n == 1 { "1 cell stands".to_owned() } else { format!("{n} cells stand") },
                if end > 0.0 { format!("+{}", units::plain(end)) } else { units::plain(end) }
            )
        })
    };
    says(more, most, "add no more").into_iter().chain(says(less, least, "take no more away")).collect()
}
