//! `false_air` and `ride_offset`: a ride that the others contradict.
//!
//! The rides that contradict the others most are taken out one by one, and the
//! rest is held against each other again, so that one liar does not make the
//! honest look odd. The majority is never taken out.

use super::{Finding, FindingEntry, Seen, Severity};
use crate::evidence::{FalseAir, Measured, RideComparison, RideSums, Scales, compare_rides};
use crate::table::LoadAxis;
use crate::units;

/// What is known of false air.
pub static FALSE_AIR: FindingEntry = FindingEntry {
    name: "false_air",
    about: "Against the median of the other rides, the ride reads leaner the less gas flows: air that a leaking joint \
            draws in ahead of the sensor. What the engine does itself is in all rides alike.",
    severity: "warning from 2 % at the lowest flow and 2.5 standard errors, serious from 3 %, both beyond what the \
               weather may explain; a warning on both when there is only one other ride",
    source: "false air of constant mass raises lambda by leak/flow: a mass balance; a choked throttle passes air by \
             the root of 1/T where the density law says 1/T; weights and errors as in evidence/odd_ride.rs, limits \
             set on virtual bikes",
    look_at: "the exhaust joints ahead of the lambda sensor, cold and under light pressure, the sensor's own thread, \
              and whether a secondary air valve is open",
    look: None,
};

/// What is known of an offset.
pub static OFFSET: FindingEntry = FindingEntry {
    name: "ride_offset",
    about: "The ride as a whole asks for more or less fuel than the median of the other rides.",
    severity: "warning from 1.5 % and 2 standard errors, serious from 4 % and 3, both beyond what the weather may \
               explain; a warning on both when there is only one other ride",
    source: "leave-one-out comparison, weighted and robust, with an error by cells and visits: evidence/odd_ride.rs; \
             the limits are common practice, no source",
    look_at: "the lambda sensor's age and free-air calibration, the fuel in the tank, fuel pressure, and the weather",
    look: None,
};

/// How far the density law misses what the weather does at low flow, as an exponent
/// of the air temperature: where throttle is the load, all of the difference
/// between `1/T` and the `1/√T` of choked flow through an orifice; over manifold
/// pressure, what the warm engine heats the charge. The second is common practice,
/// no source.
const THROTTLE_EXPONENT: f64 = 0.5;
const PRESSURE_EXPONENT: f64 = 0.2;

/// The exponent for a load axis.
pub fn air_temp_exponent(load: LoadAxis) -> f64 {
    match load {
        LoadAxis::ThrottlePct => THROTTLE_EXPONENT,
        LoadAxis::MapKpa => PRESSURE_EXPONENT,
    }
}

const FALSE_AIR_WARNING: f64 = 0.02;
const FALSE_AIR_SERIOUS: f64 = 0.03;
const FALSE_AIR_SIGMAS: f64 = 2.5;
/// One odd cell of low flow is no leak: without it most of the effect must remain.
const REMAINS: f64 = 0.6;
const OFFSET_WARNING: f64 = 0.015;
const OFFSET_WARNING_SIGMAS: f64 = 2.0;
const OFFSET_SERIOUS: f64 = 0.04;
const OFFSET_SERIOUS_SIGMAS: f64 = 3.0;
/// So many other rides must speak before one is taken out.
const FEWEST_JUDGES: usize = 2;

