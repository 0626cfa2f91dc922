//! Reading the reference files, and the two ways a number may agree with one.

use serde::de::DeserializeOwned;

/// A reference file as the test's own type; keys that no test needs are passed over.
pub fn read<T: DeserializeOwned>(json: &str) -> T {
    serde_json::from_str(json).expect("the reference file holds what the test reads")
}

/// Equal within a share of the wanted value; a wanted zero must be hit exactly.
pub fn assert_close(what: &str, got: f64, want: f64, relative: f64) {
    let off = (got - want).abs();
    assert!(off <= relative * want.abs(), "{what}: got {got}, reference {want}, off by {off:e}");
}

/// Rounds to a printed value: off by at most half of its last digit.
pub fn assert_prints(what: &str, got: f64, printed: f64, decimals: i32) {
    // An exact half may lie a rounding error to either side.
    const EXACT_HALF: f64 = 1.0 + 1e-9;
    let half_digit = 0.5 * 10f64.powi(-decimals);
    let off = (got - printed).abs();
    assert!(off <= half_digit * EXACT_HALF, "{what}: got {got}, printed {printed}, off by {off:e}");
}
