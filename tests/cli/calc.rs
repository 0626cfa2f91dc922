//! The workshop sums from outside: what they print, what scripts get, and how bad numbers end.

use crate::bench::Bench;
use serde_json::Value;

/// A command line behind `rideloop`.
fn words(line: &str) -> Vec<&str> {
    line.split_whitespace().collect()
}

fn results(bench: &Bench, line: &str) -> Value {
    let line = format!("--json calc {line}");
    bench.rideloop(&words(&line)).exits(0).json()
}

#[test]
fn typical_sums_print_numbers_first_and_explain_themselves() {
    let bench = Bench::empty();
    let mut all = bench.rideloop(&["calc"]).exits(0).out;
    for line in [
        "air-density --pressure-kpa 980hPa --air-temp-c 90F --humidity-pct 50 --explain",
        "mixture --afr 13.2:1 --fuel E10 --wanted-lambda 0.97 --explain",
        "pulse-width --ve-pct 95 --manifold-kpa 100 --cylinder-cc 500 --air-temp-c 25 --lambda 0.9 \
         --flow-cc-min 220 --dead-time-ms 0.9 --rpm 6200 --fuel 14.0:1 --fuel-kg-m3 745",
        "air-temp-bias --bias-k -10 --explain",
        "power-correction --pressure-kpa 98 --air-temp-c 32 --humidity-pct 50 --power-kw 65hp --explain",
    ] {
        let said = bench.rideloop(&words(&format!("calc {line}"))).exits(0);
        assert!(said.err.is_empty());
        all.push_str(&format!("\n$ rideloop calc {line}\n{}", said.out));
    }
    let help = bench.rideloop(&words("calc injector-size --help")).exits(0).out;
    all.push_str(&format!("\n$ rideloop calc injector-size --help\n{help}"));
    insta::assert_snapshot!("calc", all);
}

#[test]
fn every_sum_has_help_and_an_example_that_works() {
    let bench = Bench::empty();
    let list = bench.rideloop(&["--json", "calc"]).exits(0).json();
    let sums = list["sums"].as_array().expect("sums");
    assert_eq!(sums.len(), 16);
    for sum in sums {
        let name = sum["sum"].as_str().expect("a name");
        let example = sum["example"].as_str().expect("an example");
        let help = bench.rideloop(&["calc", name, "--help"]).exits(0).out;
        // Help breaks long lines.
        assert!(words(&help).join(" ").contains(example), "{help}");
        let told = bench.rideloop(&words(&format!("calc {name} {example} --explain"))).exits(0);
        told.says("Source: ").says("from --");
    }
}

#[test]
fn a_script_gets_every_number_in_the_unit_of_its_name() {
    let bench = Bench::empty();
    let flow = results(&bench, "injector-flow --flow-cc-min 230 --actual-kpa 4bar");
    assert_eq!(flow["inputs"]["actual_kpa"], 400.0);
    assert_eq!(flow["inputs"]["fuel"], "E10");
    assert_eq!(flow["assumed"], serde_json::json!(["rated_kpa", "fuel"]));
    let cc_min = flow["results"]["flow_cc_min"].as_f64().expect("a number");
    // 300 → 400 kPa is 1.1547.
    assert!((cc_min / 230.0 - 1.1547).abs() < 5e-5);
    assert!(flow["source"].as_str().expect("a source").contains("Bernoulli"));
    let bias = results(&bench, "air-temp-bias --bias-k -10 --lines 3");
    assert_eq!(bias["rows"].as_array().expect("rows").len(), 3);
    assert!(bias["notes"][1].as_str().expect("a note").contains("build add"));
    let lean = results(&bench, "injector-duty --pulse-width-ms 16 --rpm 8200");
    assert!(lean["cautions"][0].as_str().expect("a caution").contains("open all the time"));
    // The two ways round a compression ratio meet.
    let place = "--bore-mm 82.5 --stroke-mm 65.5 --gasket-mm 0.6 --deck-mm 0.2 --dome-cc 3";
    let there = results(&bench, &format!("compression {place} --chamber-cc 35"));
    let ratio = there["results"]["compression_ratio"].as_f64().expect("a ratio");
    let back = results(&bench, &format!("compression {place} --wanted-ratio {ratio}"));
    assert!((back["results"]["chamber_cc"].as_f64().expect("a volume") - 35.0).abs() < 1e-9);
}

