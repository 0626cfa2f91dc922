//! Rides whose sensors lie among rides that are honest.

use crate::bench::Bench;
use rayon::prelude::*;
use rideloop::bike::{Bike, FuelTableKind, SlotTables, Template};
use rideloop::findings::{Severity, of_one_ride};
use rideloop::pipeline::RideContext;
use rideloop::ride::Ride;
use rideloop::table::{LoadAxis, Table, parse, write};
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideLog, RideRequest, RideStyle, VirtualBike};
use serde_json::Value;
use std::path::Path;

fn request(seed: u64, minutes: f64) -> RideRequest {
    let style = if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road };
    // Each ride has another day's weather.
    let day = (seed % 9) as f64;
    let ambient = Ambient { air_temp_c: 12.0 + 2.5 * day, baro_kpa: 98.5 + 0.3 * day, humidity_rh: 0.5 };
    RideRequest { seed, minutes, rate_hz: 20.0, cold_start: true, ambient, style }
}

/// The demo bike's virtual twin and the tables it begins with.
struct Demo {
    spec: BikeSpec,
    fuel: Table,
    mixture: Table,
}

impl Demo {
    fn new() -> Self {
        let text = |path: &str| std::fs::read_to_string(Path::new("demo-bike").join(path)).expect(path);
        let bike = Bike::parse(Path::new("bike.yaml"), &text("bike.yaml")).expect("a bike");
        let table = |path: &str, resolution| {
            parse(Path::new(path), &text(path), LoadAxis::ThrottlePct, resolution, 0.0..=250.0).expect(path)
        };
        let step = rideloop::table::Resolution::new(0.001).expect("a step");
        Self {
            spec: BikeSpec::of(&bike),
            fuel: table("maps/power/fuel.csv", bike.resolution),
            mixture: table("maps/power/mixture.csv", step),
        }
    }

    fn ride(&self, seed: u64, change: impl Fn(&mut Character)) -> RideLog {
        let mut character = Character::mild();
        change(&mut character);
        let bike = VirtualBike { spec: self.spec.clone(), character };
        let (fuel, mixture) = (&self.fuel, &self.mixture);
        bike.ride(&|r, l| fuel.at(r, l), &|r, l| mixture.at(r, l), &request(seed, 25.0))
    }
}

fn cells(report: &Value) -> Vec<f64> {
    let cells = report["cells"].as_array().expect("cells");
    cells.iter().map(|cell| cell["after"].as_f64().expect("a value")).collect()
}

/// Why a ride was passed over.
fn why<'a>(report: &'a Value, file: &str) -> &'a str {
    let passed = report["passed_over"].as_array().expect("a list");
    let ride =
        passed.iter().find(|r| r["file"] == file).unwrap_or_else(|| panic!("{file} counts: {passed:#?}"));
    ride["why"].as_str().expect("a reason")
}

