//! How long one ride takes from bytes to evidence, against the floor of
//! scanning its bytes for line ends, in the same run.
//!
//! `cargo bench` prints medians and ratios.

use rideloop::bike::{Delay, FixedDelay, FuelTableKind, SlotTables, Template};
use rideloop::findings::of_one_ride;
use rideloop::pipeline::{Plan, RideContext, run_ride};
use rideloop::ride::Ride;
use rideloop::table::LoadAxis;
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};
use std::fmt::Write as _;
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

const RUNS: usize = 15;

fn main() {
    let template = Template {
        name: "Bench".to_owned(),
        displacement_cc: 700.0,
        cylinders: 2,
        rev_limit_rpm: 8200.0,
        fuel: "E10".to_owned(),
        fuel_table: FuelTableKind::VePct,
        load: LoadAxis::ThrottlePct,
        injector_cc_min: None,
        slots: vec!["main".to_owned()],
        today: "2026-01-01".to_owned(),
        ..Template::default()
    };
    let bike =
        rideloop::bike::Bike::parse(Path::new("bike.yaml"), &template.files()[0].text).expect("a bike");
    let tables = SlotTables {
        fuel: template.fuel_table(),
        mixture: template.mixture_table(),
        spark: None,
        locks: Vec::new(),
    };
    let text = log(&bike, &tables);
    let path = Path::new("ride.csv");
    let plan_text = include_str!("../pipelines/road.yaml");
    let plan = Plan::parse("road", Path::new("road.yaml"), plan_text).expect("shipped");
    let context = RideContext::of_one_slot(&bike, &tables, "main");
    let ride = Ride::read(path, text.as_bytes(), &rideloop::ride::Loggers::none()).expect("a ride");

    let floor = median(|| text.bytes().filter(|b| *b == b'\n').count());
    let read = median(|| {
        Ride::read(path, text.as_bytes(), &rideloop::ride::Loggers::none()).expect("a ride").samples()
    });
    let run = median(|| run_ride(&plan, &ride, &context).expect("channels").funnel.kept());
    let mut known = bike.clone();
    known.lambda_sensor.delay = Delay::Fixed(FixedDelay::USUAL);
    let fixed_context = RideContext { bike: &known, ..context };
    let fixed = median(|| run_ride(&plan, &ride, &fixed_context).expect("channels").funnel.kept());
    let findings = median(|| of_one_ride(&ride, &context).len());
    let rows = ride.samples();
    println!("one ride of {rows} rows, {} bytes; medians of {RUNS}", text.len());
    for (name, time) in [
        ("newline scan (floor)", floor),
        ("read into columns, with SHA-256", read),
        ("stages and sums, delay known", fixed),
        ("stages and sums, delay estimated", run),
        ("findings", findings),
    ] {
        println!("{name:<34} {:>8.2} ms  {:>6.1} x floor", time * 1e3, time / floor);
    }
}

fn log(bike: &rideloop::bike::Bike, tables: &SlotTables) -> String {
    let twin = VirtualBike { spec: BikeSpec::of(bike), character: Character::mild() };
    let request = RideRequest {
        seed: 1,
        minutes: 25.0,
        rate_hz: 20.0,
        cold_start: true,
        ambient: Ambient::reference(),
        style: RideStyle::Road,
    };
    let log = twin.ride(&|r, l| tables.fuel.at(r, l), &|r, l| tables.mixture.at(r, l), &request);
    let mut text =
        String::from("time_s,rpm,throttle_pct,map_kpa,lambda,engine_temp_c,fuel_cut,gear,battery_v\n");
    for i in 0..log.len() {
        let _ = writeln!(
            text,
            "{:.3},{:.0},{:.1},{:.1},{:.3},{:.1},{:.0},{:.0},{:.2}",
            log.time_s[i],
            log.rpm[i],
            log.throttle_pct[i],
            log.map_kpa[i],
            log.lambda[i],
            log.engine_temp_c[i],
            log.fuel_cut[i],
            log.gear[i],
            log.battery_v[i]
        );
    }
    text
}

fn median<T>(mut work: impl FnMut() -> T) -> f64 {
    let mut times: Vec<f64> = (0..RUNS)
        .map(|_| {
            let begun = Instant::now();
            black_box(work());
            begun.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[RUNS / 2]
}
