//! How near each way of correcting a map comes to the truth, on seeded virtual
//! bikes of different character: `cargo bench --bench virtual_bikes`.
//!
//! Four 30-minute rides a bike, each on the map the method made of the rides
//! before. The main figure is the lambda error the engine would feel, in %,
//! over the warm running time of a ride that no method has seen. Truth and
//! estimator share nothing but the controller's arithmetic. Pipeline files named
//! behind `--` are tried as well.

use rideloop::bike::{Bike, ClosedLoopMode, Delay, Density, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::blend::{BlendInput, propose};
use rideloop::evidence::{CellEvidence, CellSums, Estimator, RideEquations, evidence_of, solve};
use rideloop::pipeline::{Plan, RideContext, RideOutcome, run_ride};
use rideloop::ride::Ride;
use rideloop::table::{Axis, Grid, LoadAxis, Table};
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideLog, RideRequest, RideStyle, VirtualBike};
use std::fmt::Write as _;
use std::path::Path;

const RIDES: u64 = 4;
const JUDGE_SEED: u64 = 7001;

fn main() {
    let bikes = bikes();
    let named = |name: &str, method| (name.to_owned(), method);
    let mut methods = vec![
        named(
            "no filter, nearest cell",
            Method::Nearest { warm: false, throttle_rate: f64::INFINITY, hits: 1 },
        ),
        named("spreadsheet", Method::Nearest { warm: true, throttle_rate: 20.0, hits: 10 }),
        named("careful script", Method::Careful),
        named("road, average", Method::Pipeline(ROAD_AVERAGE.to_owned())),
        named("road, surface", Method::Pipeline(ROAD_SURFACE.to_owned())),
    ];
    for path in std::env::args().filter(|arg| arg.ends_with(".yaml")) {
        let text = std::fs::read_to_string(&path).expect("a pipeline file");
        methods.push((path, Method::Pipeline(text)));
    }
    methods.push(named("oracle", Method::Oracle));
    println!(
        "RMS and q95 of the lambda error in %, felt on a ride no method has seen; after the fourth ride:"
    );
    println!("share of time within ±1/2/3 %, worst lean error of a ridden point above half load");
    let mut finals: Vec<Vec<f64>> = vec![Vec::new(); methods.len()];
    for bike in &bikes {
        println!("\n{}", bike.name);
        for (i, (name, method)) in methods.iter().enumerate() {
            let figures = season(bike, method);
            let rms: Vec<String> = figures.iter().map(|f| format!("{:>5.2}", f.rms)).collect();
            let last = figures.last().expect("at least the start");
            println!(
                "  {name:<24} rms {}  q95 {:>5.2}  within {:>3.0}/{:>3.0}/{:>3.0} %  lean {:>5.2}",
                rms.join(" "),
                last.q95,
                last.within[0],
                last.within[1],
                last.within[2],
                last.worst_lean
            );
            finals[i].push(last.rms);
        }
    }
    println!("\nmedian over bikes after the fourth ride");
    let oracle = median(&finals[methods.len() - 1]);
    for ((name, _), rms) in methods.iter().zip(&finals) {
        println!("  {name:<24} rms {:>5.2} %  {:>5.2} x oracle", median(rms), median(rms) / oracle);
    }
}

const ROAD_AVERAGE: &str = include_str!("../pipelines/road.yaml");
const ROAD_SURFACE: &str = "\
rides: build
stages:
  - align: {}
  - lambda_valid: {}
  - warm: { settle_s: 30 }
  - closed_loop: {}
  - overrun: {}
  - gear_shift: {}
  - transients: {}
  - window: { battery_v: [11.5, 15.5] }
  - surface: {}
  - blend: {}
";

enum Method {
    Nearest { warm: bool, throttle_rate: f64, hits: usize },
    Careful,
    Pipeline(String),
    Oracle,
}

struct TestBike {
    name: String,
    bike: Bike,
    twin: VirtualBike,
    tables: SlotTables,
    ambient: Ambient,
}

