//! How lean and how rich a plan may ask for, and where.

use crate::table::LoadAxis;
use std::ops::RangeInclusive;

/// Leanest lambda of an economy region. Common practice, no source: petrol engines without
/// stratified charge burn evenly up to about here; beyond it they hesitate and run hot.
pub const LEAN_LAMBDA_MAX: f64 = 1.10;
/// Lambda of the power region. Common practice, no source: 12 to 13.5:1 on petrol; in lambda it
/// serves any fuel.
pub const POWER_LAMBDA: RangeInclusive<f64> = 0.82..=0.92;
/// Richest lambda of the power region that is still taken, with a warning. Common practice, no
/// source: richer ones cost power, foul plugs and wash oil off the bores.
pub(super) const POWER_LAMBDA_MIN: f64 = 0.75;
/// Lambda of the idle: some engines only run evenly a little rich. Common practice, no source.
pub(super) const IDLE_LAMBDA: RangeInclusive<f64> = 0.85..=1.0;
/// Lambda of the cruise: leaner is what `economy` is for. Common practice, no source.
pub(super) const CRUISE_LAMBDA: RangeInclusive<f64> = 0.90..=1.0;
/// Lambda of the economy region.
pub(super) const ECONOMY_LAMBDA: RangeInclusive<f64> = 1.0..=LEAN_LAMBDA_MAX;

/// Lightest loads, and where lean ends. Common practice, no source: a lean mixture burns slowly
/// and hot, which an engine bears while it makes little heat.
const LEAN_THROTTLE_PCT: f64 = 35.0;
const LEAN_MAP_KPA: f64 = 65.0;
/// Engine speeds for lean, as shares of the rev limit. Common practice, no source: slower, the
/// engine bucks; faster, it makes too much heat.
const LEAN_RPM_SHARE: [f64; 2] = [0.20, 0.75];

/// The operating points at which more than lambda 1 may be wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeanLimits {
    /// From and to, 1/min.
    pub rpm: [f64; 2],
    /// Up to here, in the load axis' unit.
    pub load: f64,
}

impl LeanLimits {
    /// Those of an engine.
    ///
    /// Units: rev limit in 1/min.
    pub fn of(rev_limit_rpm: f64, axis: LoadAxis) -> Self {
        let load = match axis {
            LoadAxis::ThrottlePct => LEAN_THROTTLE_PCT,
            LoadAxis::MapKpa => LEAN_MAP_KPA,
        };
        Self { rpm: LEAN_RPM_SHARE.map(|share| (share * rev_limit_rpm).round()), load }
    }

    /// Whether an operating point lies inside, edges included.
    pub fn contain(&self, rpm: f64, load: f64) -> bool {
        (self.rpm[0]..=self.rpm[1]).contains(&rpm) && load <= self.load
    }
}
