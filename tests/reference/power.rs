//! Power from pulls against scipy, numpy and the resistances of 40 CFR 86.529-98.

use crate::compare::{assert_close, read};
use rideloop::physics::air::moist_density;
use rideloop::physics::road_load::GRAVITY_M_S2;
use rideloop::power::{Conditions, Correction, Known, PullRules, Trace, find_pulls, fit, of_pulls};
use serde::Deserialize;

#[derive(Deserialize)]
struct Reference {
    even: Series,
    uneven: Series,
    pulls: Vec<Pull>,
}

#[derive(Deserialize)]
struct Series {
    time_s: Vec<f64>,
    values: Vec<f64>,
    half_s: f64,
    /// The samples that the answers belong to; those with a whole window where it is left out.
    at: Option<Vec<usize>>,
    value: Vec<f64>,
    slope: Vec<f64>,
}

#[derive(Deserialize)]
struct Pull {
    mass_kg: f64,
    a_n: f64,
    c_n_kph2: f64,
    k_rot: f64,
    wheel_kw: f64,
    time_s: Vec<f64>,
    speed_kph: Vec<f64>,
}

fn reference() -> Reference {
    read(include_str!("power.json"))
}

#[test]
fn speed_and_its_slope_are_those_of_scipy_and_numpy() {
    // The same least squares by another way: normal equations of three unknowns in half windows.
    const ROUNDING: f64 = 1e-9;
    let Reference { even, uneven, .. } = reference();
    for (series, fewest) in [(even, 40), (uneven, 30)] {
        let fits = |at: &usize| fit(&series.time_s, &series.values, *at, series.half_s);
        let whole: Vec<usize> = (0..series.time_s.len()).filter(|at| fits(at).is_some()).collect();
        let at = series.at.clone().unwrap_or_else(|| whole.clone());
        assert_eq!(whole, at);
        assert!(at.len() >= fewest && at.len() == series.value.len());
        for (i, at) in at.iter().enumerate() {
            let local = fits(at).expect("a whole window");
            assert_close("speed", local.value, series.value[i], ROUNDING);
            assert_close("slope", local.slope, series.slope[i], ROUNDING);
        }
    }
}

#[test]
fn a_pull_against_the_resistances_of_the_regulation_gives_its_power_back() {
    // Source: 40 CFR 86.529-98, F = A + C V² in N and km/h: A = m g Crr and C V² = ½ ρ CdA v². What is
    // left is the smoothing's: a parabola's slope is off by h² v'''/10, here 3 a³/v² for v''' and h = 0.4 s:
    // at 200 kg and 21 m/s, where a is 6.8 m/s², half a percent; less everywhere else.
    const SMOOTHING: f64 = 6e-3;
    const KPH2_PER_M2_S2: f64 = 3.6 * 3.6;
    let known = |value: f64| Known::new(value, 0.0);
    let (temp_c, kpa) = (20.0, 101.325);
    let pulls = reference().pulls;
    assert_eq!(pulls.len(), 4);
    for pull in pulls {
        let air_kg_m3 = moist_density(kpa, temp_c, 0.0);
        let conditions = Conditions {
            mass_kg: known(pull.mass_kg),
            cda_m2: known(pull.c_n_kph2 * KPH2_PER_M2_S2 * 2.0 / air_kg_m3),
            crr: known(pull.a_n / (pull.mass_kg * GRAVITY_M_S2)),
            k_rot: known(pull.k_rot),
            crank_inertia_kg_m2: known(0.0),
            speed_scale: known(1.0),
            scaled_by_circumference: false,
            grade_pct: known(0.0),
            headwind_kph: known(0.0),
            air_temp_c: known(temp_c),
            pressure_kpa: known(kpa),
            humidity_pct: known(0.0),
            correction: Correction::None,
        };
        let rpm: Vec<f64> = pull.speed_kph.iter().map(|kph| kph * 50.0).collect();
        let trace =
            Trace { time_s: &pull.time_s, rpm: &rpm, speed_kph: Some(&pull.speed_kph), ..Trace::default() };
        let rules = PullRules::default();
        let found = find_pulls(&trace, &rules);
        let (curve, _) =
            of_pulls(&trace, &found.pulls, &|_| None, &conditions, &rules, 100.0).expect("a speed");
        assert!(curve.points.len() > 15, "{}", curve.points.len());
        for point in &curve.points {
            assert_close("power at the wheel", point.kw, pull.wheel_kw, SMOOTHING);
        }
    }
}
