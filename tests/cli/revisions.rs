//! Rides made on several revisions speak of one engine.

use crate::bench::Bench;
use serde_json::Value;

/// A pipeline of means over all rides of the build; `road` fits a surface.
const MEANS: &str = "about: means over all rides of the build
rides: build
stages:
  - align: {}
  - lambda_valid: {}
  - warm: {}
  - overrun: {}
  - gear_shift: {}
  - launch: {}
  - idle_hunting: {}
  - transients: {}
  - average: {}
  - blend: {}
";

const MINUTES: u32 = 25;

/// What a dry run asks of each cell: the point, required, its error, visits.
fn asked(bench: &Bench, pipeline: &str, revisions: [&str; 3]) -> Vec<(String, f64, f64, u64)> {
    let report = bench.on_bike(&["--json", "run", "--dry-run", "--pipeline", pipeline]).exits(0).json();
    let mut ridden: Vec<&str> =
        report["rides"].as_array().expect("rides").iter().filter_map(|r| r["revision"].as_str()).collect();
    ridden.sort_unstable();
    assert_eq!(ridden, revisions, "{:#}", report["passed_over"]);
    let cell = |cell: &Value| {
        let (required, error) = (cell["required"].as_f64()?, cell["std_error"].as_f64()?);
        let point = format!("{} {}", cell["rpm"], cell["load"]);
        Some((point, required, error, cell["dwells"].as_u64()?))
    };
    report["cells"].as_array().expect("cells").iter().filter_map(cell).collect()
}

#[test]
fn rides_of_three_revisions_ask_for_what_the_same_rides_on_one_revision_do() {
    let (mixed, single) = (Bench::with_bike(), Bench::with_bike());
    for seed in 1..=3 {
        mixed.simulate(seed, MINUTES);
        single.simulate(seed, MINUTES);
        if seed < 3 {
            mixed.on_bike(&["run"]).exits(0).says(&format!("r{} is committed", seed + 1));
        }
    }
    // The maps were not the same, or this would prove nothing.
    let changes = mixed.on_bike(&["--json", "diff", "r1", "r3"]).exits(0).json();
    let changed = changes["tables"][0]["cells"].as_array().expect("cells").clone();
    assert!(changed.len() > 60, "{changes:#}");
    mixed.write("pipelines/means.yaml", MEANS);
    let pipelines = ["road", "means"];
    // A mean smears where the error of the ridden map changes from cell to cell, and its ± does
    // not hold that: more cells may differ there, and those of the steep first map do.
    let one_in = [20, 10];
    let on_three = pipelines.map(|pipeline| asked(&mixed, pipeline, ["r1", "r2", "r3"]));
    // The same bike with the same history, but all rides of r1: only the revision ridden differs.
    for (seed, revision) in [(2, "r2"), (3, "r3")] {
        std::fs::remove_file(mixed.bike.join(format!("rides/{revision}/sim-{seed}.csv"))).expect("removed");
        let log = single.read(&format!("rides/r1/sim-{seed}.csv"));
        mixed.write(&format!("rides/r1/sim-{seed}.csv"), log);
    }
    let on_one = pipelines.map(|pipeline| asked(&mixed, pipeline, ["r1", "r1", "r1"]));
    for (k, pipeline) in pipelines.iter().enumerate() {
        let (three, one) = (&on_three[k], &on_one[k]);
        // Where a map makes the hand move on sooner, a thin cell may be visited on one side only.
        let mut sigmas: Vec<(f64, &str)> = Vec::new();
        for (point, required, error, dwells) in three {
            if let Some((_, other, other_error, others)) = one.iter().find(|(p, ..)| p == point)
                && *dwells.min(others) > 0
            {
                sigmas.push(((required - other).abs() / error.hypot(*other_error), point));
            }
        }
        // Two of three rides read against the wrong map would be seen.
        let seen = |cell: &&Value| {
            let point = format!("{} {}", cell["rpm"], cell["load"]);
            let moved =
                (cell["after"].as_f64().unwrap_or(0.0) - cell["before"].as_f64().unwrap_or(0.0)).abs();
            three.iter().any(|(p, _, error, _)| *p == point && moved * 2.0 / 3.0 > 2.0 * error * 2f64.sqrt())
        };
        let telling = changed.iter().filter(seen).count();
        assert!(telling * one_in[k] > three.len(), "{pipeline}: {telling} of {}", three.len());
        sigmas.sort_by(|a, b| b.0.total_cmp(&a.0));
        let beyond = sigmas.iter().filter(|(s, _)| *s > 2.0).count();
        assert!(sigmas.len() > 80, "{pipeline}: {} cells", sigmas.len());
        assert!(beyond * one_in[k] <= sigmas.len(), "{pipeline}: {beyond} of {}: {sigmas:?}", sigmas.len());
        assert!(sigmas[0].0 <= 4.0, "{pipeline}: {sigmas:?}");
    }
}

#[test]
fn a_cell_is_followed_through_all_revisions_with_its_uncertainty() {
    let bench = Bench::with_bike();
    for seed in 1..=2 {
        bench.simulate(seed, MINUTES);
        bench.on_bike(&["run"]).exits(0);
    }
    bench.on_bike(&["rollback", "r2", "--why", "to compare"]).exits(0).says("r4");
    let report = bench.on_bike(&["--json", "cell", "3500", "14"]).exits(0).json();
    let steps = report["steps"].as_array().expect("steps");
    let kinds: Vec<&str> = steps.iter().filter_map(|s| s["kind"].as_str()).collect();
    assert_eq!(kinds, ["rollback", "run", "run", "start"]);
    for (step, rides) in [(&steps[2], 1), (&steps[1], 2)] {
        let evidence = &step["evidence"];
        let number = |key: &str| evidence[key].as_f64().unwrap_or_else(|| panic!("{key} in {step:#}"));
        assert!(number("std_error") > 0.0 && number("std_error") < 0.1 * number("required"), "{step:#}");
        assert!(number("weight_s") > 0.0 && number("effective_samples") > 0.0 && number("dwells") >= 1.0);
        assert!(
            number("rides") as u64 <= rides && step["rides"].as_array().map(Vec::len) == Some(rides as usize)
        );
        assert_eq!(number("after"), step["value"].as_f64().expect("a value"));
    }
    let values: Vec<f64> = steps.iter().filter_map(|s| s["value"].as_f64()).collect();
    assert_eq!(values[0], values[2], "the rollback brings back the value of r2");
    let text =
        bench.on_bike(&["cell", "3500", "14"]).exits(0).says("visits").says("held by").says("to compare").out;
    let r3 = text.lines().find(|l| l.trim_start().starts_with("r3")).expect("r3");
    let evidence = &steps[1]["evidence"];
    let told = format!(
        "{:.2} ± {:.2}",
        evidence["required"].as_f64().expect("a number"),
        evidence["std_error"].as_f64().expect("a number")
    );
    assert!(r3.contains(&told) && r3.contains("sim-1.csv") && r3.contains("sim-2.csv"), "{told} in {text}");
    // What held a cell is told for the revision it held in.
    let shown = bench.on_bike(&["--json", "show", "r3"]).exits(0).json();
    let cells = shown["evidence"][0]["cells"].as_array().expect("cells");
    let held =
        cells.iter().find(|c| c["held_by"].is_string() && c["required"].is_number()).expect("a held cell");
    let (rpm, load) = (held["rpm"].to_string(), held["load"].to_string());
    bench.on_bike(&["cell", &rpm, &load]).exits(0).says(held["held_by"].as_str().expect("a name"));
}