/// Eight bikes: mild and hot cams, single and twin, both load axes, all kinds of
/// table, closed loop, uncompensated density, a noisy sensor. No leak yet.
fn bikes() -> Vec<TestBike> {
    use FuelTableKind::{PulseWidthMs, TrimPct, VePct};
    use LoadAxis::{MapKpa, ThrottlePct};
    let plain = |_: &mut Bike, _: &mut Character| {};
    let mut list = vec![
        test_bike("mild twin, VE over throttle", 0, 2, 700.0, VePct, ThrottlePct, plain),
        test_bike("mild twin, VE over manifold pressure", 0, 2, 700.0, VePct, MapKpa, plain),
        test_bike("seeded single, pulse width over throttle", 11, 1, 450.0, PulseWidthMs, ThrottlePct, plain),
        test_bike("seeded twin, trim over throttle", 12, 2, 900.0, TrimPct, ThrottlePct, plain),
        test_bike(
            "seeded twin, pulse width over manifold pressure",
            13,
            2,
            650.0,
            PulseWidthMs,
            MapKpa,
            plain,
        ),
    ];
    list.push(test_bike("closed loop with logged trim", 14, 2, 800.0, VePct, ThrottlePct, |bike, _| {
        bike.closed_loop.mode = ClosedLoopMode::TrimLogged;
    }));
    list.push(test_bike("nobody corrects the density", 15, 2, 700.0, VePct, ThrottlePct, |bike, _| {
        bike.controller.density = Density::None;
    }));
    list.push(test_bike("noisy, drifting sensor", 16, 2, 700.0, VePct, ThrottlePct, |_, character| {
        character.probe.noise_sd *= 3.0;
        character.probe.ride_offset_sd *= 2.0;
        character.probe.wander_sd *= 2.0;
    }));
    list
}

#[allow(clippy::too_many_arguments, reason = "one line a bike")]
fn test_bike(
    name: &str,
    engine: u64,
    cylinders: u32,
    displacement_cc: f64,
    fuel_table: FuelTableKind,
    load: LoadAxis,
    change: impl Fn(&mut Bike, &mut Character),
) -> TestBike {
    let template = Template {
        name: name.to_owned(),
        displacement_cc,
        cylinders,
        rev_limit_rpm: 8500.0,
        fuel: "E10".to_owned(),
        fuel_table,
        load,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-01-01".to_owned(),
    };
    let mut bike = Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
    let mut character = if engine == 0 { Character::mild() } else { Character::from_seed(engine) };
    change(&mut bike, &mut character);
    // The tuner knows the delay only roughly.
    bike.lambda_sensor.delay = Delay::Fixed(FixedDelay { cycles: 1.5, transport_ml: 800.0, lag_s: 0.08 });
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character };
    let mut mixture = template.mixture_table();
    let grid = grid(&mixture.grid, load);
    mixture.values = (0..grid.cells())
        .map(|cell| {
            let (rpm, load) = grid.point(cell);
            mixture.at(rpm, load)
        })
        .collect();
    mixture.grid = grid.clone();
    // A map that is off by 3 to 13 %, smoothly, as after a change of silencer.
    let value = |cell: usize| {
        let (rpm, load_value) = grid.point(cell);
        let truth = twin.true_table_value(rpm, load_value, mixture.values[cell]);
        let error = 0.07 + 0.05 * (rpm / 700.0 + load_value / 31.0).sin();
        bike.resolution.snap(fuel_table.cell(fuel_table.amount(truth) / (1.0 + error)))
    };
    let values = (0..grid.cells()).map(value).collect();
    let fuel = Table { grid, load_axis: load, resolution: bike.resolution, values };
    let tables = SlotTables { fuel, mixture, spark: None, locks: Vec::new() };
    let ambient = Ambient { air_temp_c: 18.0, baro_kpa: 98.0, humidity_rh: 0.6 };
    TestBike { name: name.to_owned(), bike, twin, tables, ambient }
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

struct Figures {
    rms: f64,
    q95: f64,
    within: [f64; 3],
    worst_lean: f64,
}

/// The figures at the start and after each ride.
fn season(bike: &TestBike, method: &Method) -> Vec<Figures> {
    let mut tables = bike.tables.clone();
    let mut figures = vec![judge(bike, &tables)];
    let mut ridden: Vec<(RideLog, SlotTables)> = Vec::new();
    for ride in 1..=RIDES {
        ridden.push((log(bike, &tables, ride), tables.clone()));
        tables.fuel = match method {
            Method::Nearest { warm, throttle_rate, hits } => {
                nearest(bike, &ridden[ridden.len() - 1], *warm, *throttle_rate, *hits)
            }
            Method::Careful => careful(bike, &ridden[ridden.len() - 1]),
            Method::Pipeline(text) => pipeline(bike, text, &ridden, &tables),
            Method::Oracle => oracle(bike, &ridden, &tables),
        };
        figures.push(judge(bike, &tables));
    }
    figures
}

fn log(bike: &TestBike, tables: &SlotTables, seed: u64) -> RideLog {
    let request = RideRequest {
        seed,
        minutes: 30.0,
        rate_hz: 20.0,
        cold_start: true,
        ambient: bike.ambient,
        style: if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road },
    };
    bike.twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request)
}

fn load_of<'a>(bike: &TestBike, log: &'a RideLog) -> &'a [f64] {
    match bike.bike.controller.load {
        LoadAxis::ThrottlePct => &log.throttle_pct,
        LoadAxis::MapKpa => &log.map_kpa,
    }
}

