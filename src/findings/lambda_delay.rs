//! `lambda_delay`: a delay of the lambda reading that no sound installation has,
//! or on which the rides do not agree.
//!
//! The delay is found in the stage `align`. An old sensor gets slow before it reads
//! wrong, and a probe that sits loose or a clock that drifts shows as rides that
//! differ.

use super::{Finding, FindingEntry, Seen, Severity};
use crate::pipeline::{ComparedDelay, FoundDelay, compare_delays};
use crate::ride::Channel;
use crate::units;

/// What is known of it.
pub static ENTRY: FindingEntry = FindingEntry {
    name: "lambda_delay",
    about: "The delay of the lambda reading, found from the ride, is longer than a sound sensor in its place has, or \
            differs from that of the other rides by more than both errors allow. Only with `delay: estimate`.",
    severity: "serious when lambda fits the ride only at a delay that no sensor has, or at none; warning when the sensor lags by more than 0.2 s, when the gas travels through more than 3500 cm³ of \
               pipe, or from 0.03 s and 3 standard errors off the other rides; a warning on both when there is only \
               one other ride",
    source: "delay and error as the stage `align` finds them; leave-one-out comparison at the rides' common operating \
             point; the limits are common practice, no source",
    look_at: "the lambda sensor's age, soot on it, its thread and plug, a filter in its controller or in the logger, \
              and whether all channels of the log share one clock",
    look: None,
};

/// A smaller difference does no harm: it is less than a row of a usual log. Common practice, no source.
const DIFFERS_S: f64 = 0.03;
const DIFFERS_SIGMAS: f64 = 3.0;

/// What the delays that the rides found say of each ride.
///
/// The rides that differ most are taken out one by one, but never the majority.
///
/// Shape: one entry a ride.
pub fn of_delays(found: &[Option<&FoundDelay>]) -> Vec<Vec<Finding>> {
    let mut findings: Vec<Vec<Finding>> = vec![Vec::new(); found.len()];
    let told = found.iter().flatten().filter(|f| !f.usual_kept).count();
    let mut standing = found.to_vec();
    let mut out = 0;
    loop {
        let compared = compare_delays(&standing);
        let differing =
            |c: &ComparedDelay| c.difference_s().abs() >= DIFFERS_S && c.sigmas().abs() >= DIFFERS_SIGMAS;
        let size = |i: usize| compared[i].filter(differing).map_or(0.0, |c| c.sigmas().abs());
        let worst = (0..standing.len()).max_by(|a, b| size(*a).total_cmp(&size(*b)));
        let Some((worst, seen)) = worst.and_then(|i| Some((i, compared[i].filter(differing)?))) else {
            return findings;
        };
        out += 1;
        if out * 2 < told {
            findings[worst].push(finding(differs(&seen)));
            standing[worst] = None;
            continue;
        }
        for (ride, seen) in compared.iter().enumerate() {
            findings[ride].extend(seen.filter(differing).map(|seen| finding(differs(&seen))));
        }
        return findings;
    }
}

/// What the delay of a ride says by itself.
pub fn of_delay(found: Option<&FoundDelay>) -> Option<Finding> {
    let found = found?;
    let severity = if found.grave { Severity::Serious } else { Severity::Warning };
    let saw = found.doubt.clone()?;
    Some(ENTRY.finding(Seen::new(severity, saw).in_channel(Channel::Lambda)))
}

fn finding(saw: String) -> Finding {
    ENTRY.finding(Seen::new(Severity::Warning, saw).in_channel(Channel::Lambda))
}

fn differs(seen: &ComparedDelay) -> String {
    let (others, doubt) = match seen.others {
        1 => ("the only other ride does".to_owned(), "; of two rides nobody can tell which one is right"),
        n => (format!("the other {n} rides do"), ""),
    };
    format!(
        "reads lambda {} s {} than {others} at the same operating point: {} ± {} s against {} s{doubt}",
        units::fixed(seen.difference_s().abs(), 2),
        if seen.difference_s() > 0.0 { "later" } else { "sooner" },
        units::fixed(seen.own_s, 2),
        units::fixed(seen.own_std_error_s, 2),
        units::fixed(seen.others_s, 2),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::delays::tests::found;

    fn told(rides: &[FoundDelay]) -> Vec<usize> {
        of_delays(&rides.iter().map(Some).collect::<Vec<_>>()).iter().map(Vec::len).collect()
    }

    #[test]
    fn a_ride_that_differs_beyond_its_error_is_named_and_the_others_are_not() {
        let rides = |lag_s: f64, error_s: f64| {
            [
                found(0.07, 0.01, 0.04),
                found(lag_s, error_s, 0.05),
                found(0.08, 0.01, 0.04),
                found(0.09, 0.01, 0.03),
            ]
        };
        assert_eq!(told(&rides(0.16, 0.01)), [0, 1, 0, 0]);
        assert_eq!(told(&rides(0.16, 0.04)), [0; 4], "it does not know better");
        assert_eq!(told(&rides(0.10, 0.001)), [0; 4], "too little to matter");
        assert_eq!(told(&rides(0.16, 0.01)[..2]), [1, 1], "of two nobody can tell");
        assert_eq!(told(&rides(0.16, 0.01)[1..2]), [0]);
    }

    #[test]
    fn a_doubted_delay_is_a_warning_and_one_that_kept_the_usual_values_is_silent() {
        let doubted = FoundDelay { doubt: Some("lags".to_owned()), ..found(0.3, 0.01, 0.04) };
        let kept = FoundDelay { usual_kept: true, ..found(0.08, 0.03, 0.04) };
        let findings = [None, Some(&kept), Some(&doubted)].map(|f| Vec::from_iter(of_delay(f)));
        assert!(findings[0].is_empty() && findings[1].is_empty());
        assert_eq!((findings[2][0].name, findings[2][0].severity), ("lambda_delay", Severity::Warning));
    }
}
