//! Which limits of a pipeline hold a change by hand less than the usual ones do.

use super::Blending;
use crate::bike::Controller;
use crate::table::LoadAxis;
use crate::units;

/// Each limit that is looser than the usual one, as `step_up_pct 50 instead of 10`.
pub fn looser(settings: &Blending, usual: &Blending, controller: &Controller) -> Vec<String> {
    // The higher each of these, the more passes.
    let mut pairs = vec![
        ("step_up_pct", settings.step_up_pct, usual.step_up_pct),
        ("step_down_pct", settings.step_down_pct, usual.step_down_pct),
        ("high_load_step_down_pct", settings.high_load_step_down_pct, usual.high_load_step_down_pct),
        ("high_load_lambda_max", settings.high_load_lambda_max, usual.high_load_lambda_max),
        ("distance_pct", settings.distance_pct, usual.distance_pct),
        ("steepness_pct", settings.steepness_pct, usual.steepness_pct),
    ];
    pairs.push(match controller.load {
        LoadAxis::ThrottlePct => {
            ("high_load_throttle_pct", settings.high_load_throttle_pct, usual.high_load_throttle_pct)
        }
        LoadAxis::MapKpa => ("high_load_map_kpa", settings.high_load_map_kpa, usual.high_load_map_kpa),
    });
    let mut found: Vec<String> = pairs
        .into_iter()
        .filter(|(_, now, usual)| now > usual)
        .map(|(name, now, usual)| format!("{name} {} instead of {}", units::plain(now), units::plain(usual)))
        .collect();
    let [now, usual] = [settings, usual].map(|settings| settings.cell_range(controller.fuel_table));
    if now[0] < usual[0] || now[1] > usual[1] {
        let text = |range: [f64; 2]| format!("{} to {}", units::plain(range[0]), units::plain(range[1]));
        found.push(format!("cell_range {} instead of {}", text(now), text(usual)));
    }
    found
}
