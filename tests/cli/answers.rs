//! What every command answers with `--json`, against the schema it publishes.

use crate::bench::{Bench, Said};
use serde_json::{Value, json};

/// Every object may hold the fields that its schema names, and no others: a field that nobody
/// documented must be seen here, though scripts must bear it.
fn strict(schema: &mut Value) {
    match schema {
        Value::Object(map) => {
            map.values_mut().for_each(strict);
            if map.get("properties").is_some_and(Value::is_object) {
                map.insert("unevaluatedProperties".to_owned(), json!(false));
            }
        }
        Value::Array(list) => list.iter_mut().for_each(strict),
        _ => {}
    }
}

/// Asserts that a document is what the schema of `name` says, and carries its version.
pub fn assert_fits(bench: &Bench, name: &str, document: &Value) {
    let words: Vec<&str> = ["schema"].into_iter().chain(name.split(' ')).collect();
    let mut schema = bench.rideloop(&words).exits(0).json();
    strict(&mut schema);
    let mut compiler = boon::Compiler::new();
    compiler.add_resource("answer.json", schema).expect("a resource");
    let mut schemas = boon::Schemas::new();
    let index = compiler.compile("answer.json", &mut schemas).expect("a schema of draft 2020-12");
    if let Err(error) = schemas.validate(document, index) {
        panic!("the answer of `{name}` is not what its schema says: {error:#}\n{document:#}");
    }
    let one = if document.is_array() { &document[0] } else { document };
    assert_eq!(one["format_version"], 1, "{name}");
}

#[test]
fn every_command_answers_what_its_schema_says() {
    let bench = Bench::with_bike();
    bench.write("mixtures/power.yaml", "use: touring\n");
    bench.simulate(1, 12);
    let mut told = Vec::new();
    let mut ask = |name: &str, args: &[&str]| {
        let args: Vec<&str> = ["--json"].into_iter().chain(args.iter().copied()).collect();
        let said: Said = bench.on_bike(&args).exits(0);
        assert_fits(&bench, name, &said.json());
        told.push(name.to_owned());
    };
    ask("status", &[]);
    ask("evidence collect", &["evidence", "collect", "--out", "all.parquet"]);
    ask("evidence merge", &["evidence", "merge", "all.parquet", "--out", "merged.parquet"]);
    ask("run", &["run", "--dry-run", "--evidence", "merged.parquet"]);
    ask("check", &["check"]);
    ask("run", &["run", "--dry-run"]);
    ask("run", &["run"]);
    ask("run", &["run"]);
    ask("status", &[]);
    ask("history", &["history"]);
    ask("show", &["show"]);
    ask("show", &["show", "r1"]);
    ask("diff", &["diff"]);
    ask("diff", &["diff", "power", "economy"]);
    ask("cell", &["cell", "3450", "14"]);
    ask("season", &["season"]);
    ask("season", &["season", "--html", "season.html"]);
    ask("show", &["show", "r2", "--html", "r2.html"]);
    ask("gaps", &["gaps", "--dyno"]);
    ask("response", &["response"]);
    ask("headroom", &["headroom", "--target-kw", "60"]);
    let spark = "rpm/throttle_pct,0,50,100\n1000,10,9,8\n4000,32,30,28\n8000,34,32,30\n";
    bench.write("../spark.csv", spark);
    ask("import", &["import", "spark.csv", "--table", "spark", "--why", "as the controller has it"]);
    ask("knock", &["knock", "--dry-run"]);
    ask("verify", &["verify"]);
    let place = ["--rpm", "3000", "--load", "14", "--why", "hesitates"];
    ask("edit scale", &[&["edit", "scale", "+1"], &place[..]].concat());
    ask("edit add", &[&["edit", "add", "0.1"], &place[..]].concat());
    ask("edit set", &[&["edit", "set", "30.5", "--dry-run"], &place[..]].concat());
    ask("edit smooth", &[&["edit", "smooth"], &place[..]].concat());
    ask("edit lock", &[&["edit", "lock"], &place[..]].concat());
    ask("edit unlock", &[&["edit", "unlock"], &place[..]].concat());
    ask("export", &["export", "--out", "table.json"]);
    ask("import", &["import", "table.json", "--why", "the same again"]);
    ask("mixture", &["mixture"]);
    ask("rescale", &["rescale"]);
    ask("rides set-aside", &["rides", "set-aside", "r1/sim-1.csv", "--why", "loose sensor"]);
    ask("rides", &["rides"]);
    ask("rides take-back", &["rides", "take-back", "r1/sim-1.csv"]);
    ask("rides correct", &["rides", "correct", "r1/sim-1.csv", "--made-on", "r2", "--why", "r2 was in it"]);
    ask("rollback", &["rollback", "r1", "--why", "hesitates"]);
    ask("build add", &["build", "add", "other cams", "--changed", "cams", "--air-temp-bias-c", "-10"]);
    ask("simulate", &["simulate", "--minutes", "1"]);
    ask("stages", &["stages"]);
    ask("stages", &["stages", "warm"]);
    ask("stages", &["stages", "--findings"]);
    ask("stages", &["stages", "--pipeline", "road"]);
    ask("stages", &["stages", "--schema", "pipeline.schema.json"]);
    ask("stages", &["stages", "--schema", "-"]);
    ask("new", &["new", "another", "--changed", "silencer"]);
    let trim = ["new", "trimmed", "--fuel-table", "trim_pct", "--stock-flow-cc-min", "200"];
    ask("new", &trim);
    ask("demo", &["demo", "round"]);
    ask("completions", &["completions", "fish"]);
    ask("man", &["man"]);
    ask("man", &["man", "--out", "man1"]);
    bench.write("../box.csv", "Time [s],Engine RPM\n0,3000\n0.1,3010\n0.2,3020\n");
    ask("logger guess", &["logger", "guess", "box.csv"]);
    ask("git-setup", &["git-setup"]);
    ask("calc", &["calc"]);
    let sums = bench.rideloop(&["--json", "calc"]).exits(0).json();
    for sum in sums["sums"].as_array().expect("sums") {
        let [name, example] = ["sum", "example"].map(|key| sum[key].as_str().expect("a text"));
        let words: Vec<&str> = ["calc", name].into_iter().chain(example.split(' ')).collect();
        ask(&format!("calc {name}"), &words);
    }
    for (name, gain) in [("before", 1.0), ("after", 1.1)] {
        let rows: String = (3..9).map(|k| format!("{},{}\n", k * 1000, gain * f64::from(k) * 5.0)).collect();
        bench.write(&format!("../{name}.csv"), format!("rpm,power_kw\n{rows}"));
    }
    ask("power", &["power", "before.csv", "after.csv"]);
    ask("compare", &["compare", "--power", "before.csv", "--power", "after.csv"]);
    ask("compare", &["compare", "--html", "owner.html"]);
    ask("schema", &["schema"]);
    ask("schema", &["schema", "run"]);
    let outside = bench.rideloop(&["--json"]).exits(0).json();
    assert_fits(&bench, "status", &outside);
    // No command is left without a look.
    let list = bench.rideloop(&["--json", "schema"]).exits(0).json();
    let answers = list["answers"].as_array().expect("answers").iter().filter_map(|a| a["command"].as_str());
    let untold: Vec<&str> = answers.filter(|name| !told.iter().any(|t| t == name)).collect();
    // `watch` is asked where it is tested.
    assert_eq!(untold, ["watch", "error", "refusal"], "ask them above");
}

