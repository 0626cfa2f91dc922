//! Channels that are logged less often than there are rows.

use super::mapping::Sparse;

/// Fills up what is missing between a channel's own values, row by row.
///
/// Units: `times` in s, one a row; rows without a time are passed over.
pub fn fill(values: &mut [f64], times: &[f64], sparse: Sparse) {
    match (sparse.hold_s, sparse.interpolate_s) {
        (Some(hold_s), _) => hold(values, times, hold_s),
        (None, Some(apart_s)) => interpolate(values, times, apart_s),
        (None, None) => {}
    }
}

fn hold(values: &mut [f64], times: &[f64], hold_s: f64) {
    let mut last: Option<(f64, f64)> = None;
    for (value, time) in values.iter_mut().zip(times) {
        match last {
            _ if !value.is_nan() => last = Some((*time, *value)),
            Some((then, held)) if (0.0..=hold_s).contains(&(time - then)) => *value = held,
            _ => {}
        }
    }
}

fn interpolate(values: &mut [f64], times: &[f64], apart_s: f64) {
    let own: Vec<usize> = (0..values.len()).filter(|i| !values[*i].is_nan() && !times[*i].is_nan()).collect();
    for pair in own.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let between_s = times[b] - times[a];
        if b == a + 1 || !(between_s > 0.0 && between_s <= apart_s) {
            continue;
        }
        for i in a + 1..b {
            let share = (times[i] - times[a]) / between_s;
            if (0.0..=1.0).contains(&share) {
                values[i] = values[a] + share * (values[b] - values[a]);
            }
        }
    }
}

/// The same for names, which are held.
pub fn hold_names(names: &mut [Option<String>], times: &[f64], hold_s: f64) {
    let mut last: Option<(f64, String)> = None;
    for (name, time) in names.iter_mut().zip(times) {
        match (&name, &last) {
            (Some(own), _) => last = Some((*time, own.clone())),
            (None, Some((then, held))) if (0.0..=hold_s).contains(&(time - then)) => {
                *name = Some(held.clone())
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GAP: f64 = f64::NAN;

    fn filled(values: &[f64], times: &[f64], sparse: Sparse) -> Vec<String> {
        let mut values = values.to_vec();
        fill(&mut values, times, sparse);
        values.iter().map(|v| if v.is_nan() { "-".to_owned() } else { v.to_string() }).collect()
    }

    #[test]
    fn a_value_holds_for_its_time_and_no_longer() {
        let held = Sparse { hold_s: Some(0.2), interpolate_s: None };
        let times = [0.0, 0.1, 0.2, 0.3, 0.4, 0.1, GAP];
        assert_eq!(
            filled(&[GAP, 5.0, GAP, GAP, GAP, GAP, GAP], &times, held),
            ["-", "5", "5", "5", "-", "5", "-"]
        );
    }

    #[test]
    fn a_line_joins_values_that_are_near_and_ends_at_the_last() {
        let line = Sparse { hold_s: None, interpolate_s: Some(0.4) };
        let times = [0.0, 0.1, 0.2, 0.4, 0.5, 1.0, 1.1];
        assert_eq!(
            filled(&[1.0, GAP, GAP, 5.0, GAP, 7.0, GAP], &times, line),
            ["1", "2", "3", "5", "-", "7", "-"]
        );
    }
}
