//! Power and torque over engine speed, from pulls on the road or a dyno's sheet, with their
//! uncertainty; and what two such curves say about each other.
//!
//! A log enters as a [`Trace`], leaves as pulls ([`find_pulls`]), and the vehicle with the day's
//! conditions ([`Conditions`]) makes a [`Curve`] of them. All functions here are pure.
//!
//! Uncertainties are standard ones (one standard deviation) and combined as in the GUM,
//! JCGM 100:2008, section 5: through the derivative by each input, independent inputs in
//! quadrature, an input that two curves share with its sign. Bands are [`COVERAGE`] of them wide.

mod compare;
mod conditions;
mod curve;
mod dyno;
mod local_polynomial;
mod pulls;

pub use compare::{Comparison, Gain, GainAt, compare};
pub use conditions::{Cause, Conditions, Correction, Known};
pub use curve::{Curve, CurvePart, CurvePoint, ScaleFrom, Trodden, of_pulls};
pub use dyno::{DynoTrust, of_sheet};
pub use local_polynomial::{Local, fit, noise_sd};
pub use pulls::{FoundPulls, Pull, PullRules, REASONS, Trace, find_pulls};

/// Bands are so many standard uncertainties wide to either side: about 95 % where errors are
/// normally distributed (JCGM 100:2008, 6.3.3).
pub const COVERAGE: f64 = 2.0;

/// Radians a second in a turn a minute.
const RAD_S_PER_RPM: f64 = std::f64::consts::TAU / 60.0;

/// Torque of a power at an engine speed.
///
/// Units: kW and 1/min in, N m out.
pub fn torque_nm(power_kw: f64, rpm: f64) -> f64 {
    power_kw * 1000.0 / (rpm * RAD_S_PER_RPM)
}

/// Power of a torque at an engine speed.
///
/// Units: N m and 1/min in, kW out.
pub fn power_kw(torque_nm: f64, rpm: f64) -> f64 {
    torque_nm * rpm * RAD_S_PER_RPM / 1000.0
}
