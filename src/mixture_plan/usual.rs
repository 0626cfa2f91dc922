//! What a use means where the file does not say otherwise.

use super::keys::Use;
use crate::table::LoadAxis;

/// The regions of a use; loads in the axis' unit, speeds as shares of the rev limit.
///
/// Common practice, no source: stoichiometric idle and cruise, and for power 12 to 13.5:1 on petrol,
/// the earlier and the richer the more the use asks for.
pub(super) struct Usual {
    pub idle_lambda: f64,
    pub idle_load: f64,
    pub cruise_lambda: f64,
    /// None where the use has no lean region.
    pub economy_lambda: Option<f64>,
    pub economy_load: [f64; 2],
    pub power_lambda: f64,
    pub from_load: f64,
    pub full_load: f64,
}

/// Up to where an engine idles, as a share of the rev limit. Common practice, no source.
pub(super) const IDLE_RPM_SHARE: f64 = 0.20;
/// The speeds of a lean cruise, as shares of the rev limit. Common practice, no source.
pub(super) const ECONOMY_RPM_SHARE: [f64; 2] = [0.28, 0.68];
/// Most lambda between neighbouring cells. Common practice, no source: so that the engine does not
/// feel one cell after the other.
pub(super) const LAMBDA_PER_CELL: f64 = 0.04;

impl Usual {
    pub fn of(wanted: Use, axis: LoadAxis) -> Self {
        let economy_lambda = match wanted {
            Use::Power => None,
            Use::Touring => Some(1.02),
            Use::Economy => Some(1.05),
        };
        let power_lambda = match wanted {
            Use::Power => 0.87,
            Use::Touring => 0.88,
            Use::Economy => 0.90,
        };
        let [from_load, full_load] = match (axis, wanted) {
            (LoadAxis::ThrottlePct, Use::Power) => [25.0, 60.0],
            (LoadAxis::ThrottlePct, Use::Touring) => [28.0, 65.0],
            (LoadAxis::ThrottlePct, Use::Economy) => [30.0, 70.0],
            (LoadAxis::MapKpa, Use::Power) => [55.0, 80.0],
            (LoadAxis::MapKpa, Use::Touring) => [60.0, 85.0],
            (LoadAxis::MapKpa, Use::Economy) => [62.0, 88.0],
        };
        let (idle_load, economy_load) = match axis {
            LoadAxis::ThrottlePct => (4.0, [5.0, 25.0]),
            LoadAxis::MapKpa => (35.0, [25.0, 55.0]),
        };
        Self {
            idle_lambda: 1.0,
            idle_load,
            cruise_lambda: 1.0,
            economy_lambda,
            economy_load,
            power_lambda,
            from_load,
            full_load,
        }
    }
}