#[test]
fn three_liars_among_five_honest_rides_change_no_cell_and_are_named() {
    let demo = Demo::new();
    let bench = Bench::with_bike();
    let honest: Vec<(u64, RideLog)> =
        (1..=5u64).into_par_iter().map(|seed| (seed, demo.ride(seed, |_| {}))).collect();
    for (seed, log) in &honest {
        bench.write(&format!("rides/r1/honest-{seed}.csv"), log.to_csv(Some("power")));
    }
    let alone = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert_eq!(alone["rides"].as_array().map(Vec::len), Some(5), "{:#}", alone["passed_over"]);
    for ride in alone["rides"].as_array().expect("rides") {
        for finding in ride["findings"].as_array().expect("a list") {
            assert_ne!(finding["severity"], "serious", "{ride:#}");
        }
    }

    // About a tenth of the gas at idle is false air.
    let leak = demo.ride(6, |c| c.exhaust.leak_kg_s = 1.7e-4);
    let mut stuck = demo.ride(7, |_| {});
    let half = stuck.len() / 2;
    let last = stuck.lambda[half];
    stuck.lambda[half..].fill(last);
    let mut afr = demo.ride(8, |_| {});
    afr.lambda.iter_mut().for_each(|lambda| *lambda *= 14.0);
    for (name, log) in [("leak", &leak), ("stuck", &stuck), ("afr", &afr)] {
        bench.write(&format!("rides/r1/{name}.csv"), log.to_csv(Some("power")));
    }
    let mixed = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    for (before, after) in cells(&alone).iter().zip(cells(&mixed)) {
        assert!((after / before - 1.0).abs() <= 0.005, "{before} became {after}");
    }
    assert!(why(&mixed, "r1/leak.csv").starts_with("false_air"), "{}", why(&mixed, "r1/leak.csv"));
    assert!(why(&mixed, "r1/stuck.csv").starts_with("lambda_frozen"), "{}", why(&mixed, "r1/stuck.csv"));
    assert!(why(&mixed, "r1/afr.csv").contains("looks like AFR"));
    assert_eq!(mixed["rides"].as_array().map(Vec::len), Some(5));

    bench.on_bike(&["check"]).exits(1).says("lambda_frozen").says("looks like AFR");
    bench.on_bike(&["run"]).exits(0).says("serious false_air").says("r1/leak.csv").says("lambda_frozen");
    bench.assert_whole();
    let register = bench.read("rides.yaml");
    assert!(!register.contains("leak.csv") && !register.contains("stuck.csv"), "{register}");
    // They are still there, and still say nothing that counts.
    let again = bench.on_bike(&["--json", "run"]).exits(3).json();
    let saw = again["refused"]["saw"].as_str().expect("text");
    assert!(saw.contains("r1/leak.csv: false_air") && saw.contains("r1/stuck.csv: lambda_frozen"), "{saw}");
}

#[test]
fn a_liar_that_counted_is_kept_out_once_others_contradict_it() {
    let demo = Demo::new();
    let bench = Bench::with_bike();
    let leak = demo.ride(6, |c| c.exhaust.leak_kg_s = 1.7e-4);
    bench.write("rides/r1/leak.csv", leak.to_csv(Some("power")));
    bench.write("rides/r1/honest-1.csv", demo.ride(1, |_| {}).to_csv(Some("power")));
    // Of two rides nobody can tell: both count, and both are warned of.
    let two = bench.on_bike(&["--json", "run"]).exits(0).json();
    let rides = two["rides"].as_array().expect("rides");
    assert_eq!(rides.len(), 2);
    for ride in rides {
        let finding = &ride["findings"][0];
        assert_eq!(
            (finding["name"].as_str(), finding["severity"].as_str()),
            (Some("false_air"), Some("warning"))
        );
        assert!(finding["saw"].as_str().is_some_and(|saw| saw.contains("nobody can tell")), "{finding}");
    }
    for seed in [2, 3] {
        bench.write(&format!("rides/r1/honest-{seed}.csv"), demo.ride(seed, |_| {}).to_csv(Some("power")));
    }
    let four = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(four["revision"], "r3");
    assert!(why(&four, "r1/leak.csv").starts_with("false_air"));
    bench.assert_whole();
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
}

#[test]
fn a_run_whose_only_ride_lies_is_refused() {
    let bench = Bench::with_bike();
    bench.simulate(1, 15);
    let text = bench.read("rides/r1/sim-1.csv");
    let column = text.lines().next().expect("titles").split(',').position(|t| t == "lambda").expect("there");
    let stuck: Vec<String> = text
        .lines()
        .enumerate()
        .map(|(i, line)| {
            let mut fields: Vec<&str> = line.split(',').collect();
            if i > 9000 {
                fields[column] = "0.951";
            }
            fields.join(",")
        })
        .collect();
    bench.write("rides/r1/sim-1.csv", stuck.join("\n") + "\n");
    let before = bench.snapshot();
    let refused = bench.on_bike(&["--json", "run"]).exits(3).json();
    assert_eq!(refused["refused"]["guard"], "sensor_lies");
    assert_eq!(refused["passed_over"][0]["reason"], "lies");
    let finding = &refused["passed_over"][0]["findings"][0];
    for key in ["name", "severity", "saw", "look_at", "channel", "from_s", "to_s", "region"] {
        assert!(finding.get(key).is_some(), "{key} in {finding}");
    }
    assert_eq!(
        (finding["channel"].as_str(), finding["severity"].as_str()),
        (Some("lambda"), Some("serious"))
    );
    bench.on_bike(&["run"]).exits(3).says("the lambda sensor, its plug");
    assert_eq!(bench.snapshot(), before);
}

