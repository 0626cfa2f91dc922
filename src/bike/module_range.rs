//! What an add-on module can hold.

use super::config::Controller;

/// So that a value on an end keeps it, whatever binary fractions say.
const SLACK: f64 = 1e-9;

/// Whether a value lies outside of a range and did not lie further out before; what lies outside
/// already may come nearer.
pub fn is_further_out([low, high]: [f64; 2], before: Option<f64>, after: f64) -> bool {
    (after < low - SLACK && before.is_none_or(|before| after < before))
        || (after > high + SLACK && before.is_none_or(|before| after > before))
}

impl Controller {
    /// Whether an add-on module cannot hold a trim, in %, that is further out than the one before.
    pub fn is_beyond_module(&self, before: Option<f64>, trim_pct: f64) -> bool {
        self.trim_range_pct.is_some_and(|range| is_further_out(range, before, trim_pct))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_outside_may_come_nearer_and_an_end_is_inside() {
        let range = [-20.0, 30.0];
        for (before, after, out) in [
            (None, 30.0, false),
            (None, 0.1 + 29.9, false),
            (None, 30.5, true),
            (Some(40.0), 35.0, false),
            (Some(30.0), 35.0, true),
            (Some(-25.0), -22.0, false),
            (Some(-21.0), -22.0, true),
            (Some(40.0), -22.0, true),
        ] {
            assert_eq!(is_further_out(range, before, after), out, "{before:?} {after}");
        }
    }
}
