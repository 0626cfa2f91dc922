//! The lambda delay that the rides found, in one line.

use crate::pipeline::CommonDelay;
use crate::units;

/// The delay of all rides together.
pub(super) fn delay(common: &CommonDelay) -> String {
    let parts = format!(
        "{} cycles, {} ml, {} s lag",
        units::fixed(common.cycles, 1),
        units::fixed(common.transport_ml, 0),
        units::fixed(common.lag_s, 2)
    );
    let at = format!(
        "{} s ± {} at the usual point ({parts})",
        units::fixed(common.typical_s, 2),
        units::fixed(common.typical_std_error_s, 2)
    );
    let kept = units::counted(common.usual_kept, "ride");
    match (common.rides, common.usual_kept) {
        (0, 1) => format!("lambda delay: the usual one serves, {at}: {kept} with too few transients to tell"),
        (0, _) => {
            format!("lambda delay: the usual one serves, {at}: {kept}, all with too few transients to tell")
        }
        (n, 0) => format!("lambda delay found: {at}, from {}", units::counted(n, "ride")),
        (n, _) => format!(
            "lambda delay found: {at}, from {}; for {kept} with too few transients to tell the usual one serves",
            units::counted(n, "ride")
        ),
    }
}