#[test]
fn failures_and_refusals_answer_what_their_schemas_say() {
    let bench = Bench::with_bike();
    let failed = bench.on_bike(&["--json", "show", "r7"]).exits(1).json();
    assert_fits(&bench, "error", &failed);
    let wrong = bench.on_bike(&["--json", "shwo"]).exits(2).json();
    assert_fits(&bench, "error", &wrong);
    assert_eq!(wrong["error"]["kind"], "command_line");
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    // Edited by hand: refused before a ride is read, by `run` and by a command without a report.
    let fuel = bench.read("maps/power/fuel.csv");
    bench.write("maps/power/fuel.csv", fuel.replacen("5", "4", 1));
    let refused = bench.on_bike(&["--json", "run"]).exits(3).json();
    assert_fits(&bench, "run", &refused);
    let refused = bench.on_bike(&["--json", "rollback", "r1", "--why", "x"]).exits(3).json();
    assert_fits(&bench, "refusal", &refused);
    assert_eq!(refused["refused"]["guard"], "uncommitted_edits");
    bench.write("maps/power/fuel.csv", &fuel);
    // Refused after the rides were read: a report, with the guard in it.
    bench.write(
        "rides/r2/cold.csv",
        "time_s,rpm,throttle_pct,lambda,engine_temp_c\n0,3000,10,1.0,20\n0.1,3000,10,1.0,20\n",
    );
    let refused = bench.on_bike(&["--json", "run"]).exits(3).json();
    assert_eq!(refused["refused"]["guard"], "nothing_survived");
    assert_fits(&bench, "run", &refused);
    bench.write("bike.yaml", "name: [\n");
    let problems = bench.on_bike(&["--json", "history"]).exits(1).json();
    assert_fits(&bench, "error", &problems);
    assert_eq!(problems["error"]["kind"], "problems");
    assert_eq!(problems["error"]["problems"][0]["path"], "bike.yaml");
    let check = bench.on_bike(&["--json", "check"]).exits(1).json();
    assert_fits(&bench, "check", &check);
}
