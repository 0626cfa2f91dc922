//! The bikes: what their owners know of them, what only nature knows, and the
//! map each of them starts from.

use rideloop::bike::{Bike, ClosedLoopMode, Density, FuelTableKind, Mixture, Region, SlotTables, Template};
use rideloop::table::{Axis, Grid, LoadAxis, Table};
use rideloop::virtual_bike::air::{AirPath, Inlet};
use rideloop::virtual_bike::{BikeSpec, Character, VirtualBike};
use std::path::Path;

/// One bike of the benchmark.
pub struct TestBike {
    pub name: &'static str,
    pub bike: Bike,
    pub twin: VirtualBike,
    /// The tables it starts from.
    pub start: SlotTables,
}

impl TestBike {
    pub fn kind(&self) -> FuelTableKind {
        self.bike.controller.fuel_table
    }

    /// From here on the load is high; what `blend` takes by default.
    pub fn is_high_load(&self, load: f64) -> bool {
        rideloop::blend::Blending::default().is_high_load(self.bike.controller.load, load)
    }

    /// Whether the controller corrects the mixture here and hides by how much.
    pub fn is_governed(&self, rpm: f64, load: f64) -> bool {
        let unlogged = self.bike.closed_loop.mode == ClosedLoopMode::Unlogged;
        unlogged && self.bike.closed_loop.region.is_some_and(|region| region.contains(rpm, load))
    }

    /// Whether the operating point lies within the table's axes.
    pub fn is_on_the_table(&self, rpm: f64, load: f64) -> bool {
        let within = |axis: &Axis, x: f64| {
            let b = axis.breakpoints();
            (b[0]..=b[b.len() - 1]).contains(&x)
        };
        let grid = &self.start.fuel.grid;
        within(&grid.rpm, rpm) && within(&grid.load, load)
    }
}

/// What the benchmark is told of a bike.
struct Plan {
    name: &'static str,
    /// 0 is the mild road engine, any other number a seed.
    engine: u64,
    cylinders: u32,
    displacement_cc: f64,
    fuel_table: FuelTableKind,
    load: LoadAxis,
    /// How lean the start map is as a whole, %; negative is rich.
    start_lean_pct: f64,
}

/// How far the start map's error swings about its mean.
const START_SWING: f64 = 0.05;
/// How wrong the leaking joint makes the lambda reading at idle.
const LEAK_AT_IDLE: f64 = 0.06;

/// All bikes, in the order they are printed; `true_sensor`: with sensors that
/// neither drift nor lie, so that what is left is not theirs.
pub fn bikes(true_sensor: bool) -> Vec<TestBike> {
    use FuelTableKind::{PulseWidthMs, TrimPct, VePct};
    use LoadAxis::{MapKpa, ThrottlePct};
    let plan = |name, engine, cylinders, displacement_cc, fuel_table, load, start_lean_pct| Plan {
        name,
        engine,
        cylinders,
        displacement_cc,
        fuel_table,
        load,
        start_lean_pct,
    };
    let plain = |_: &mut Bike, _: &mut Character| {};
    let build = |plan: &Plan, change: fn(&mut Bike, &mut Character)| build(plan, change, true_sensor);
    vec![
        build(&plan("mild twin, VE over throttle", 0, 2, 700.0, VePct, ThrottlePct, 7.0), plain),
        build(&plan("mild twin, VE over manifold pressure", 0, 2, 700.0, VePct, MapKpa, -8.0), plain),
        build(
            &plan("single, pulse width over throttle", 11, 1, 450.0, PulseWidthMs, ThrottlePct, 10.0),
            plain,
        ),
        build(&plan("twin, trim over throttle", 12, 2, 900.0, TrimPct, ThrottlePct, -8.0), plain),
        build(
            &plan("twin, pulse width over manifold pressure", 13, 2, 650.0, PulseWidthMs, MapKpa, 5.0),
            plain,
        ),
        build(
            &plan("single, trim over manifold pressure", 19, 1, 390.0, TrimPct, MapKpa, -7.0),
            |bike, _| bike.controller.mixture = Mixture::Controller,
        ),
        build(&plan("hot cams, strong reversion", 20, 2, 1000.0, VePct, ThrottlePct, 8.0), |_, character| {
            hot(character)
        }),
        build(&plan("closed loop, trim logged", 14, 2, 800.0, VePct, ThrottlePct, 6.0), |bike, _| {
            bike.closed_loop.mode = ClosedLoopMode::TrimLogged;
        }),
        build(&plan("closed loop, trim not logged", 17, 4, 750.0, VePct, ThrottlePct, -7.0), |bike, _| {
            bike.closed_loop.mode = ClosedLoopMode::Unlogged;
            bike.closed_loop.region = Some(Region { rpm: [0.0, 4000.0], load: [0.0, 12.0] });
        }),
        build(&plan("nobody corrects the density", 15, 2, 700.0, VePct, ThrottlePct, -6.0), |bike, _| {
            bike.controller.density = Density::None;
        }),
        build(&plan("noisy, drifting sensor", 16, 2, 700.0, VePct, ThrottlePct, 8.0), |_, character| {
            character.probe.noise_sd *= 3.0;
            character.probe.ride_offset_sd *= 2.0;
            character.probe.wander_sd *= 2.0;
        }),
        build(&plan("exhaust leak", 18, 2, 700.0, PulseWidthMs, ThrottlePct, -5.0), |bike, character| {
            let spec = BikeSpec::of(bike);
            let idle_kpa = character.throttle.idle_map_kpa;
            let idle_air = AirPath::new(&spec, character).engine_flow_kg_s(
                spec.idle_rpm,
                idle_kpa,
                &Inlet::reference(character),
            );
            character.exhaust.leak_kg_s = LEAK_AT_IDLE * idle_air * (1.0 + 1.0 / spec.stoich_afr);
        }),
    ]
}

