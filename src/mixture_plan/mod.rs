//! Mixture tables made from intent: `mixtures/<slot>.yaml` → the wanted lambda of every cell.
//!
//! The file's text and bike.yaml enter ([`MixturePlan::parse`]); a table on today's axes leaves
//! ([`generate`]), with what was held back in words. Everything is lambda, so that a plan serves
//! any fuel; where a file says AFR, it names the fuel of the gauge.

mod curve;
mod generate;
mod keys;
mod limits;
mod usual;

pub use curve::Curve;
pub use generate::{GeneratedMixture, generate};
pub use keys::{MixturePlan, Use, schema};
pub use limits::{LEAN_LAMBDA_MAX, LeanLimits, POWER_LAMBDA};