#[test]
fn bad_numbers_end_with_what_is_allowed_and_what_to_do() {
    let bench = Bench::empty();
    for (line, code, what) in [
        ("air-density --pressure-kpa -98 --air-temp-c 20", 2, "must be 30 to 110 kPa, got -98"),
        ("air-density --pressure-kpa 14.2 --air-temp-c 20", 2, "not reduced to sea level"),
        ("air-density --pressure-kpa 98 --air-temp-c 75", 2, "write °F behind the number"),
        ("air-density --pressure-kpa 98 --air-temp-c 20 --humidity-pct 0.5", 2, "did you mean 50?"),
        ("air-density --pressure-kpa 98 --air-temp-c 20 --humidity-pct 50fraction", 2, "which is 5000"),
        ("air-density --pressure-kpa nan --air-temp-c 20", 2, "`nan` is not a number"),
        ("air-density --pressure-kpa inf --air-temp-c 20", 2, "`inf` is not a number"),
        ("air-density --pressure-kpa 1e999 --air-temp-c 20", 2, "is not a number"),
        ("air-density --pressure-kpa 98,5 --air-temp-c 20", 2, "write decimals with a point"),
        ("air-density --pressure-kpa 98kg --air-temp-c 20", 2, "known: kPa, Pa, bar"),
        ("air-density --pressure-kpa 98 --altitude-m 300 --air-temp-c 20", 2, "cannot be used with"),
        ("air-density --air-temp-c 20", 2, "--pressure-kpa"),
        ("mixture --lambda 14.7", 2, "is no lambda"),
        ("mixture --afr 0.9", 2, "goes to --lambda"),
        ("mixture --lambda 0.9 --fuel diesel", 2, "is no known fuel"),
        ("exhaust-gas --co2-pct 0 --co-pct 0 --o2-pct 21", 2, "must be 0.5 to 20 %"),
        ("exhaust-gas --co2-pct 14 --co-pct 1 --o2-pct 1 --fuel 14.7:1", 1, "carbon, hydrogen and oxygen"),
        ("displacement --bore-mm 0 --stroke-mm 65 --cylinders 2", 2, "must be 10 to 300 mm, got 0"),
        ("displacement --bore-mm 82 --stroke-mm 65 --cylinders 0", 2, "must be a whole number, 1 to 16"),
        ("displacement --bore-mm 82 --stroke-mm 65 --cylinders 1.5", 2, "must be a whole number"),
        ("compression --bore-mm 82 --stroke-mm 65 --wanted-ratio 1", 2, "a ratio is above 1"),
        ("compression --bore-mm 82 --stroke-mm 65 --chamber-cc 20 --dome-cc 40", 1, "no room is left"),
        ("compression --bore-mm 82 --stroke-mm 65 --wanted-ratio 30 --deck-mm 9", 1, "check the signs"),
        ("piston-speed --stroke-mm 65 --rpm 8000 --rod-mm 25", 1, "cannot go round"),
        ("dead-time --dead-times 1.35:10 --battery-v 12", 2, "volts must be 5 to 20"),
        ("dead-time --dead-times 12:1,10:1.3 --battery-v 12", 2, "volts must ascend"),
        ("dead-time --dead-times 12:1 --battery-v 12 --pulse-width-ms 0.8", 1, "all dead time"),
        ("injector-duty --pulse-width-ms 12 --rpm 0", 2, "must be 100 to 25000 rpm"),
        ("injector-duty --pulse-width-ms 12 --rpm 8000 --strokes 3", 2, "must be 2 or 4"),
        ("injector-flow --flow-cc-min 22lb/h --actual-kpa 300", 2, "is a flow by mass"),
        ("injector-size --power-kw 50 --injectors 2 --fuel C8H18", 1, "give it with --fuel-kg-m3"),
        ("injector-size --power-kw 50 --injectors 2 --duty-limit-pct 0.85", 2, "85, not 0.85"),
        ("air-temp-bias --bias-k -10 --from-c 30 --to-c 10", 1, "is not below"),
        ("air-temp-bias --series-ohm 500", 1, "give --sensor-ohm and --beta-k"),
        ("road-load --mass-kg 300", 2, "--speed-kph"),
        ("air-densty", 2, "air-density"),
    ] {
        let said = bench.rideloop(&words(&format!("calc {line}"))).exits(code);
        assert!(said.complains(what), "{line}: {}", said.err);
        let json = bench.rideloop(&words(&format!("--json calc {line}"))).exits(code).json();
        let kind = if code == 2 { "command_line" } else { "failed" };
        assert_eq!(json["error"]["kind"], kind, "{line}");
    }
}
