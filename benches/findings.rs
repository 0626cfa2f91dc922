//! How many liars among rides are found, and how many honest rides are accused:
//! `cargo bench --bench findings`.
//!
//! Eight seeded virtual bikes of different character with a map that is off by 2
//! to 12 %, six rides each on different days: false alarms are counted on them as
//! they are, then one of the six is ridden again with a leak ahead of the sensor,
//! or with a sensor that is off.

use rayon::prelude::*;
use rideloop::bike::{Bike, Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::evidence::{CellSums, compare_rides};
use rideloop::pipeline::{Plan, RideContext, gas_flow_kg_s, run_ride};
use rideloop::ride::Ride;
use rideloop::table::{Axis, Grid, LoadAxis, Table};
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};
use std::path::Path;

const BIKES: u64 = 8;
const RIDES: u64 = 6;
const MINUTES: f64 = 30.0;

struct TestBike {
    bike: Bike,
    character: Character,
    tables: SlotTables,
}

fn main() {
    let bikes: Vec<TestBike> = (1..=BIKES).map(test_bike).collect();
    let plan = Plan::parse("road", Path::new("road.yaml"), include_str!("../pipelines/road.yaml"))
        .expect("a pipeline");
    let spread = plan.estimator.averaging().spread();
    for (i, bike) in bikes.iter().enumerate() {
        let flow = flows(bike);
        let honest: Vec<Vec<CellSums>> =
            (1..=RIDES).into_par_iter().map(|seed| sums(bike, &bike.character, &plan, seed)).collect();
        println!("bike {} (idle flow {:.2} g/s)", i + 1, idle_flow(bike) * 1000.0);
        let show = |name: &str, rides: &[&[CellSums]], only: Option<usize>| {
            for (r, found) in compare_rides(rides, &flow, &spread).iter().enumerate() {
                if only.is_some_and(|only| only != r) {
                    continue;
                }
                let Some(found) = found else {
                    println!("  {name} ride {r}: no comparison");
                    continue;
                };
                let air = found.false_air.map_or(String::new(), |f| {
                    format!(
                        "false air {:+.1} % ± {:.1} ({:+.1} s), without strongest {:+.1}, at {:.2} g/s",
                        f.effect.value * 100.0,
                        f.effect.std_error * 100.0,
                        f.effect.sigmas(),
                        f.effect_without_strongest * 100.0,
                        f.lowest_flow_kg_s * 1000.0
                    )
                });
                println!(
                    "  {name} ride {r}: offset {:+.1} % ± {:.1} ({:+.1} s), {} cells; {air}",
                    found.offset.value * 100.0,
                    found.offset.std_error * 100.0,
                    found.offset.sigmas(),
                    found.cells
                );
            }
        };
        let all: Vec<&[CellSums]> = honest.iter().map(Vec::as_slice).collect();
        show("honest", &all, None);
        let leaks: Vec<(f64, Vec<CellSums>)> = [0.02, 0.04, 0.06, 0.10]
            .into_par_iter()
            .map(|size| {
                let mut leaking = bike.character.clone();
                leaking.exhaust.leak_kg_s = size * idle_flow(bike);
                (size, sums(bike, &leaking, &plan, 3))
            })
            .collect();
        for (size, leaking) in &leaks {
            let mut mixed = all.clone();
            mixed[2] = leaking;
            show(&format!("leak {:.0} %", size * 100.0), &mixed, Some(2));
        }
    }
}

fn flows(bike: &TestBike) -> Vec<f64> {
    let table = &bike.tables.fuel;
    (0..table.grid.cells())
        .map(|cell| {
            let (rpm, load) = table.grid.point(cell);
            gas_flow_kg_s(&bike.bike, table, rpm, load, None)
        })
        .collect()
}

/// Gas flow at warm idle, kg/s.
fn idle_flow(bike: &TestBike) -> f64 {
    gas_flow_kg_s(&bike.bike, &bike.tables.fuel, BikeSpec::of(&bike.bike).idle_rpm, 0.0, None)
}

fn sums(bike: &TestBike, character: &Character, plan: &Plan, seed: u64) -> Vec<CellSums> {
    let twin = VirtualBike { spec: BikeSpec::of(&bike.bike), character: character.clone() };
    let tables = &bike.tables;
    let request = RideRequest {
        seed,
        minutes: MINUTES,
        rate_hz: 20.0,
        cold_start: true,
        ambient: Ambient {
            air_temp_c: 8.0 + 4.0 * seed as f64,
            baro_kpa: 97.0 + 0.7 * (seed % 4) as f64,
            humidity_rh: 0.5,
        },
        style: if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road },
    };
    let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
    let ride = Ride::read(Path::new("ride.csv"), log.to_csv(None).as_bytes()).expect("a ride");
    let context = RideContext { bike: &bike.bike, ridden: tables, today: tables, slot: "main" };
    run_ride(plan, &ride, &context).expect("channels").sums
}

fn test_bike(seed: u64) -> TestBike {
    let load = if seed.is_multiple_of(4) { LoadAxis::MapKpa } else { LoadAxis::ThrottlePct };
    let kind = if seed.is_multiple_of(3) { FuelTableKind::PulseWidthMs } else { FuelTableKind::VePct };
    let template = Template {
        name: format!("seeded {seed}"),
        displacement_cc: 650.0,
        cylinders: 2,
        rev_limit_rpm: 8500.0,
        fuel: "E10".to_owned(),
        fuel_table: kind,
        load,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-01-01".to_owned(),
    };
    let mut bike = Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
    bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles: 1.5, transport_ml: 800.0, lag_s: 0.08 });
    let character = Character::from_seed(seed);
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character: character.clone() };
    let mut mixture = template.mixture_table();
    let grid = grid(&mixture.grid, load);
    mixture.values = (0..grid.cells())
        .map(|cell| {
            let (rpm, load) = grid.point(cell);
            mixture.at(rpm, load)
        })
        .collect();
    mixture.grid = grid.clone();
    let value = |cell: usize| {
        let (rpm, load) = grid.point(cell);
        let truth = twin.true_table_value(rpm, load, mixture.values[cell]);
        let error = 0.07 + 0.05 * (rpm / 700.0 + load / 31.0).sin();
        bike.resolution.snap(kind.cell(kind.amount(truth) / (1.0 + error)))
    };
    let values = (0..grid.cells()).map(value).collect();
    let fuel = Table { grid, load_axis: load, resolution: bike.resolution, values };
    let tables = SlotTables { fuel, mixture, spark: None, locks: Vec::new() };
    TestBike { bike, character, tables }
}

fn grid(from: &Grid, load: LoadAxis) -> Grid {
    let load = match load {
        LoadAxis::ThrottlePct => {
            vec![0.0, 2.0, 4.0, 7.0, 10.0, 14.0, 18.0, 24.0, 32.0, 42.0, 55.0, 75.0, 100.0]
        }
        LoadAxis::MapKpa => (2..=10).map(|i| f64::from(i) * 10.0).collect(),
    };
    Grid { rpm: from.rpm.clone(), load: Axis::new(load).expect("ascending") }
}
