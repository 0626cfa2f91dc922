//! What holds for every sum of the registry.

use super::*;
use proptest::prelude::*;
use std::collections::BTreeSet;

/// A sum of the words of a command line.
fn answer(sum: &Sum, words: &str) -> Result<SumReport, String> {
    let words: Vec<&str> = words.split_whitespace().collect();
    let mut given = Given::default();
    for pair in words.chunks(2) {
        let flag = pair[0].trim_start_matches("--");
        let input =
            sum.inputs.iter().find(|i| i.flag() == flag).unwrap_or_else(|| panic!("{}: {flag}", sum.name));
        given.take(input, input.read(pair[1])?);
    }
    calc(sum, given).map_err(|e| e.to_string())
}

#[test]
fn every_sum_s_example_gives_what_it_says_it_gives() {
    for sum in registry() {
        let report = answer(sum, sum.example).unwrap_or_else(|e| panic!("{}: {e}", sum.name));
        let given: BTreeSet<&str> = report.shown.results.iter().map(|(figure, _)| figure.name).collect();
        let told: BTreeSet<&str> = sum.gives.iter().map(|figure| figure.name).collect();
        assert!(given.is_subset(&told), "{}: {given:?} of {told:?}", sum.name);
        assert!(!report.results.is_empty() && !report.formula.is_empty() && !report.source.is_empty());
        assert_eq!(report.rows.is_empty(), report.shown.columns.is_empty(), "{}", sum.name);
    }
}

#[test]
fn every_sum_is_documented_and_names_its_units() {
    let mut names = BTreeSet::new();
    for sum in registry() {
        assert!(names.insert(sum.name), "{} is there twice", sum.name);
        assert!(sum.about.ends_with('.') && !sum.source.ends_with('.'), "{}", sum.name);
        let mut inputs = BTreeSet::new();
        for input in sum.inputs {
            assert!(inputs.insert(input.name), "{}: {}", sum.name, input.name);
            assert!(!input.about.is_empty(), "{}", input.name);
            if let Some(default) = input.default {
                assert!(input.read(default).is_ok(), "{} cannot be {default}", input.name);
            }
            if let Kind::Number { quantity, low, high, .. } = input.kind {
                assert!(low < high && low.is_finite() && high.is_finite(), "{}", input.name);
                let unit = quantity.native();
                // What has no unit must not look as if it had one.
                assert_eq!(unit.is_empty() || unit == ":1", !has_unit(input.name), "{}", input.name);
            }
        }
        for names in sum.one_of {
            assert!(names.iter().all(|name| sum.inputs.iter().any(|i| i.name == *name && i.optional)));
        }
    }
}

fn has_unit(name: &str) -> bool {
    const UNITS: [&str; 20] = [
        "_kpa", "_c", "_k", "_pct", "_ppm", "_cc", "_mm", "_m", "_m2", "_cc_min", "_ms", "_kg", "_kg_m3",
        "_kph", "_m_s2", "rpm", "_kw", "_g_kwh", "_v", "_ohm",
    ];
    UNITS.iter().any(|unit| name.ends_with(unit))
}

#[test]
fn what_is_missing_or_there_twice_is_said() {
    let sum = |name: &str| registry().into_iter().find(|s| s.name == name).expect("known");
    let error = answer(sum("piston-speed"), "--rpm 9000").expect_err("no stroke");
    assert!(error.contains("--stroke-mm is missing"), "{error}");
    let error = answer(sum("mixture"), "--lambda 0.9 --afr 13").expect_err("two mixtures");
    assert!(error.contains("exactly one of --lambda, --afr"), "{error}");
    let error = answer(sum("mixture"), "--fuel E10").expect_err("no mixture");
    assert!(error.contains("exactly one of"), "{error}");
}

/// Values at both ends of every input's range, and outside.
fn texts(input: &Input) -> Vec<String> {
    let own: &[&str] = match input.kind {
        Kind::Number { low, high, .. } => {
            return [
                low,
                high,
                (low + high) / 2.0,
                low - 1.0,
                high * 2.0 + 1.0,
                0.0,
                1e-300,
                -1e300,
                f64::NAN,
            ]
            .map(|v| format!("{v}"))
            .to_vec();
        }
        Kind::Whole { .. } | Kind::Choice(_) => &["0", "1", "2", "4", "6", "99", "-1", "1.5"],
        Kind::Fuel => &["E10", "methanol", "C8H18", "H2", "C", "14.7:1", "E85=1,petrol=0", "x"],
        Kind::DeadTimes => &["12:1", "10:1.3,14:0.8", "5:0", "x"],
    };
    own.iter().map(ToString::to_string).collect()
}

proptest! {
    #[test]
    fn no_input_panics_and_every_answer_is_finite(at in 0usize..64, picks in prop::collection::vec(0usize..10, 16)) {
        let all = registry();
        let sum = all[at % all.len()];
        let mut given = Given::default();
        for (input, pick) in sum.inputs.iter().zip(picks) {
            let texts = texts(input);
            // The last pick leaves the input out.
            if let Some(text) = texts.get(pick)
                && let Ok(read) = input.read(text)
            {
                given.take(input, read);
            }
        }
        if let Ok(report) = calc(sum, given) {
            prop_assert!(report.shown.results.iter().all(|(_, value)| value.is_finite()));
            prop_assert!(report.shown.rows.iter().flatten().all(|value| value.is_finite()));
        }
    }

    #[test]
    fn injector_flow_and_back_is_where_it_began(flow in 50.0..2000.0f64, from in 100.0..700.0f64, to in 100.0..700.0f64) {
        use crate::physics::injector::flow_at_pressure;
        let back = flow_at_pressure(flow_at_pressure(flow, from, to), to, from);
        prop_assert!((back / flow - 1.0).abs() < 1e-12);
        prop_assert_eq!(flow_at_pressure(flow, from, to) > flow, to > from);
    }

    #[test]
    fn air_thins_with_height_warmth_and_damp(pressure in 60.0..105.0f64, temp in -20.0..40.0f64, humidity in 0.0..0.9f64) {
        use crate::physics::air::{density_altitude_m, moist_density, standard_pressure_kpa};
        let here = moist_density(pressure, temp, humidity);
        prop_assert!(moist_density(pressure, temp + 1.0, humidity) < here);
        prop_assert!(moist_density(pressure, temp, humidity + 0.1) < here);
        prop_assert!(moist_density(pressure - 1.0, temp, humidity) < here);
        prop_assert!(density_altitude_m(here * 0.99) > density_altitude_m(here));
        let height = (pressure - 60.0) * 100.0;
        let standard = standard_pressure_kpa(height) / (287.052_87e-3 * (288.15 - 0.0065 * height));
        prop_assert!((density_altitude_m(standard) - height).abs() < 0.01);
    }
}
