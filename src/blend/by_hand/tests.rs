use super::super::propose::tests::tables;
use super::*;
use crate::bike::{Breathing, Density, FuelTableKind, Lock};
use crate::table::{Axis, Grid, LoadAxis, Resolution};
use proptest::prelude::*;

const CONTROLLER: Controller = Controller {
    trim_range_pct: None,
    fuel_table: FuelTableKind::VePct,
    load: LoadAxis::ThrottlePct,
    mixture: Mixture::Controller,
    density: Density::Controller,
    breathing: Breathing::Own,
    resolution: 0.1,
};

fn judged(before: &SlotTables, after: &SlotTables, start: &SlotTables) -> Vec<Objection> {
    judged_by(&CONTROLLER, before, after, start)
}

fn judged_by(
    controller: &Controller,
    before: &SlotTables,
    after: &SlotTables,
    start: &SlotTables,
) -> Vec<Objection> {
    judge(&HandInput {
        before: Some(before),
        after,
        start: Some(start),
        spark_before: before.spark.as_ref(),
        spark_start: start.spark.as_ref(),
        others: &[],
        ridden: None,
        controller,
        controller_before: controller,
        settings: &Blending::default(),
    })
}

fn names(objections: &[Objection]) -> Vec<&'static str> {
    objections.iter().map(|o| o.guard.name()).collect()
}

fn with(mut tables: SlotTables, role: TableRole, cell: usize, value: f64) -> SlotTables {
    match role {
        TableRole::Fuel => tables.fuel.values[cell] = value,
        TableRole::Mixture => tables.mixture.values[cell] = value,
        TableRole::Spark => {
            tables.spark.get_or_insert_with(|| tables.fuel.clone()).values[cell] = value;
        }
    }
    tables
}

fn today() -> SlotTables {
    with(tables(vec![50.0; 9]), TableRole::Spark, 0, 50.0)
}

#[test]
fn each_guard_objects_beyond_its_limit_and_not_on_it() {
    use TableRole::{Fuel, Mixture, Spark};
    // Cells 0, 3, 6 lie at 10 %, the others reach high load; cell 2 lies at 80 %.
    for (role, cell, value, guards) in [
        (Fuel, 0, 55.0, vec![]),
        (Fuel, 0, 55.1, vec!["step_up"]),
        (Fuel, 0, 47.0, vec![]),
        (Fuel, 0, 46.9, vec!["step_down"]),
        (Fuel, 2, 48.0, vec![]),
        (Fuel, 2, 47.9, vec!["high_load_lean"]),
        (Fuel, 1, 47.9, vec!["high_load_lean"]),
        (Fuel, 0, 58.0, vec!["step_up", "steepness"]),
        (Fuel, 0, 2.9, vec!["cell_range", "step_down", "distance", "steepness"]),
        // A leaner target leans the engine as less fuel does.
        (Mixture, 2, 0.916, vec![]),
        (Mixture, 2, 0.92, vec!["high_load_lean"]),
        (Mixture, 2, 0.96, vec!["lean_target", "high_load_lean"]),
        (Mixture, 0, 1.07, vec!["step_down"]),
        (Mixture, 0, 0.9, vec!["step_up"]),
        (Spark, 0, 51.0, vec![]),
        (Spark, 0, 51.1, vec!["spark_step"]),
        (Spark, 0, 20.0, vec![]),
    ] {
        let after = with(today(), role, cell, value);
        assert_eq!(names(&judged(&today(), &after, &today())), guards, "{role:?} {cell} {value}");
    }
}

#[test]
fn a_mixture_table_that_the_controller_does_not_read_leans_nothing() {
    let baked_in = Controller { mixture: Mixture::Table, ..CONTROLLER };
    let after = with(today(), TableRole::Mixture, 2, 0.95);
    assert_eq!(names(&judged_by(&baked_in, &today(), &after, &today())), [""; 0]);
    let lean = with(today(), TableRole::Mixture, 2, 0.96);
    assert_eq!(names(&judged_by(&baked_in, &today(), &lean, &today())), ["lean_target"]);
}

#[test]
fn the_build_s_first_revision_is_the_end_of_the_line() {
    let start = today();
    let before = with(with(today(), TableRole::Spark, 0, 52.5), TableRole::Fuel, 0, 65.0);
    let advanced = with(before.clone(), TableRole::Spark, 0, 53.1);
    assert_eq!(names(&judged(&before, &advanced, &start)), ["spark_distance"]);
    let further = with(before.clone(), TableRole::Fuel, 0, 65.1);
    assert_eq!(names(&judged(&before, &further, &start)), ["distance", "steepness"]);
    // What lies beyond already may come nearer.
    let nearer = with(before.clone(), TableRole::Fuel, 0, 63.0);
    assert_eq!(names(&judged(&with(before, TableRole::Fuel, 0, 66.0), &nearer, &start)), [""; 0]);
}

