//! Points of the history by the names a person gives them.

use crate::bench::Bench;
use serde_json::Value;

#[test]
fn revisions_builds_and_slots_are_compared_by_their_names() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("r2");
    let builds = bench.read("builds.yaml");
    bench.write(
        "builds.yaml",
        format!("{builds}- {{ build: b2, since: 2026-04-20, what: another silencer }}\n"),
    );
    bench.on_bike(&["diff", "b1", "b2"]).exits(1).says("build b2 has no revision yet");
    bench.simulate(2, 12);
    bench.on_bike(&["run"]).exits(0).says("r3");

    let json = |args: &[&str]| -> Value {
        let args: Vec<&str> = ["--json"].iter().chain(args).copied().collect();
        bench.on_bike(&args).exits(0).json()
    };
    let builds_differ = json(&["diff", "b1", "b2"]);
    assert_eq!(builds_differ, json(&["diff", "r2", "r3"]));
    assert_eq!(builds_differ["settings"][0]["path"], "builds.yaml");
    // What r3 changed in the slot it is about, and what it did not touch.
    assert_eq!(json(&["diff", "power"])["tables"], builds_differ["tables"]);
    bench.on_bike(&["diff", "economy"]).exits(0).says("r2:economy and r3:economy hold the same tables.");
    // A slot on one side means the same slot on the other.
    let one_slot = json(&["diff", "r1:power", "r3"]);
    assert_eq!((&one_slot["from"], &one_slot["to"]), (&"r1:power".into(), &"r3:power".into()));
    assert_eq!(one_slot["tables"], json(&["diff", "r1", "r3"])["tables"]);

    let slots_differ = json(&["diff", "power", "economy"]);
    assert_eq!((&slots_differ["from"], &slots_differ["to"]), (&"r3:power".into(), &"r3:economy".into()));
    let fuel = &slots_differ["tables"][0];
    assert_eq!((&fuel["from_slot"], &fuel["slot"]), (&"power".into(), &"economy".into()));
    let cell = &fuel["cells"][0];
    let (rpm, load) = (cell["rpm"].to_string(), cell["load"].to_string());
    for (slot, key) in [("power", "before"), ("economy", "after")] {
        let told = json(&["cell", &rpm, &load, "--slot", slot]);
        assert_eq!(told["steps"][0]["value"], cell[key], "{slot}");
    }
    bench.on_bike(&["diff", "power", "economy"]).exits(0).says("r3:power → r3:economy");

    // A revision shows the slot it is about, or the one that is asked for as it stood then.
    let slots = |shown: &Value| -> Vec<String> {
        let tables = shown["tables"].as_array().expect("tables").iter();
        tables
            .filter(|t| t["table"] == "fuel")
            .map(|t| t["slot"].as_str().expect("a name").to_owned())
            .collect()
    };
    assert_eq!(slots(&json(&["show", "b1"])), ["power"]);
    let economy = json(&["show", "r2", "--slot", "economy"]);
    assert_eq!((slots(&economy), &economy["revision"]), (vec!["economy".to_owned()], &"r2".into()));
    assert_eq!(economy["evidence"], serde_json::json!([]));
    assert_eq!(economy, json(&["show", "r2:economy"]));

    // Slips are named, and what a name could mean.
    bench.on_bike(&["show", "r9"]).exits(1).says("there is no revision r9").says("the newest is r3");
    bench.on_bike(&["show", "ecnomy"]).exits(1).says("did you mean `economy`?");
    bench.on_bike(&["diff", "power:economy", "r1"]).exits(1).says("`power` is a slot").says("r3:power");
    bench.on_bike(&["show", "r2:sport"]).exits(1).says("r2 has no slot `sport`").says("power, economy");
    bench.on_bike(&["show", "power", "--slot", "economy"]).exits(1).says("both asked for");
    let builds = bench.read("builds.yaml");
    bench
        .write("builds.yaml", format!("{builds}- {{ build: power, since: 2026-05-01, what: more of it }}\n"));
    bench.simulate(3, 12);
    bench.on_bike(&["run"]).exits(0).says("r4");
    let both = bench.on_bike(&["show", "power"]).exits(1).says("`power` is both a build and a slot");
    both.says("write r4:power for the slot, r4 for the build's last revision");
    assert_eq!(json(&["show", "r2:power"])["revision"], "r2");
}