#[test]
fn each_bent_channel_of_a_virtual_ride_is_named_and_nothing_else() {
    let demo = Demo::new();
    let text = |path: &str| std::fs::read_to_string(Path::new("demo-bike").join(path)).expect(path);
    let bike = Bike::parse(Path::new("bike.yaml"), &text("bike.yaml")).expect("a bike");
    let tables =
        SlotTables { fuel: demo.fuel.clone(), mixture: demo.mixture.clone(), spark: None, locks: Vec::new() };
    let honest = demo.ride(3, |_| {});
    let found = |text: &str| {
        let ride = Ride::read(Path::new("ride.csv"), text.as_bytes(), &rideloop::ride::Loggers::none())
            .expect("a ride");
        let context = RideContext::of_one_slot(&bike, &tables, "power");
        let found = of_one_ride(&ride, &context);
        found.iter().map(|f| format!("{} {}", f.name, f.severity.word())).collect::<Vec<_>>()
    };
    let bent = |bend: &dyn Fn(&mut RideLog)| {
        let mut log = honest.clone();
        bend(&mut log);
        found(&log.to_csv(None))
    };
    assert_eq!(bent(&|_| {}), [""; 0]);
    assert_eq!(bent(&|log| log.throttle_pct.iter_mut().for_each(|t| *t += 7.0)), ["throttle serious"]);
    assert_eq!(bent(&|log| log.engine_temp_c.fill(20.0)), ["engine_temp warning"]);
    // A sensor that never leaves the range of burnt mixture; it has noise of its own.
    let deaf = |log: &mut RideLog| {
        for (i, lambda) in log.lambda.iter_mut().enumerate() {
            *lambda = lambda.min(1.15 + 0.002 * (i % 5) as f64);
        }
    };
    assert_eq!(bent(&deaf), ["no_free_air warning"]);
    assert_eq!(bent(&|log| log.lambda[15_000..22_000].fill(0.932)), ["lambda_frozen serious"]);
    assert_eq!(bent(&|log| log.time_s[20_000..].iter_mut().for_each(|t| *t += 9.0)), ["clock note"]);
    let second = |factor: f64| {
        let csv = honest.to_csv(None);
        let column = |(i, line): (usize, &str)| match i {
            0 => format!("{line},lambda_2\n"),
            i => format!("{line},{:.3}\n", honest.lambda[i - 1] * factor),
        };
        found(&csv.lines().enumerate().map(column).collect::<String>())
    };
    assert_eq!(second(1.0), [""; 0]);
    assert_eq!(second(1.06), ["two_sensors warning"]);
}

