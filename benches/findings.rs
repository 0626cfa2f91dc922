//! How many liars among rides are found, and how many honest rides are accused:
//! `cargo bench --bench findings`.
//!
//! Eight seeded virtual bikes of different character with a map that is off by 2
//! to 12 %, six rides each on different days: false alarms are counted on them as
//! they are, then one of the six is ridden again with a leak ahead of the sensor,
//! or with a sensor that is off.

use rayon::prelude::*;
use rideloop::bike::{Bike, Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::evidence::{RideSums, Scales};
use rideloop::findings::{Finding, Severity, air_temp_exponent, among_rides, of_one_ride};
use rideloop::pipeline::{Plan, RideContext, RideOutcome, evidence_of_rides, gas_flow_kg_s, run_ride};
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

/// Air temperature of the rides: an ordinary month, and a whole year.
const MONTH: (&str, fn(u64) -> f64) = ("a month's weather", |seed| 10.0 + 3.0 * seed as f64);
const YEAR: (&str, fn(u64) -> f64) =
    ("a year's weather", |seed| [1.0, 35.0, 8.0, 28.0, 15.0, 22.0][seed as usize % 6]);

fn main() {
    let bikes: Vec<TestBike> = (1..=BIKES).map(test_bike).collect();
    let plan = Plan::parse("road", Path::new("road.yaml"), include_str!("../pipelines/road.yaml"))
        .expect("a pipeline");
    for (weather, air_temp_c) in [MONTH, YEAR] {
        let rides: Vec<(usize, u64)> =
            (0..bikes.len()).flat_map(|b| (1..=RIDES).map(move |r| (b, r))).collect();
        let made: Vec<Made> = rides
            .par_iter()
            .map(|(bike, seed)| make(&bikes[*bike], &bikes[*bike].character, &plan, *seed, air_temp_c))
            .collect();
        let honest: Vec<&[Made]> = made.chunks(RIDES as usize).collect();
        println!("\n{weather}, {} bikes with {RIDES} rides each", bikes.len());
        for judges in [2, 3, RIDES as usize] {
            let mut count = Count::default();
            for (bike, rides) in bikes.iter().zip(&honest) {
                let among = judge(bike, &plan, &rides.iter().take(judges).collect::<Vec<_>>());
                for (ride, found) in rides.iter().zip(among) {
                    count.add(ride.alone.iter().cloned().chain(found).collect());
                }
            }
            println!("  honest rides in groups of {judges}: {count}");
        }
        println!("  suspected of false air in all rides: {}", suspected(&bikes, &plan, &honest));
        for size in [0.04, 0.06, 0.10] {
            let leaking: Vec<Made> = rides
                .par_iter()
                .map(|(bike, seed)| {
                    let mut character = bikes[*bike].character.clone();
                    character.exhaust.leak_kg_s = size * idle_flow(&bikes[*bike]);
                    make(&bikes[*bike], &character, &plan, *seed, air_temp_c)
                })
                .collect();
            let all: Vec<&[Made]> = leaking.chunks(RIDES as usize).collect();
            let percent = size * 100.0;
            println!("  the same with a leak of {percent:.0} % at idle: {}", suspected(&bikes, &plan, &all));
        }
        let mut lying: Vec<(String, Change)> = [0.02, 0.04, 0.06, 0.10]
            .map(|size| (format!("a leak of {:.0} % at idle", size * 100.0), Change::Leak(size)))
            .to_vec();
        lying.extend(
            [-0.06, -0.04, -0.02, 0.02, 0.04, 0.06]
                .map(|by| (format!("a sensor off by {:+.0} %", by * 100.0), Change::Off(by))),
        );
        for (name, change) in lying {
            let lies: Vec<Made> = (0..bikes.len())
                .into_par_iter()
                .map(|b| match change {
                    Change::Leak(size) => {
                        let mut character = bikes[b].character.clone();
                        character.exhaust.leak_kg_s = size * idle_flow(&bikes[b]);
                        make(&bikes[b], &character, &plan, 3, air_temp_c)
                    }
                    Change::Off(by) => {
                        let mut off = honest[b][2].clone();
                        off.outcome.sums.iter_mut().for_each(|cell| *cell = cell.scaled(1.0 + by));
                        off
                    }
                })
                .collect();
            let (mut liar, mut others) = (Count::default(), Count::default());
            for (b, lie) in lies.iter().enumerate() {
                let mut mixed: Vec<&Made> = honest[b].iter().collect();
                mixed[2] = lie;
                for (ride, found) in judge(&bikes[b], &plan, &mixed).into_iter().enumerate() {
                    let count = if ride == 2 { &mut liar } else { &mut others };
                    count.add(found.into_iter().collect());
                }
            }
            println!("  {name}: {liar}; the honest beside it: {others}");
        }
    }
}

#[derive(Clone, Copy)]
enum Change {
    Leak(f64),
    Off(f64),
}

/// Rides by the weight of their weightiest finding.
#[derive(Default)]
struct Count {
    rides: usize,
    serious: Vec<String>,
    warnings: Vec<String>,
}

impl Count {
    fn add(&mut self, findings: Vec<Finding>) {
        self.rides += 1;
        let Some(worst) = findings.iter().max_by_key(|f| f.severity) else { return };
        match worst.severity {
            Severity::Serious => self.serious.push(worst.name.to_owned()),
            Severity::Warning => self.warnings.push(worst.name.to_owned()),
            Severity::Note => {}
        }
    }
}

impl std::fmt::Display for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let names = |list: &[String]| {
            let mut names = list.to_vec();
            names.sort_unstable();
            names.dedup();
            if names.is_empty() { String::new() } else { format!(" ({})", names.join(", ")) }
        };
        write!(
            f,
            "{} rides, {} serious{}, {} warned of{}",
            self.rides,
            self.serious.len(),
            names(&self.serious),
            self.warnings.len(),
            names(&self.warnings)
        )
    }
}

