//! The ratio of variances against the same recursions run through scipy.

use crate::compare::{assert_close, read};
use rideloop::pipeline::{RatioFilters, variance_ratio};
use serde::Deserialize;

#[derive(Deserialize)]
struct Reference {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    name: String,
    values: Vec<f64>,
    mean: f64,
    deviation: f64,
    step: f64,
    noise: f64,
    ratio: Vec<f64>,
}

/// Source: `scipy.signal.lfilter` in `make_reference.py`. Tolerance: sixty steps
/// of three short recursions lose a few units in the last place.
#[test]
fn the_variance_ratio_agrees_with_scipy() {
    let reference: Reference = read(include_str!("steady_state.json"));
    assert_eq!(reference.cases.len(), 8);
    for case in &reference.cases {
        let filters = RatioFilters { mean: case.mean, deviation: case.deviation, step: case.step };
        let got = variance_ratio(&case.values, filters, case.noise);
        assert_eq!(got.len(), case.ratio.len());
        for (k, (got, want)) in got.iter().zip(&case.ratio).enumerate() {
            assert_close(&format!("{}, value {k}", case.name), *got, *want, 1e-11);
        }
    }
}