/// What the rides of a run say against each other; at most one finding a ride.
///
/// Shape: one entry a ride.
pub fn among_rides(rides: &[RideSums<'_>], scales: &Scales<'_>) -> Vec<Option<Finding>> {
    let mut findings: Vec<Option<Finding>> = vec![None; rides.len()];
    let mut standing: Vec<usize> = (0..rides.len()).collect();
    loop {
        let sums: Vec<RideSums<'_>> = standing.iter().map(|ride| rides[*ride]).collect();
        let compared = compare_rides(&sums, scales);
        let judged: Vec<Option<Judged>> = compared.iter().map(|c| c.as_ref().and_then(judge)).collect();
        let worst = (0..standing.len())
            .filter(|i| judged[*i].as_ref().is_some_and(|j| j.seen.severity == Severity::Serious))
            .max_by(|a, b| {
                let sigmas = |i: &usize| judged[*i].as_ref().map_or(0.0, |j| j.sigmas);
                sigmas(a).total_cmp(&sigmas(b))
            });
        let out = rides.len() - standing.len();
        let minority = (out + 1) * 2 < rides.len();
        match worst {
            Some(worst) if minority => {
                findings[standing[worst]] = judged[worst].as_ref().map(Judged::finding);
                standing.remove(worst);
            }
            _ => {
                for (ride, judged) in standing.iter().zip(judged) {
                    findings[*ride] = judged.map(|judged| judged.milder(minority).finding());
                }
                return findings;
            }
        }
    }
}

struct Judged {
    entry: &'static FindingEntry,
    seen: Seen,
    sigmas: f64,
}

impl Judged {
    fn finding(&self) -> Finding {
        self.entry.finding(self.seen.clone())
    }

    /// A serious finding that would leave the minority: a warning that says so.
    fn milder(mut self, minority: bool) -> Self {
        if self.seen.severity == Severity::Serious && !minority {
            self.seen.severity = Severity::Warning;
            self.seen.saw.push_str("; too many rides contradict each other to tell which is right");
        }
        self
    }
}

fn judge(compared: &RideComparison) -> Option<Judged> {
    let air = compared.false_air.as_ref().and_then(|air| {
        let left = compared.beyond_weather(air.effect);
        // Of two rides the one that reads richer may be the liar as well.
        let other_reads_leaner = compared.others < FEWEST_JUDGES && left.value < 0.0;
        let size = if other_reads_leaner { -left.value } else { left.value };
        let sure = size >= FALSE_AIR_WARNING && left.sigmas().abs() >= FALSE_AIR_SIGMAS;
        let remains = || other_reads_leaner || air.effect_without_strongest() >= REMAINS * air.effect.value;
        (sure && remains()).then_some((air, left))
    });
    match air {
        Some((air, left)) => Some(judge_air(compared, air, left)),
        None => judge_offset(compared),
    }
}

fn judge_air(compared: &RideComparison, air: &FalseAir, left: Measured) -> Judged {
    let severity = match left.value >= FALSE_AIR_SERIOUS && compared.others >= FEWEST_JUDGES {
        true => Severity::Serious,
        false => Severity::Warning,
    };
    let (reads, whose) = if left.value > 0.0 { ("leaner", "") } else { ("richer", " on the other ride") };
    let saw = format!(
        "reads {reads} than {} the less gas flows, {} ± {} % at the lowest flow they share{}, as a leak of {} g/s{whose} would{}",
        others(compared),
        units::signed(air.effect.value * 100.0, 1),
        units::fixed(air.effect.std_error * 100.0, 1),
        weather(compared, air.effect, left),
        units::fixed(air.leak_kg_s.abs() * 1000.0, 2),
        one_of_two(compared)
    );
    let region =
        format!("from {} g/s of gas up, {}", units::fixed(air.lowest_flow_kg_s * 1000.0, 1), cells(compared));
    Judged { entry: &FALSE_AIR, seen: Seen::new(severity, saw).at_points(region), sigmas: left.sigmas() }
}

fn judge_offset(compared: &RideComparison) -> Option<Judged> {
    let offset = compared.offset;
    let left = compared.beyond_weather(offset);
    let sigmas = left.sigmas().abs();
    let severity = match left.value.abs() {
        size if size < OFFSET_WARNING || sigmas < OFFSET_WARNING_SIGMAS => return None,
        size if size >= OFFSET_SERIOUS
            && sigmas >= OFFSET_SERIOUS_SIGMAS
            && compared.others >= FEWEST_JUDGES =>
        {
            Severity::Serious
        }
        _ => Severity::Warning,
    };
    let saw = format!(
        "lies {} ± {} % off {} as a whole, which is {}{}: its sensor or fuel may differ{}",
        units::signed(offset.value * 100.0, 1),
        units::fixed(offset.std_error * 100.0, 1),
        others(compared),
        if offset.value > 0.0 { "leaner" } else { "richer" },
        weather(compared, offset, left),
        one_of_two(compared)
    );
    Some(Judged { entry: &OFFSET, seen: Seen::new(severity, saw).at_points(cells(compared)), sigmas })
}

/// How much of it the weather may explain.
fn weather(compared: &RideComparison, all: Measured, left: Measured) -> String {
    let explained = (all.value - left.value).abs() * 100.0;
    match compared.warmer_c {
        _ if explained < 0.05 => String::new(),
        None => {
            format!(" (air temperature, which is not logged, may make {} of it)", units::fixed(explained, 1))
        }
        Some(warmer_c) => format!(
            " (air {} °C {} may make {} of it)",
            units::fixed(warmer_c.abs(), 0),
            if warmer_c > 0.0 { "warmer" } else { "colder" },
            units::fixed(explained, 1)
        ),
    }
}

fn others(compared: &RideComparison) -> String {
    match compared.others {
        1 => "the only other ride".to_owned(),
        n => format!("the other {n} rides"),
    }
}

fn cells(compared: &RideComparison) -> String {
    format!("{} they share", units::counted(compared.cells, "cell"))
}

fn one_of_two(compared: &RideComparison) -> &'static str {
    if compared.others < FEWEST_JUDGES { "; of two rides nobody can tell which one lies" } else { "" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::{CellSums, Spread};

    const CELLS: usize = 40;

    fn flows() -> Vec<f64> {
        (0..CELLS).map(|c| 1.5e-3 * 1.1f64.powi(c as i32)).collect()
    }

    /// A ride whose reading is off by what `off` says of flow and cell, four visits a cell.
    fn ride(seed: usize, off: impl Fn(f64, usize) -> f64) -> Vec<CellSums> {
        let cell = |(c, flow): (usize, f64)| {
            let mut sums = CellSums::default();
            for visit in 0..4 {
                let chance = 0.01 * ((c * 7 + visit * 13 + seed * 5) as f64).sin();
                let y = 50.0 * (1.0 + chance + off(flow, c));
                sums.w += 3.0;
                sums.wy += 3.0 * y;
                sums.ww += 9.0;
                sums.add_dwell(3.0, 3.0 * y);
            }
            sums.close_ride();
            sums
        };
        flows().into_iter().enumerate().map(cell).collect()
    }

    fn told(rides: &[Vec<CellSums>]) -> Vec<String> {
        told_in(rides, &vec![20.0; rides.len()])
    }

    fn told_in<'a>(rides: &'a [Vec<CellSums>], air_temp_c: &[f64]) -> Vec<String> {
        let with_air = |(cells, c): (&'a Vec<CellSums>, &f64)| RideSums { cells, air_temp_c: Some(*c) };
        let sums: Vec<RideSums<'_>> = rides.iter().zip(air_temp_c).map(with_air).collect();
        let scales = Scales {
            flow_kg_s: &flows(),
            spread: Spread { dwell: 0.02, ride: 0.008, visits: 3.0 },
            air_temp_exponent: air_temp_exponent(LoadAxis::ThrottlePct),
        };
        let word = |f: &Option<Finding>| {
            f.as_ref().map_or(String::new(), |f| format!("{} {}", f.name, f.severity.word()))
        };
        among_rides(&sums, &scales).iter().map(word).collect()
    }

    fn leak(share: f64) -> impl Fn(f64, usize) -> f64 {
        move |flow, _| share * 1.5e-3 / flow
    }

    #[test]
    fn honest_rides_are_left_alone() {
        let rides: Vec<_> = (0..5).map(|seed| ride(seed, |_, _| 0.003 * (seed as f64 - 2.0))).collect();
        assert_eq!(told(&rides), [""; 5]);
        assert_eq!(told(&rides[..1]), [""]);
        assert!(told(&[]).is_empty());
    }

    #[test]
    fn a_leak_and_an_offset_are_told_apart_and_only_they_are_named() {
        let mut rides: Vec<_> = (0..6).map(|seed| ride(seed, |_, _| 0.0)).collect();
        rides[1] = ride(1, leak(0.10));
        rides[4] = ride(4, |_, _| -0.06);
        assert_eq!(told(&rides), ["", "false_air serious", "", "", "ride_offset serious", ""]);
        rides[1] = ride(1, leak(0.0));
        rides[4] = ride(4, |_, _| 0.025);
        assert_eq!(told(&rides), ["", "", "", "", "ride_offset warning", ""]);
    }

    #[test]
    fn a_hot_day_explains_what_reads_lean_and_no_more() {
        let mut rides: Vec<_> = (0..5).map(|seed| ride(seed, |_, _| 0.0)).collect();
        rides[3] = ride(3, leak(0.05));
        let days = |hot: f64| [15.0, 15.0, 15.0, hot, 15.0];
        assert_eq!(told_in(&rides, &days(15.0))[3], "false_air serious");
        assert_eq!(told_in(&rides, &days(38.0)), [""; 5]);
        assert_eq!(told_in(&rides, &days(0.0))[3], "false_air serious", "the cold makes nothing lean");
    }

    #[test]
    fn one_odd_cell_of_low_flow_is_no_leak() {
        let mut rides: Vec<_> = (0..5).map(|seed| ride(seed, |_, _| 0.0)).collect();
        rides[2] = ride(2, |_, cell| if cell == 0 { 0.12 } else { 0.0 });
        assert_eq!(told(&rides), [""; 5]);
    }

    #[test]
    fn of_two_rides_both_are_warned_of_and_the_majority_is_never_taken_out() {
        let two = [ride(0, |_, _| 0.0), ride(1, |_, _| 0.07)];
        assert_eq!(told(&two), ["ride_offset warning"; 2]);
        let leaking = [ride(0, leak(0.0)), ride(1, leak(0.09))];
        assert_eq!(told(&leaking), ["false_air warning"; 2]);
        let split: Vec<_> = (0..4).map(|seed| ride(seed, |_, _| if seed < 2 { 0.0 } else { 0.08 })).collect();
        let serious = told(&split).iter().filter(|t| t.ends_with("serious")).count();
        assert!(serious <= 1, "{:?}", told(&split));
    }
}
