use super::super::limits::POWER_LAMBDA;
use super::super::{LEAN_LAMBDA_MAX, MixturePlan};
use super::{GeneratedMixture, generate};
use crate::bike::{Bike, Template};
use crate::blend::Blending;
use crate::physics::fuel::KNOWN_FUELS;
use crate::problem::Problem;
use crate::table::{Axis, Grid, LoadAxis, Resolution, Table};
use proptest::prelude::*;
use std::path::Path;

const FILE: &str = "mixtures/main.yaml";

fn bike(fuel: &str, load: LoadAxis) -> Bike {
    let template = Template {
        name: "Reference".to_owned(),
        displacement_cc: 700.0,
        cylinders: 2,
        rev_limit_rpm: 8200.0,
        fuel: fuel.to_owned(),
        fuel_table: crate::bike::FuelTableKind::VePct,
        load,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-05-02".to_owned(),
        ..Template::default()
    };
    let files = template.files();
    Bike::parse(Path::new("bike.yaml"), &files[0].text).expect("the template's bike")
}

fn table(rpm: Vec<f64>, load: Vec<f64>, axis: LoadAxis) -> Table {
    let grid = Grid { rpm: Axis::new(rpm).expect("ascending"), load: Axis::new(load).expect("ascending") };
    let resolution = Resolution::new(0.001).expect("a decimal step");
    Table { values: vec![1.0; grid.cells()], grid, load_axis: axis, resolution }
}

/// The axes of the demo bike.
fn fernhill() -> Table {
    let rpm = (2..=16).map(|i| f64::from(i) * 500.0).collect();
    let load = vec![0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0, 24.0, 32.0, 42.0, 55.0, 75.0, 100.0];
    table(rpm, load, LoadAxis::ThrottlePct)
}

fn made(text: &str, bike: &Bike, today: &Table) -> GeneratedMixture {
    let plan = MixturePlan::parse(Path::new(FILE), text, bike).expect("a plan");
    generate(&plan, today, &Blending::default())
}

fn problems(text: &str) -> Vec<String> {
    let bike = bike("E10", LoadAxis::ThrottlePct);
    match MixturePlan::parse(Path::new(FILE), text, &bike) {
        Ok(_) => Vec::new(),
        Err(problems) => problems.0.iter().map(Problem::to_string).collect(),
    }
}

/// Everything that holds for every plan on every grid, cells and all points between them alike.
fn assert_bounds(text: &str, bike: &Bike, today: &Table) {
    let plan = MixturePlan::parse(Path::new(FILE), text, bike).expect("a plan");
    let settings = Blending::default();
    let table = generate(&plan, today, &settings).table;
    let grid = &table.grid;
    let step = table.resolution.step();
    for cell in 0..grid.cells() {
        let value = table.values[cell];
        assert!(table.resolution.holds(value), "{value} is no whole step\n{text}");
        assert!(value <= plan.wanted(grid.point(cell)) + 1e-9, "leaner than its region\n{text}");
        for other in grid.neighbours(cell) {
            let apart = (value - table.values[other]).abs();
            assert!(apart <= plan.lambda_per_cell.max(step) + 1e-9, "{apart} to a neighbour\n{text}");
        }
    }
    let [from_load, _] = plan.power.from_load.range();
    let (mut rpm, top) = (0.0, bike.engine.rev_limit_rpm * 1.2);
    while rpm < top {
        let mut last = f64::INFINITY;
        for load in (0..=240).map(|i| f64::from(i) * 0.5) {
            let lambda = table.at(rpm, load);
            assert!(lambda <= LEAN_LAMBDA_MAX + 1e-9, "{lambda} at {rpm}, {load}\n{text}");
            if !plan.lean.contain(rpm, load) {
                assert!(lambda <= 1.0 + 1e-9, "lean at {rpm} rpm, load {load}: {lambda}\n{text}");
            }
            if settings.is_high_load(today.load_axis, load) {
                assert!(lambda <= settings.high_load_lambda_max + 1e-9, "{lambda} at {rpm}, {load}\n{text}");
            }
            // From the first breakpoint on at which power may have begun.
            let begun = grid.load.breakpoints().iter().find(|b| **b >= from_load);
            if begun.is_some_and(|first| load >= *first) {
                assert!(lambda <= last + 1e-9, "leaner with load at {rpm}, {load}\n{text}");
                last = lambda;
            }
        }
        rpm += 53.0;
    }
}

