//! The history with conditions.

use crate::bench::Bench;
use serde_json::Value;

/// The names of the revisions that `history` lists.
fn listed(bench: &Bench, conditions: &[&str]) -> Vec<String> {
    let args: Vec<&str> = ["--json", "history"].iter().chain(conditions).copied().collect();
    let list = bench.on_bike(&args).exits(0).json();
    let names = list.as_array().expect("an array").iter().filter_map(|r| r["revision"].as_str());
    names.map(str::to_owned).collect()
}

#[test]
fn history_finds_revisions_by_slot_kind_day_and_changed_region() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("r2");
    bench.on_bike(&["rides", "set-aside", "r1/sim-1.csv", "--why", "to see"]).exits(0).says("r3");
    // Two days later.
    let bike = bench.bike.to_str().expect("UTF-8");
    let late = ["--bike", bike, "rollback", "r1", "--why", "hesitates"];
    let later = bench.command(&late).env("SOURCE_DATE_EPOCH", "1777896000").output().expect("starts");
    assert!(later.status.success(), "{later:?}");

    assert_eq!(listed(&bench, &[]), ["r4", "r3", "r2", "r1"]);
    assert_eq!(listed(&bench, &["--kind", "run", "--kind", "edit"]), ["r3", "r2"]);
    assert_eq!(listed(&bench, &["--slot", "economy"]), ["r4", "r3", "r1"]);
    assert_eq!(listed(&bench, &["--since", "2026-05-03"]), ["r4"]);
    assert_eq!(listed(&bench, &["--until", "2026-05-02", "--limit", "2"]), ["r3", "r2"]);

    let diff = bench.on_bike(&["--json", "diff", "r1", "r2"]).exits(0).json();
    let changed = diff["tables"][0]["cells"].as_array().expect("cells").clone();
    let point = |cell: &Value| (cell["rpm"].to_string(), cell["load"].to_string());
    let (rpm, load) = point(&changed[0]);
    assert_eq!(listed(&bench, &["--rpm", &rpm, "--load", &load]), ["r4", "r2"]);
    // A cell of the same row that kept its value.
    let table = bench.read("maps/power/fuel.csv");
    let loads = table.lines().next().expect("a header").split(',').skip(1);
    let kept = loads.filter(|load| !changed.iter().any(|c| point(c) == (rpm.clone(), format!("{load}.0"))));
    let kept = kept.last().expect("not every cell changed").to_owned();
    assert_eq!(listed(&bench, &["--rpm", &rpm, "--load", &kept]), Vec::<String>::new());
    assert_eq!(listed(&bench, &["--rpm", "0:20000"]), ["r4", "r2"]);
    assert_eq!(listed(&bench, &["--rpm", &rpm, "--slot", "economy"]), Vec::<String>::new());

    bench.on_bike(&["history", "--kind", "run"]).exits(0).says("3 of 4 revisions left out");
    let quiet = bench.on_bike(&["--json", "history", "--kind", "run"]).exits(0);
    assert!(quiet.complains("3 of 4 revisions left out"), "{quiet:#?}");
    bench.on_bike(&["history", "--kind", "import"]).exits(0).says("No revision fits");
    bench.on_bike(&["history", "--slot", "sport"]).exits(1).says("there is no slot");
    bench.on_bike(&["history", "--rpm", "3010:3020"]).exits(1).says("no cell lies in rpm 3010:3020");
    bench.on_bike(&["history", "--since", "2026-05-04", "--until", "2026-05-03"]).exits(1);
    bench.on_bike(&["history", "--since", "May"]).exits(2).says("YYYY-MM-DD");
    bench.on_bike(&["history", "--rpm", "4000:3000"]).exits(2).says("3000:4000");
}