fn is_running(log: &RideLog, i: usize) -> bool {
    log.engine_temp_c[i] >= 75.0 && log.fuel_cut[i] < 0.5
}

fn judge(bike: &TestBike, tables: &SlotTables) -> Figures {
    let log = log(bike, tables, JUDGE_SEED);
    let load = load_of(bike, &log);
    let high = if bike.bike.controller.load == LoadAxis::ThrottlePct { 50.0 } else { 75.0 };
    let errors: Vec<(f64, f64)> = (0..log.len())
        .filter(|i| is_running(&log, *i))
        .map(|i| (log.truth.steady_lambda_error[i] * 100.0, load[i]))
        .collect();
    let n = errors.len().max(1) as f64;
    let mut sizes: Vec<f64> = errors.iter().map(|(e, _)| e.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let within = |limit: f64| sizes.iter().filter(|e| **e <= limit).count() as f64 / n * 100.0;
    Figures {
        rms: (sizes.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
        q95: sizes.get((n * 0.95) as usize).copied().unwrap_or_default(),
        within: [within(1.0), within(2.0), within(3.0)],
        worst_lean: errors
            .iter()
            .filter(|(_, l)| *l >= high)
            .map(|(e, _)| *e)
            .fold(f64::NEG_INFINITY, f64::max),
    }
}

/// The factor a sample asks for when its lambda is read `delay` samples later.
fn factor(bike: &TestBike, log: &RideLog, i: usize, delay: usize) -> Option<f64> {
    let lambda = *log.lambda.get(i + delay)?;
    let trim = match bike.bike.closed_loop.mode {
        ClosedLoopMode::TrimLogged => log.trim_pct[i] / 100.0,
        _ => 0.0,
    };
    let fine = (0.65..=1.5).contains(&lambda) && log.lambda_target[i] > 0.0;
    fine.then(|| (1.0 + trim) * lambda / log.lambda_target[i])
}

fn corrected(bike: &TestBike, table: &Table, factors: &[Option<f64>]) -> Table {
    let kind = bike.bike.controller.fuel_table;
    let cell = |(value, factor): (&f64, &Option<f64>)| match factor {
        Some(factor) => table.resolution.snap(kind.cell(kind.amount(*value) * factor)),
        None => *value,
    };
    Table { values: table.values.iter().zip(factors).map(cell).collect(), ..table.clone() }
}

/// Means of the nearest cell, as a spreadsheet makes them.
fn nearest(bike: &TestBike, ridden: &(RideLog, SlotTables), warm: bool, rate: f64, hits: usize) -> Table {
    let (log, tables) = ridden;
    let (table, load) = (&tables.fuel, load_of(bike, log));
    let mut sums = vec![(0.0, 0usize); table.grid.cells()];
    for (i, load) in load.iter().enumerate().skip(1) {
        let moves =
            (log.throttle_pct[i] - log.throttle_pct[i - 1]).abs() / (log.time_s[i] - log.time_s[i - 1]);
        if (warm && log.engine_temp_c[i] < 75.0) || moves > rate {
            continue;
        }
        if let Some(factor) = factor(bike, log, i, 0) {
            let cell = table.grid.cell(table.grid.rpm.nearest(log.rpm[i]), table.grid.load.nearest(*load));
            sums[cell].0 += factor;
            sums[cell].1 += 1;
        }
    }
    let factors: Vec<_> = sums.iter().map(|(sum, n)| (*n >= hits).then(|| sum / *n as f64)).collect();
    corrected(bike, table, &factors)
}

/// Bilinear weights, warm, transients with hold-off, overrun, 250 ms of delay.
fn careful(bike: &TestBike, ridden: &(RideLog, SlotTables)) -> Table {
    const DELAY: usize = 5;
    let (log, tables) = ridden;
    let (table, load) = (&tables.fuel, load_of(bike, log));
    let mut sums = vec![(0.0, 0.0); table.grid.cells()];
    let mut quiet_from = 0;
    for (i, load) in load.iter().enumerate().skip(4) {
        let rate = (log.throttle_pct[i] - log.throttle_pct[i - 4]).abs() / 0.2;
        let gear = (log.gear[i] - log.gear[i - 1]).abs() > 0.5;
        if rate > 15.0 || gear || log.fuel_cut[i] > 0.5 {
            quiet_from = i + 16;
        }
        if i < quiet_from || log.engine_temp_c[i] < 75.0 {
            continue;
        }
        let Some(factor) = factor(bike, log, i, DELAY) else { continue };
        let corners = table.grid.corners(log.rpm[i], *load);
        for (cell, weight) in corners.cells.into_iter().zip(corners.weights) {
            sums[cell].0 += weight * factor;
            sums[cell].1 += weight;
        }
    }
    let factors: Vec<_> = sums.iter().map(|(sum, w)| (*w >= 5.0).then(|| sum / w)).collect();
    corrected(bike, table, &factors)
}

/// The tool itself: the same functions as a run, without git.
fn pipeline(bike: &TestBike, text: &str, ridden: &[(RideLog, SlotTables)], today: &SlotTables) -> Table {
    let plan = Plan::parse("bench", Path::new("bench.yaml"), text).expect("a pipeline");
    let outcomes: Vec<RideOutcome> = ridden
        .iter()
        .map(|(log, tables)| {
            let ride = Ride::read(Path::new("ride.csv"), csv(log).as_bytes()).expect("a ride");
            let context = RideContext { bike: &bike.bike, ridden: tables, today, slot: "main" };
            run_ride(&plan, &ride, &context).expect("channels")
        })
        .collect();
    let kind = bike.bike.controller.fuel_table;
    let mut sums = vec![CellSums::default(); today.fuel.grid.cells()];
    for outcome in &outcomes {
        for (sum, more) in sums.iter_mut().zip(&outcome.sums) {
            sum.merge(more);
        }
    }
    let evidence: Vec<Option<CellEvidence>> = match &plan.estimator {
        Estimator::Mean(averaging) => {
            let spread = averaging.spread();
            sums.iter().map(|s| CellEvidence::from_sums(s, &spread, kind)).collect()
        }
        Estimator::Surface(fit) => {
            let equations: Vec<&RideEquations> =
                outcomes.iter().filter_map(|o| o.equations.as_ref()).collect();
            let amounts: Vec<f64> = today.fuel.values.iter().map(|v| kind.amount(*v)).collect();
            let solution = solve(&equations, &today.fuel.grid, &amounts, fit).expect("positive definite");
            evidence_of(&solution, &sums, kind)
        }
    };
    let start = &bike.tables.fuel;
    propose(&BlendInput { today, start, evidence: &evidence, kind, settings: &plan.blending }).table
}

/// Knows delay, lag and steadiness: each sample's true steady error, with the
/// probe's white noise, and a light prior; plain least squares.
fn oracle(bike: &TestBike, ridden: &[(RideLog, SlotTables)], today: &SlotTables) -> Table {
    use rideloop::evidence::{RideSamples, Sample, SurfaceFit, equations};
    let kind = bike.bike.controller.fuel_table;
    let fit = SurfaceFit {
        second_spread_pct: 0.3,
        dwell_spread_pct: 0.05,
        ride_spread_pct: 0.05,
        change_pct: 50.0,
        bend_pct: 20.0,
        ..SurfaceFit::default()
    };
    let equations: Vec<RideEquations> = ridden
        .iter()
        .map(|(log, tables)| {
            let load = load_of(bike, log);
            let samples = (0..log.len()).filter(|i| is_running(log, *i)).map(|i| {
                let factor = 1.0 + log.truth.steady_lambda_error[i];
                Sample { time_s: log.time_s[i], rpm: log.rpm[i], load: load[i], factor }
            });
            let ride = RideSamples {
                samples: samples.collect(),
                interval_s: 0.05,
                memory_s: 0.08,
                ridden_amounts: Vec::new(),
            };
            equations(&ride, &today.fuel.grid, &|r, l| kind.amount(tables.fuel.at(r, l)), &fit)
        })
        .collect();
    let borrowed: Vec<&RideEquations> = equations.iter().collect();
    let amounts: Vec<f64> = today.fuel.values.iter().map(|v| kind.amount(*v)).collect();
    let solution = solve(&borrowed, &today.fuel.grid, &amounts, &fit).expect("positive definite");
    let values = solution.amounts.iter().map(|a| today.fuel.resolution.snap(kind.cell(*a))).collect();
    Table { values, ..today.fuel.clone() }
}

fn csv(log: &RideLog) -> String {
    let mut text = String::from(
        "time_s,rpm,throttle_pct,map_kpa,lambda,lambda_target,engine_temp_c,air_temp_c,baro_kpa,trim_pct,fuel_cut,gear,battery_v\n",
    );
    for i in 0..log.len() {
        let _ = writeln!(
            text,
            "{:.3},{:.0},{:.1},{:.1},{:.3},{:.3},{:.1},{:.1},{:.1},{:.2},{:.0},{:.0},{:.2}",
            log.time_s[i],
            log.rpm[i],
            log.throttle_pct[i],
            log.map_kpa[i],
            log.lambda[i],
            log.lambda_target[i],
            log.engine_temp_c[i],
            log.air_temp_c[i],
            log.baro_kpa[i],
            log.trim_pct[i],
            log.fuel_cut[i],
            log.gear[i],
            log.battery_v[i]
        );
    }
    text
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    (sorted[(sorted.len() - 1) / 2] + sorted[sorted.len() / 2]) / 2.0
}