fn ascending(from: f64, least: f64, most: f64, count: usize) -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(least..most, 2..count).prop_map(move |steps| {
        let mut at = from;
        steps
            .into_iter()
            .map(|step| {
                at += step;
                (at * 10.0).round() / 10.0
            })
            .collect()
    })
}

fn any_plan() -> impl Strategy<Value = String> {
    (
        prop::sample::select(vec!["power", "touring", "economy"]),
        (0.85..1.0f64, 0.0..3000.0f64, 0.0..20.0f64),
        0.9..1.0f64,
        (1.0..=1.10f64, 1640.0..3900.0f64, 0.0..2000.0f64, 0.0..8.0f64, 1.0..12.0f64),
        (0.75..=0.92f64, 0.75..=0.92f64, 21.0..50.0f64, 21.0..50.0f64, 1.0..50.0f64),
        0.005..0.15f64,
    )
        .prop_map(|(wanted, idle, cruise, economy, power, slope)| {
            format!(
                "use: {wanted}\nidle: {{ lambda: {}, rpm: {}, load: {} }}\ncruise: {{ lambda: {cruise} }}\n\
                 economy: {{ lambda: {}, rpm: [{}, {}], load: [{}, {}] }}\n\
                 power: {{ lambda: {{ 2000: {}, 7000: {} }}, from_load: {{ 2000: {}, 6000: {} }}, full_load: {} }}\n\
                 smooth: {{ lambda_per_cell: {slope} }}\n",
                idle.0, idle.1, idle.2, economy.0, economy.1, economy.1 + economy.2, economy.3,
                economy.3 + economy.4, power.0, power.1, power.2, power.3, 50.0 + power.4,
            )
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn no_plan_on_no_grid_breaks_a_limit_not_even_between_the_cells(
        text in any_plan(),
        rpm in ascending(300.0, 60.0, 1500.0, 14),
        load in ascending(-1.0, 1.0, 22.0, 14),
        axis in prop::sample::select(vec![LoadAxis::ThrottlePct, LoadAxis::MapKpa]),
        fuel in prop::sample::select(KNOWN_FUELS.to_vec()),
    ) {
        assert_bounds(&text, &bike(fuel, axis), &table(rpm, load, axis));
    }
}

#[test]
fn every_use_alone_keeps_the_limits_and_wants_usual_mixtures() {
    for axis in [LoadAxis::ThrottlePct, LoadAxis::MapKpa] {
        let bike = bike("petrol", axis);
        let today = match axis {
            LoadAxis::ThrottlePct => fernhill(),
            LoadAxis::MapKpa => {
                let load = (2..=10).map(|i| f64::from(i) * 10.0).collect();
                table((2..=16).map(|i| f64::from(i) * 500.0).collect(), load, axis)
            }
        };
        for wanted in ["power", "touring", "economy"] {
            let text = format!("use: {wanted}\n");
            assert_bounds(&text, &bike, &today);
            let made = made(&text, &bike, &today);
            assert_eq!(made.warnings, Vec::<String>::new(), "{wanted}");
            let table = made.table;
            assert_eq!(table.at(1000.0, table.grid.load.breakpoints()[0]), 1.0, "idle of {wanted}");
            for rpm in table.grid.rpm.breakpoints() {
                assert!(POWER_LAMBDA.contains(&table.at(*rpm, 100.0)), "{wanted} at {rpm}");
            }
            let leanest = table.values.iter().copied().fold(0.0, f64::max);
            let lean = match wanted {
                "power" => 1.0,
                "touring" => 1.02,
                _ => 1.05,
            };
            assert_eq!(leanest, lean, "{wanted}");
        }
    }
}

#[test]
fn the_same_plan_makes_the_same_table_for_every_fuel() {
    let text = "use: economy\nfuel: petrol\npower: { afr: 13.0 }\n";
    let first = made(text, &bike("petrol", LoadAxis::ThrottlePct), &fernhill()).table;
    for fuel in KNOWN_FUELS {
        assert_eq!(made(text, &bike(fuel, LoadAxis::ThrottlePct), &fernhill()).table, first, "{fuel}");
    }
    // 13 / 14.58 = 0.8917, down to whole steps on the rich side.
    assert_eq!(first.at(8000.0, 100.0), 0.891);
}

#[test]
fn a_transition_takes_from_the_leaner_side() {
    let bike = bike("E10", LoadAxis::ThrottlePct);
    let text = "use: power\npower: { lambda: 0.85, from_load: 42, full_load: 55 }\nsmooth: { lambda_per_cell: 0.05 }\n";
    let made = made(text, &bike, &fernhill());
    let row: Vec<f64> = [18.0, 24.0, 32.0, 42.0, 55.0].map(|load| made.table.at(4000.0, load)).to_vec();
    assert_eq!(row, [1.0, 1.0, 0.95, 0.9, 0.85]);
    assert!(made.notes.iter().any(|note| note.contains("smooth transition")), "{:?}", made.notes);
}

#[test]
fn power_that_begins_late_is_held_at_high_load_and_said() {
    let text = "use: power\npower: { from_load: 60, full_load: 90 }\n";
    let made = made(text, &bike("E10", LoadAxis::ThrottlePct), &fernhill());
    assert_eq!([55.0, 75.0, 100.0].map(|load| made.table.at(4000.0, load)), [0.95, 0.91, 0.87]);
    assert!(made.warnings[0].contains("high load"), "{:?}", made.warnings);
}

#[test]
fn what_would_break_an_engine_is_refused_with_its_place() {
    for (text, at, what) in [
        ("use: economy\neconomy: { lambda: 1.12 }\n", "1.12", "between 1 and 1.1"),
        (
            "use: economy\neconomy: { lambda: 1.05, load: [5, 45] }\n",
            "[5, 45]",
            "lean under load burns pistons",
        ),
        ("use: economy\neconomy: { lambda: 1.05, rpm: [1200, 5000] }\n", "[1200", "within 1640 and 6150"),
        ("use: power\npower: { lambda: 0.97 }\n", "0.97", "between 0.75 and 0.92"),
        ("use: power\npower: { lambda: { 3000: 0.9, 7000: 1.0 } }\n", "{ 3000", "got 1"),
        ("use: power\nfuel: petrol\npower: { afr: 14.2 }\n", "14.2", "between 10.9 and 13.4 on petrol"),
        ("use: power\npower: { afr: 13 }\n", "13 }", "needs the fuel of its scale"),
        ("use: power\nfuel: diesel\n", "diesel", "one of petrol"),
        ("use: power\ncruise: { lambda: 1.05 }\n", "1.05", "between 0.9 and 1"),
        ("use: power\npower: { from_load: 60, full_load: 40 }\n", "60", "below `full_load`"),
        ("use: power\nidle: { load: 30 }\n", "30 }", "`idle` must end below"),
        (
            "use: economy\neconomy: { load: [5, 30] }\npower: { from_load: 28 }\n",
            "[5, 30]",
            "`power` begins at 28",
        ),
        ("use: power\neconomy: { load: [5, 30] }\n", "{ load", "needs a `lambda`"),
        ("use: power\nidle: { lambda: 1, afr: 14 }\n", "14 }", "in one way"),
        ("use: race\n", "race", "power, touring, economy"),
        ("idle: { lambda: 1 }\n", "idle", "`use` is missing"),
    ] {
        let found = problems(text);
        assert_eq!(found.len(), 1, "{text}{found:#?}");
        let begin = text.find(at).expect("the place");
        let line = text[..begin].matches('\n').count() + 1;
        let column = begin - text[..begin].rfind('\n').map_or(0, |end| end + 1) + 1;
        let place = format!("{FILE}:{line}:{column}:");
        assert!(found[0].starts_with(&place) && found[0].contains(what), "{text}{found:#?}");
    }
}