#[test]
fn a_locked_cell_is_held_in_every_table_unless_the_lock_is_as_new_as_the_change() {
    let lock = Lock { rpm: [1000.0, 1000.0], load: [10.0, 10.0], why: "by hand".to_owned() };
    let mut locked = today();
    locked.locks.push(lock);
    for role in TableRole::ALL {
        let value = locked.table(role).expect("there").values[0] - 0.01;
        let after = with(locked.clone(), role, 0, value);
        assert_eq!(names(&judged(&locked, &after, &locked)), ["locked"], "{role:?}");
        assert_eq!(names(&judged(&today(), &after, &locked)), [""; 0], "{role:?}");
        assert_eq!(names(&judged(&locked, &with(locked.clone(), role, 3, value), &locked)), [""; 0]);
    }
}

#[test]
fn guards_stand_aside_one_by_one_and_some_never() {
    let after = with(today(), TableRole::Fuel, 0, 58.0);
    let objections = judged(&today(), &after, &today());
    let refusal = refuse(&objections, &[]).expect_err("refused");
    assert_eq!(refusal.guard, "step_up");
    assert!(refusal.saw.contains("1000 rpm, 10 %: 50.0→58.0") && refusal.saw.contains("also steepness"));
    assert!(refusal.look_at.ends_with("--despite step_up --despite steepness"), "{}", refusal.look_at);
    assert_eq!(refuse(&objections, &[HandGuard::StepUp]).expect_err("refused").guard, "steepness");
    let all = [HandGuard::StepUp, HandGuard::Steepness, HandGuard::Distance];
    assert_eq!(refuse(&objections, &all), Ok(vec![HandGuard::StepUp, HandGuard::Steepness]));
    let advanced = judged(&today(), &with(today(), TableRole::Spark, 0, 52.0), &today());
    assert_eq!(refuse(&advanced, &HandGuard::ALL).expect_err("refused").guard, "spark_step");
}

#[test]
fn a_new_slot_is_judged_by_its_cells_and_the_other_slots() {
    use TableRole::{Fuel, Mixture as Targets, Spark};
    let judged = |after: &SlotTables, others: &[SlotTables], mixture: Mixture| {
        judge(&HandInput {
            before: None,
            after,
            start: None,
            spark_before: None,
            spark_start: None,
            others,
            ridden: None,
            controller: &Controller { mixture, ..CONTROLLER },
            controller_before: &CONTROLLER,
            settings: &Blending::default(),
        })
    };
    let richer = with(with(today(), Fuel, 2, 60.0), Spark, 0, 40.0);
    let others = [richer, today()];
    for (role, cell, value, guards) in [
        (Fuel, 0, 3.0, vec![]),
        (Fuel, 0, 2.9, vec!["cell_range"]),
        (Fuel, 2, 48.0, vec![]),
        (Fuel, 2, 47.9, vec!["new_slot"]),
        (Fuel, 2, 100.0, vec![]),
        (Targets, 0, 1.07, vec![]),
        (Targets, 2, 0.92, vec!["new_slot"]),
        (Targets, 2, 0.96, vec!["new_slot", "lean_target"]),
        (Spark, 0, 51.0, vec![]),
        (Spark, 0, 51.1, vec!["new_slot"]),
    ] {
        let after = with(today(), role, cell, value);
        let found = judged(&after, &others, Mixture::Controller);
        assert_eq!(names(&found), guards, "{role:?} {cell} {value}");
    }
    let mut leaner_target = with(today(), Targets, 2, 0.95);
    leaner_target.mixture.resolution = Resolution::new(0.001).expect("a step");
    let found = judged(&leaner_target, &others, Mixture::Controller);
    assert_eq!((found[0].table, &*found[0].cells[0]), (Targets, "1000 rpm, 80 %: 0.880→0.950"));
    assert_eq!(names(&judged(&leaner_target, &others, Mixture::Table)), [""; 0]);
    // Where no other slot has spark, or there is none at all, nothing can be compared.
    let bare = SlotTables { spark: None, ..today() };
    let far = with(today(), Spark, 0, 55.0);
    assert_eq!(names(&judged(&far, &[bare], Mixture::Controller)), [""; 0]);
    assert_eq!(names(&judged(&with(today(), Fuel, 2, 20.0), &[], Mixture::Controller)), [""; 0]);
    // A copy of a slot passes, whatever its cells hold.
    let idle = with(today(), Fuel, 0, 2.9);
    assert_eq!(names(&judged(&idle, std::slice::from_ref(&idle), Mixture::Controller)), [""; 0]);
    // The fuel of a new slot stands aside when told to, its spark never.
    let lean = with(today(), Fuel, 2, 40.0);
    let found = judged(&lean, &others, Mixture::Controller);
    assert!(refuse(&found, &[]).expect_err("refused").look_at.ends_with("--despite new_slot"));
    assert_eq!(refuse(&found, &[HandGuard::NewSlot]), Ok(vec![HandGuard::NewSlot]));
    let both = judged(&with(lean, Spark, 0, 55.0), &others, Mixture::Controller);
    let refusal = refuse(&both, &HandGuard::ALL).expect_err("refused");
    assert!(refusal.saw.contains("1000 rpm, 10 %: 50.0→55.0"), "{}", refusal.saw);
    assert!(refusal.look_at.starts_with("knock") && !refusal.look_at.contains("--despite"));
}

