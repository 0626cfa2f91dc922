//! A first-order lag along the rows of a log.

/// What is left of a first-order lag's past after a step in time.
pub(super) struct Decayed {
    /// Its time constant, s.
    pub tau_s: f64,
    /// `e^(−dt/τ)`; of no account where `tau_s` is not above zero.
    pub left: f64,
}

/// The decay of one time constant. A log's steps are the same few over and over, so
/// each is worked out once.
pub(super) struct Decay {
    tau_s: f64,
    known: [(f64, f64); Self::KNOWN],
}

impl Decay {
    const KNOWN: usize = 64;

    /// Of a time constant, s.
    pub fn new(tau_s: f64) -> Self {
        Self { tau_s, known: [(f64::NAN, f64::NAN); Self::KNOWN] }
    }

    /// What is left after a step in time, s.
    pub fn over(&mut self, dt_s: f64) -> Decayed {
        // Steps of one pace differ in their last bits only; the product spreads these.
        const SPREAD: u64 = 0x9e37_79b9_7f4a_7c15;
        let place = dt_s.to_bits().wrapping_mul(SPREAD) >> (u64::BITS - Self::KNOWN.trailing_zeros());
        let known = &mut self.known[place as usize];
        if known.0 != dt_s {
            *known = (dt_s, (-dt_s / self.tau_s).exp());
        }
        Decayed { tau_s: self.tau_s, left: known.1 }
    }
}

/// A first-order lag along rows in an order of time, exact for values that run
/// straight from row to row; it starts anew, in balance, after a gap.
///
/// Units: s. Source: textbook response of `τ ẏ = x − y` to a ramp.
pub(super) fn lagged(
    time_s: &[f64],
    values: &[f64],
    gap_s: f64,
    order: impl Iterator<Item = usize>,
    mut decayed: impl FnMut(usize, f64) -> Decayed,
) -> Vec<f64> {
    let mut out = vec![f64::NAN; values.len()];
    // Time, value and lagged value of the row before.
    let mut before: Option<(f64, f64, f64)> = None;
    for i in order {
        let x = values[i];
        if !x.is_finite() {
            before = None;
            continue;
        }
        out[i] = x;
        if let Some((before_s, value, lag)) = before {
            let dt_s = (time_s[i] - before_s).abs();
            let Decayed { tau_s, left } = decayed(i, dt_s);
            if tau_s > 0.0 && dt_s <= gap_s {
                let trail = (x - value) / dt_s * tau_s;
                out[i] = x - trail + (lag - value + trail) * left;
            }
        }
        before = Some((time_s[i], x, out[i]));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_is_exact_on_a_ramp_and_starts_anew_after_a_gap() {
        let time: Vec<f64> =
            (0..200).map(|i| f64::from(i) * 0.05 + if i >= 100 { 9.0 } else { 0.0 }).collect();
        let ramp: Vec<f64> = time.iter().map(|t| 2.0 * t).collect();
        let mut decay = Decay::new(0.1);
        let out = lagged(&time, &ramp, 0.5, 0..200, |_, dt_s| decay.over(dt_s));
        assert!((out[99] - (ramp[99] - 0.2)).abs() < 1e-9, "behind by its time constant");
        assert_eq!(out[100], ramp[100]);
    }
}