/// The far end of what a seed can draw, so that it is certain to be there.
fn hot(character: &mut Character) {
    let breathing = &mut character.breathing;
    breathing.peak = 0.80;
    breathing.falloff_below = 0.095;
    breathing.offset_kpa = -15.5;
    breathing.reversion.depth = 0.13;
    breathing.reversion.false_lean = 0.09;
    breathing.reversion.half_at_kg_s_l = 0.0024;
    character.throttle.idle_map_kpa = 46.0;
    character.idle_hunt_rpm = 85.0;
}

fn build(plan: &Plan, change: fn(&mut Bike, &mut Character), true_sensor: bool) -> TestBike {
    let template = Template {
        name: plan.name.to_owned(),
        displacement_cc: plan.displacement_cc,
        cylinders: plan.cylinders,
        rev_limit_rpm: 8500.0,
        fuel: "E10".to_owned(),
        fuel_table: plan.fuel_table,
        load: plan.load,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-01-01".to_owned(),
        ..Template::default()
    };
    let mut bike = Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
    let mut character = if plan.engine == 0 { Character::mild() } else { Character::from_seed(plan.engine) };
    change(&mut bike, &mut character);
    if true_sensor {
        character.probe.ride_offset_sd = 0.0;
        character.probe.wander_sd = 0.0;
        character.breathing.reversion.false_lean = 0.0;
        character.exhaust.leak_kg_s = 0.0;
    }
    // The tuner leaves the delay to the rides: `delay: estimate`, as the template has it.
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character };
    let mut mixture = template.mixture_table();
    let grid = grid(&mixture.grid, plan.load);
    mixture.values = (0..grid.cells())
        .map(|cell| {
            let (rpm, load) = grid.point(cell);
            mixture.at(rpm, load)
        })
        .collect();
    mixture.grid = grid.clone();
    // Off smoothly, as after a change of silencer.
    let kind = plan.fuel_table;
    let value = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        let truth = twin.true_table_value(rpm, load, mixture.values[cell]);
        let error = plan.start_lean_pct / 100.0 + START_SWING * (rpm / 700.0 + load / 31.0).sin();
        bike.resolution.snap(kind.cell(kind.amount(truth) / (1.0 + error)))
    };
    let values = (0..grid.cells()).map(value).collect();
    let fuel = Table { grid, load_axis: plan.load, resolution: bike.resolution, values };
    let start = SlotTables { fuel, mixture, spark: None, locks: Vec::new() };
    TestBike { name: plan.name, bike, twin, start }
}

fn grid(from: &Grid, load: LoadAxis) -> Grid {
    let load = match load {
        LoadAxis::ThrottlePct => {
            vec![0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0, 24.0, 32.0, 42.0, 55.0, 75.0, 100.0]
        }
        // A closed throttle reaches 15 kPa, and filling bends sharply up to 30.
        LoadAxis::MapKpa => vec![15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0],
    };
    Grid { rpm: from.rpm.clone(), load: Axis::new(load).expect("ascending") }
}