#[test]
fn other_axes_are_compared_wherever_breakpoints_of_both_tables_cross() {
    let before = today();
    let mut after = before.clone();
    after.fuel.grid.load = Axis::new(vec![10.0, 80.0]).expect("valid");
    after.fuel.values = vec![50.0; 6];
    assert_eq!(names(&judged(&before, &after, &before)), [""; 0]);
    // The dropped breakpoint at 40 % held more than the line between the others does.
    let hump = (0..3).fold(before, |tables, i| with(tables, TableRole::Fuel, i * 3 + 1, 54.0));
    assert_eq!(names(&judged(&hump, &after, &hump)), ["high_load_lean"]);
    // At breakpoints of its own neither table shows more than 4 % less; between them both do.
    let with_axes = |rpm: &[f64], load: &[f64], values: &[f64]| {
        let mut tables = today();
        tables.fuel.grid.rpm = Axis::new(rpm.to_vec()).expect("valid");
        tables.fuel.grid.load = Axis::new(load.to_vec()).expect("valid");
        tables.fuel.values = values.to_vec();
        tables
    };
    let old = with_axes(&[1000.0, 2000.0, 3000.0], &[55.0, 80.0], &[50.0, 50.0, 52.0, 52.0, 50.0, 50.0]);
    let new = with_axes(&[1000.0, 3000.0], &[55.0, 60.0, 80.0], &[50.0, 48.0, 50.0, 50.0, 48.0, 50.0]);
    let found = judged(&old, &new, &old);
    assert_eq!(names(&found), ["high_load_lean"]);
    assert_eq!(found[0].cells, ["2000 rpm, 60 %: 52.0→48.0"]);
}

#[test]
fn leaning_by_hand_adds_up_until_the_next_ride() {
    let since =
        |tables: SlotTables| SlotAtRevision { revision: "r4".to_owned(), tables, controller: CONTROLLER };
    let judged = |before: &SlotTables, after: &SlotTables, ridden: &SlotAtRevision| {
        judge(&HandInput {
            before: Some(before),
            after,
            start: Some(before),
            spark_before: before.spark.as_ref(),
            spark_start: None,
            others: &[],
            ridden: Some(ridden),
            controller: &CONTROLLER,
            controller_before: &CONTROLLER,
            settings: &Blending::default(),
        })
    };
    let fuel = |value: f64| with(today(), TableRole::Fuel, 2, value);
    let found = judged(&fuel(48.5), &fuel(47.0), &since(today()));
    assert_eq!(names(&found), ["high_load_lean"]);
    assert_eq!(found[0].cells, ["1000 rpm, 80 %: 50.0→47.0 since r4"]);
    assert_eq!(names(&judged(&fuel(48.5), &fuel(48.0), &since(today()))), [""; 0]);
    // What was leaned before does not hold a change elsewhere, or one back towards more fuel.
    assert_eq!(names(&judged(&fuel(45.0), &fuel(45.5), &since(today()))), [""; 0]);
    let elsewhere = with(fuel(45.0), TableRole::Fuel, 0, 51.0);
    assert_eq!(names(&judged(&fuel(45.0), &elsewhere, &since(today()))), [""; 0]);
    // A leaner target adds to less fuel; after a ride on it the counting begins anew.
    let target = with(fuel(48.5), TableRole::Mixture, 2, 0.90);
    let found = judged(&fuel(48.5), &target, &since(today()));
    assert_eq!((names(&found), found[0].table), (vec!["high_load_lean"], TableRole::Mixture));
    assert_eq!(names(&judged(&fuel(48.5), &target, &since(fuel(48.5)))), [""; 0]);
}