#[test]
fn no_honest_ride_of_any_engine_is_called_a_liar() {
    let kinds = [FuelTableKind::VePct, FuelTableKind::PulseWidthMs, FuelTableKind::TrimPct];
    let loads = [LoadAxis::ThrottlePct, LoadAxis::MapKpa];
    let rides: Vec<(u64, u64)> = (1..=8).flat_map(|engine| [(engine, 1), (engine, 2)]).collect();
    let serious: Vec<String> = rides
        .into_par_iter()
        .flat_map(|(engine, style)| {
            let template = Template {
                name: format!("engine {engine}"),
                displacement_cc: 250.0 + 100.0 * engine as f64,
                cylinders: 1 + engine as u32 % 2,
                rev_limit_rpm: 8500.0,
                fuel: "E10".to_owned(),
                fuel_table: kinds[engine as usize % 3],
                load: loads[engine as usize % 2],
                injector_cc_min: None,
                slots: vec!["main".to_owned()],
                today: "2026-01-01".to_owned(),
                ..Template::default()
            };
            let bike = Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
            let twin = VirtualBike { spec: BikeSpec::of(&bike), character: Character::from_seed(engine) };
            let tables = SlotTables {
                fuel: template.fuel_table(),
                mixture: template.mixture_table(),
                spark: None,
                locks: Vec::new(),
            };
            let wanted = request(10 * engine + style, 20.0);
            let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &wanted);
            let ride = Ride::read(
                Path::new("ride.csv"),
                log.to_csv(None).as_bytes(),
                &rideloop::ride::Loggers::none(),
            )
            .expect("a ride");
            let context = RideContext::of_one_slot(&bike, &tables, "main");
            let found = of_one_ride(&ride, &context);
            for finding in &found {
                println!(
                    "engine {engine}, style {style}: {} {}: {}",
                    finding.severity.word(),
                    finding.name,
                    finding.saw
                );
            }
            let serious = found.into_iter().filter(|f| f.severity == Severity::Serious);
            serious.map(|f| format!("engine {engine}: {} {}", f.name, f.saw)).collect::<Vec<_>>()
        })
        .collect();
    assert!(serious.is_empty(), "{serious:#?}");
}

#[test]
fn a_leak_in_every_ride_is_named_and_not_enriched_for() {
    let mut demo = Demo::new();
    // A map that is right, so that the leak alone bends it.
    let twin = VirtualBike { spec: demo.spec.clone(), character: Character::mild() };
    for cell in 0..demo.fuel.grid.cells() {
        let (rpm, load) = demo.fuel.grid.point(cell);
        let truth = twin.true_table_value(rpm, load, demo.mixture.at(rpm, load));
        demo.fuel.values[cell] = demo.fuel.resolution.snap(truth);
    }
    // About a tenth of the gas at idle is false air.
    let season = |leak_kg_s: f64| {
        let bench = Bench::with_bike();
        bench.write("maps/power/fuel.csv", write(&demo.fuel));
        let rides: Vec<(u64, RideLog)> = (1..=4u64)
            .into_par_iter()
            .map(|seed| (seed, demo.ride(seed, |c| c.exhaust.leak_kg_s = leak_kg_s)))
            .collect();
        for (seed, log) in &rides {
            bench.write(&format!("rides/r1/{seed}.csv"), log.to_csv(Some("power")));
        }
        bench
    };
    let tight = season(0.0).on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert_eq!(tight["findings"].as_array().map(Vec::len), Some(0), "{:#}", tight["findings"]);

    let bench = season(1.7e-4);
    let leaking = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert_eq!(leaking["findings"][0]["name"], "false_air_suspected", "{:#}", leaking["rides"]);
    let held = |report: &Value| {
        let cells = report["cells"].as_array().expect("cells");
        cells.iter().filter(|cell| cell["held_by"] == "false_air").count()
    };
    assert!(held(&leaking) > 0 && held(&tight) == 0);
    bench.on_bike(&["run"]).exits(0).says("all rides").says("false_air_suspected").says("smoke test");

    // The tuner says that all is tight.
    let road = std::fs::read_to_string("pipelines/road.yaml").expect("shipped");
    let free = road.replace("inferred: passed", "inferred: passed, low_flow_enrich_pct: 100");
    assert_ne!(road, free);
    let bench = season(1.7e-4);
    bench.write("pipelines/road.yaml", free);
    let report = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    assert_eq!(held(&report), 0);
    for (held_back, free) in cells(&leaking).iter().zip(cells(&report)) {
        assert!(*held_back <= free, "{held_back} against {free}");
    }
}

#[test]
fn every_finding_is_documented() {
    let bench = Bench::empty();
    insta::assert_snapshot!("findings", bench.rideloop(&["stages", "--findings"]).exits(0).out);
    let list = bench.rideloop(&["--json", "stages", "--findings"]).exits(0).json();
    assert_eq!(list["findings"].as_array().map(Vec::len), Some(16));
}