/// A ride and what it shows alone.
#[derive(Clone)]
struct Made {
    outcome: RideOutcome,
    alone: Vec<Finding>,
}

fn judge(bike: &TestBike, plan: &Plan, rides: &[&Made]) -> Vec<Option<Finding>> {
    let sums: Vec<RideSums<'_>> =
        rides.iter().map(|r| RideSums { cells: &r.outcome.sums, air_temp_c: r.outcome.air_temp_c }).collect();
    let scales = Scales {
        flow_kg_s: &flows(bike),
        spread: plan.estimator.averaging().spread(),
        air_temp_exponent: air_temp_exponent(bike.bike.controller.load),
    };
    among_rides(&sums, &scales)
}

/// The bikes whose rides all together look as if false air reached the sensor, and what
/// each bike shows.
fn suspected(bikes: &[TestBike], plan: &Plan, rides: &[&[Made]]) -> String {
    let shown = bikes.iter().zip(rides).map(|(bike, rides)| {
        let aged: Vec<(&RideOutcome, f64)> = rides.iter().map(|ride| (&ride.outcome, 1.0)).collect();
        let tables = &bike.tables;
        let together = evidence_of_rides(plan, &aged, tables, &tables.fuel, &bike.bike).expect("solvable");
        together.low_flow
    });
    let shown: Vec<_> = shown.collect();
    let suspect = shown.iter().flatten().filter(|rise| rise.is_suspect()).count();
    let told = shown.iter().map(|rise| match rise {
        Some(rise) => format!("{:+.1} ± {:.1}", rise.effect.value * 100.0, rise.effect.std_error * 100.0),
        None => "–".to_owned(),
    });
    format!("{suspect} of {} bikes ({} %)", bikes.len(), told.collect::<Vec<_>>().join(", "))
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
    let load = match bike.tables.fuel.load_axis {
        LoadAxis::ThrottlePct => 0.0,
        LoadAxis::MapKpa => bike.character.throttle.idle_map_kpa,
    };
    gas_flow_kg_s(&bike.bike, &bike.tables.fuel, BikeSpec::of(&bike.bike).idle_rpm, load, None)
}

fn make(bike: &TestBike, character: &Character, plan: &Plan, seed: u64, air_temp_c: fn(u64) -> f64) -> Made {
    let twin = VirtualBike { spec: BikeSpec::of(&bike.bike), character: character.clone() };
    let tables = &bike.tables;
    let request = RideRequest {
        seed,
        minutes: MINUTES,
        rate_hz: 20.0,
        cold_start: true,
        ambient: Ambient {
            air_temp_c: air_temp_c(seed),
            baro_kpa: 97.0 + 0.7 * (seed % 4) as f64,
            humidity_rh: 0.5,
        },
        style: if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road },
    };
    let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
    let ride =
        Ride::read(Path::new("ride.csv"), log.to_csv(None).as_bytes(), &rideloop::ride::Loggers::none())
            .expect("a ride");
    let context = RideContext::of_one_slot(&bike.bike, tables, "main");
    Made { outcome: run_ride(plan, &ride, &context).expect("channels"), alone: of_one_ride(&ride, &context) }
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
        ..Template::default()
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