#[test]
fn another_bike_yaml_hides_no_leaning() {
    let baked_in = Controller { mixture: Mixture::Table, ..CONTROLLER };
    let judged = |before: &SlotTables, then: &Controller, after: &SlotTables, now: &Controller| {
        let ridden = SlotAtRevision { revision: "r1".to_owned(), tables: today(), controller: *then };
        judge(&HandInput {
            before: Some(before),
            after,
            start: Some(before),
            spark_before: before.spark.as_ref(),
            spark_start: None,
            others: &[],
            ridden: Some(&ridden),
            controller: now,
            controller_before: then,
            settings: &Blending::default(),
        })
    };
    // Without the division by a rich target the engine gets less.
    let found = judged(&today(), &CONTROLLER, &today(), &baked_in);
    assert_eq!(names(&found), ["high_load_lean"]);
    assert_eq!(found[0].cells[1], "1000 rpm, 80 %: 56.8→50.0 by bike.yaml");
    assert_eq!(names(&judged(&today(), &baked_in, &today(), &CONTROLLER)), [""; 0]);
    // Targets that leaned nothing while they counted as baked in lean once they count.
    let leaner = with(today(), TableRole::Mixture, 2, 0.95);
    assert_eq!(names(&judged(&today(), &baked_in, &leaner, &baked_in)), [""; 0]);
    let found = judged(&leaner, &baked_in, &leaner, &CONTROLLER);
    assert_eq!((names(&found), found[0].table), (vec!["high_load_lean"], TableRole::Mixture));
}

fn cells() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec((400..600i64).prop_map(|steps| steps as f64 / 10.0), 9)
}

fn targets() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec((850..1000i64).prop_map(|steps| steps as f64 / 1000.0), 9)
}

proptest! {
    #[test]
    fn no_high_load_cell_leans_beyond_the_limit_whatever_is_changed(
        fuel in cells(), targets in targets(), nearly in 0.0..0.06f64, baked in any::<bool>()
    ) {
        let settings = Blending::default();
        let grid = Grid {
            rpm: Axis::new(vec![900.0, 2100.0, 3300.0]).expect("valid"),
            load: Axis::new(vec![9.0, 45.0, 90.0]).expect("valid"),
        };
        // Small changes are the ones that may pass.
        let before = SlotTables { mixture: Table { grid, ..today().mixture }, ..today() };
        let towards = |old: &[f64], new: &[f64], resolution: Resolution| -> Vec<f64> {
            old.iter().zip(new).map(|(o, n)| resolution.snap(o * (1.0 + nearly * (n / o - 1.0).signum()))).collect()
        };
        let mut after = before.clone();
        after.fuel.values = towards(&before.fuel.values, &fuel, before.fuel.resolution);
        after.mixture.values = towards(&before.mixture.values, &targets, Resolution::new(0.001).expect("a step"));
        let mixture = if baked { Mixture::Table } else { Mixture::Controller };
        let controller = Controller { mixture, ..CONTROLLER };
        if refuse(&judged_by(&controller, &before, &after, &before), &[]).is_ok() {
            for table in [&before.fuel, &before.mixture] {
                for cell in (0..9).filter(|c| settings.reaches_high_load(&table.grid, table.load_axis, *c)) {
                    let (rpm, load) = table.grid.point(cell);
                    let amount = |t: &SlotTables| match baked {
                        true => t.fuel.at(rpm, load),
                        false => t.fuel.at(rpm, load) / t.mixture.at(rpm, load),
                    };
                    prop_assert!(amount(&after) >= amount(&before) * 0.96 - 1e-6, "{rpm} {load}");
                }
            }
        }
    }
}

#[test]
fn a_module_s_range_holds_changes_by_hand_and_never_stands_aside() {
    let controller =
        Controller { fuel_table: FuelTableKind::TrimPct, trim_range_pct: Some([-5.0, 55.0]), ..CONTROLLER };
    let judged = |before: Option<&SlotTables>, after: &SlotTables| {
        judge(&HandInput {
            before,
            after,
            start: before,
            spark_before: None,
            spark_start: None,
            others: &[],
            ridden: None,
            controller: &controller,
            controller_before: &controller,
            settings: &Blending::default(),
        })
    };
    let before = today();
    let after = with(before.clone(), TableRole::Fuel, 0, 55.1);
    let found = judged(Some(&before), &after);
    assert_eq!(names(&found), ["module_range"]);
    let refusal = refuse(&found, &HandGuard::ALL).expect_err("refused");
    assert!(refusal.saw.contains("beyond what the module can hold"), "{}", refusal.saw);
    assert_eq!(names(&judged(Some(&before), &with(before.clone(), TableRole::Fuel, 0, 55.0))), [""; 0]);
    assert_eq!(names(&judged(None, &after)), ["module_range"]);
}
