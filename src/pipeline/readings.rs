//! What a sensor read between two rows.

use std::cell::Cell;

/// The readings of one sensor, rows without one left out.
///
/// It is asked for times that follow each other, and looks from the last one on.
pub struct Readings {
    time_s: Vec<f64>,
    values: Vec<f64>,
    last: Cell<usize>,
}

impl Readings {
    /// The readings that are there.
    pub fn new(time_s: &[f64], values: &[f64]) -> Self {
        let there = time_s.iter().zip(values).filter(|(_, v)| !v.is_nan());
        let (time_s, values) = there.unzip();
        Self { time_s, values, last: Cell::new(0) }
    }

    /// The reading at a time, on the line between its two neighbours; NaN where
    /// these lie too far apart.
    pub fn at(&self, at_s: f64, reach_s: f64) -> f64 {
        let (time_s, values) = (&self.time_s, &self.values);
        let mut after = self.last.get();
        while after < time_s.len() && time_s[after] < at_s {
            after += 1;
        }
        while after > 0 && time_s[after - 1] >= at_s {
            after -= 1;
        }
        self.last.set(after);
        if after == time_s.len() {
            return f64::NAN;
        }
        if time_s[after] == at_s {
            return values[after];
        }
        let Some(before) = after.checked_sub(1) else { return f64::NAN };
        let gap = time_s[after] - time_s[before];
        if gap > reach_s {
            return f64::NAN;
        }
        values[before] + (values[after] - values[before]) * (at_s - time_s[before]) / gap
    }
}
