//! `rideloop headroom`: what injectors and pump have left.

use crate::bench::Bench;

#[test]
fn the_demo_bike_has_room_and_the_rides_agree_with_the_map() {
    let bench = Bench::with_bike();
    let log = ["simulate", "--warm", "--style", "dyno", "--minutes", "15", "--seed", "1"];
    bench.on_bike(&log).exits(0);
    let before = bench.snapshot();
    let report =
        bench.on_bike(&["--json", "headroom", "--target-kw", "60", "--fuel-g-kwh", "320"]).exits(0).json();
    let number = |pointer: &str| {
        report.pointer(pointer).and_then(|v| v.as_f64()).unwrap_or_else(|| panic!("{pointer} in {report:#}"))
    };
    // By hand: 76.4 % of 350 cm³ at 99 kPa and 25 °C are 309.3 mg; at lambda .88 and 13.99 25.12 mg; at
    // 2.856 g/s 8.80 ms, and .8 ms dead: 9.59 of 14.634 ms at the limiter's 8200 1/min.
    let (reference, cold) = (number("/map/reference/highest/duty_pct"), number("/map/cold/highest/duty_pct"));
    assert!((reference - 65.6).abs() < 0.4 && (cold - 73.7).abs() < 0.5, "{reference} {cold}");
    let ridden = number("/rides/0/duty_pct");
    assert!((ridden - reference).abs() < 9.0, "ridden {ridden}, the map {reference}");
    assert_eq!(report["limits"]["battery_from_rides"], true);
    assert!(number("/map/cold/limit_rpm") > 8200.0 && number("/map/cold/sag_duty_pct") > cold);
    // 60 kW at 320 g/kWh: 5.33 g/s, more than two injectors of 230 cm³/min give at 85 %.
    assert!((number("/target/fuel_g_s") - 5.333).abs() < 1e-3 && report["target"]["enough"] == false);
    assert!(number("/target/injector_cc_min") > 260.0 && number("/supply/power_kw") < 60.0);
    let said = bench.on_bike(&["headroom", "--target-kw", "60", "--fuel-g-kwh", "320"]).exits(0);
    assert!(said.out.lines().all(|line| line.chars().count() <= 100), "{}", said.out);
    let said = said.says("no cell comes within 5 points").says("today's are too small").says("1 V less");
    assert!(!said.out.contains("caution"), "{}", said.out);
    assert!(!bench.on_bike(&[]).exits(0).out.contains("injectors:"));
    assert_eq!(bench.snapshot(), before, "it only looks");
}

#[test]
fn small_injectors_are_warned_of_everywhere_before_they_run_out() {
    let bench = Bench::with_bike();
    let yaml = bench.read("bike.yaml");
    bench.write("bike.yaml", yaml.replace("flow_cc_min: 230", "flow_cc_min: 190"));
    bench
        .on_bike(&["headroom"])
        .exits(0)
        .says("over the limit")
        .says("caution")
        .says("the engine runs lean at");
    let report = bench.on_bike(&["--json", "headroom"]).exits(0).json();
    let limit_rpm = report["map"]["cold"]["limit_rpm"].as_f64().expect("a speed");
    assert!((6000.0..8200.0).contains(&limit_rpm), "{limit_rpm}");
    assert_eq!(report["limits"]["battery_from_rides"], false);
    let line = "injectors: at 8200 1/min and 100 % throttle the map asks for";
    bench.on_bike(&[]).exits(0).says(&format!("power: {line}"));
    bench.simulate(1, 12);
    let run = bench.on_bike(&["run", "--dry-run"]).exits(0).says(line);
    assert!(run.out.contains("limit is 85 %"), "{}", run.out);
}

#[test]
fn what_cannot_be_told_is_said_plainly() {
    let bench = Bench::with_bike();
    let yaml = bench.read("bike.yaml");
    let at = |name: &str| yaml.lines().position(|line| line.starts_with(name)).expect("a line");
    let without: Vec<&str> = yaml
        .lines()
        .enumerate()
        .filter(|(i, _)| !(at("injectors")..at("fuel")).contains(i))
        .map(|(_, l)| l)
        .collect();
    bench.write("bike.yaml", without.join("\n") + "\n");
    bench.on_bike(&["headroom"]).exits(1).says("bike.yaml gives no `injectors`").says("add count");
    bench.write("bike.yaml", yaml.replace("fuel_table: ve_pct", "fuel_table: trim_pct"));
    let said = bench.on_bike(&["headroom"]).exits(0).says("a trim table does not tell the pulse");
    said.says("no ride logged `pulse_width_ms`").says("below the limit at 8200 1/min");
    let report = bench.on_bike(&["--json", "headroom"]).exits(0).json();
    assert!(report["map"].is_null() && report["map_untold"].is_string());
    for wrong in [["--target-kw", "0"], ["--fuel-g-kwh", "5"]] {
        bench.on_bike(&[&["headroom"], &wrong[..]].concat()).exits(2);
    }
}
