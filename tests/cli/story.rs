//! One bike's story, from the stock map to the page for its owner: every command a tuner needs on the way.

use crate::bench::Bench;
use crate::browser::Browser;
use crate::pages::{keep, opens_everywhere};
use crate::power::sheet;
use serde_json::Value;
use std::fmt::Write as _;

/// A minute at 20 Hz at full throttle in which the controller heard the engine knock five times.
fn hill() -> String {
    let mut text = String::from("time_s,rpm,throttle_pct,lambda,engine_temp_c,knock_count,slot\n");
    for i in 0..1200 {
        let _ =
            writeln!(text, "{:.2},4000,100,0.87,88,{},power", f64::from(i) * 0.05, u8::from(i % 200 == 90));
    }
    text
}

/// Pulse widths as they are for a controller that divides by the wanted lambda itself.
fn at_lambda_one(fuel: &str, mixture: &str) -> String {
    let line = |(fuel, mixture): (&str, &str)| {
        let cells = fuel.split(',').zip(mixture.split(',')).enumerate().map(|(i, (fuel, lambda))| {
            match (i, fuel.parse::<f64>(), lambda.parse::<f64>()) {
                (1.., Ok(fuel), Ok(lambda)) if lambda < 2.0 => format!("{:.2}", fuel * lambda),
                _ => fuel.to_owned(),
            }
        });
        cells.collect::<Vec<_>>().join(",") + "\n"
    };
    let (titles, rows) = fuel.split_once('\n').expect("titles");
    let mixture = mixture.lines().skip(1);
    format!("{titles}\n{}", rows.lines().zip(mixture).map(line).collect::<String>())
}

fn ride(bench: &Bench, slot: &str, seed: &str, more: &[&str]) {
    let args = ["simulate", "--warm", "--slot", slot, "--seed", seed, "--minutes", "12"];
    bench.on_bike(&[&args[..], more].concat()).exits(0);
}

fn run(bench: &Bench, slot: &str) -> Value {
    let report = bench.on_bike(&["--json", "run", "--slot", slot]).exits(0).json();
    assert!(report["revision"].is_string(), "{report:#}");
    report
}

fn set_in(bench: &Bench, from: &str, to: &str) {
    let text = bench.read("bike.yaml");
    assert!(text.contains(from), "no `{from}` in {text}");
    bench.write("bike.yaml", text.replace(from, to));
}

#[test]
fn from_a_stock_bike_to_the_owner_s_page() {
    let bench = Bench::empty();
    // The stock map, of an engine of 650 cm³.
    let donor = "new donor --fuel-table pulse_width_ms --displacement-cc 650 --injector-cc-min 230 --rev-limit-rpm 8200";
    bench.rideloop(&donor.split(' ').collect::<Vec<_>>()).exits(0);
    let home = bench.home();
    let [fuel, mixture] = ["fuel", "mixture"].map(|name| {
        std::fs::read_to_string(home.join(format!("donor/maps/main/{name}.csv"))).expect("a donor")
    });
    std::fs::write(home.join("stock.csv"), at_lambda_one(&fuel, &mixture)).expect("written");

    // A new bike: bored, with an open silencer, two switchable sets.
    let new = "new bike --name Fernhill --fuel-table pulse_width_ms --displacement-cc 700 --cylinders 2 \
               --rev-limit-rpm 8200 --injector-cc-min 230 --slots power,economy --stock stock.csv \
               --stock-displacement-cc 650 --changed silencer,bore";
    bench
        .rideloop(&new.split_whitespace().collect::<Vec<_>>())
        .exits(0)
        .says("stock.csv times 1.07")
        .says("change a lot (bore");
    set_in(&bench, "mixture: table ", "mixture: controller ");
    set_in(&bench, "breathing: own ", "breathing: shared ");
    bench.write("mixtures/power.yaml", "use: power\n");
    bench.write("mixtures/economy.yaml", "use: economy\n");
    bench.on_bike(&["check"]).exits(0);
    for slot in ["power", "economy"] {
        let plan = ["mixture", "--slot", slot, "--write", "--why", "what the set is for"];
        bench.on_bike(&plan).exits(0);
        bench.on_bike(&["history"]).exits(0).says(&format!("{slot}: ")).says("made from its plan");
    }

    // Two rides, four revisions on two slots: each ride corrects both.
    ride(&bench, "power", "1", &[]);
    let first = run(&bench, "power");
    bench.on_bike(&[]).exits(0).says("run --slot economy");
    let other = run(&bench, "economy");
    assert_eq!(first["rides"][0]["sha256"], other["rides"][0]["sha256"], "one ride speaks for both slots");
    ride(&bench, "economy", "2", &[]);
    run(&bench, "economy");
    run(&bench, "power");

    // The engine knocks on a hill: it is told, spark goes back there, and nothing else moves.
    bench.write("../spark.csv", "rpm/throttle_pct,0,50,100\n1000,10,9,8\n4000,32,30,28\n8000,34,32,30\n");
    bench
        .on_bike(&[
            "import",
            "spark.csv",
            "--slot",
            "power",
            "--table",
            "spark",
            "--why",
            "as the controller has it",
        ])
        .exits(0);
    bench.write(&format!("rides/{}/hill.csv", bench.newest()), hill());
    bench.on_bike(&["check"]).exits(0).says("6 events of knock").says("4000 rpm, load 100 %");
    let fuel = bench.read("maps/power/fuel.csv");
    bench.on_bike(&["knock", "--slot", "power"]).exits(0).says("knock breaks pistons");
    assert!(
        bench.read("maps/power/spark.csv").contains("4000,32.0,30.0,26.5"),
        "{}",
        bench.read("maps/power/spark.csv")
    );
    assert_eq!(bench.read("maps/power/fuel.csv"), fuel);
    bench.on_bike(&["cell", "4000", "100", "--slot", "power"]).exits(0).says("spark").says("lambda");

    // Cams and bigger injectors: a new build, the map scaled for the injectors, new rides.
    set_in(&bench, "flow_cc_min: 230", "flow_cc_min: 270");
    bench
        .on_bike(&["build", "add", "sharper cams, injectors of 270", "--changed", "cams,injectors"])
        .exits(0)
        .says("not mild")
        .says("rescale");
    let built = bench.newest();
    bench.on_bike(&["rescale"]).exits(0).says("times 0.8519").says("Dry run");
    bench.on_bike(&["rescale", "--write", "--why", "injectors of 270"]).exits(0);
    ride(&bench, "power", "11", &["--engine", "3"]);
    let cams = run(&bench, "power");
    assert_eq!(cams["rides"].as_array().map(Vec::len), Some(1), "rides of the build before are silent");
    run(&bench, "economy");

    // What was done, in order.
    let history = bench.on_bike(&["--json", "history"]).exits(0).json();
    let kinds: Vec<&str> = history
        .as_array()
        .expect("a list")
        .iter()
        .rev()
        .map(|r| r["kind"].as_str().expect("a kind"))
        .collect();
    let runs = kinds.iter().filter(|kind| **kind == "run").count();
    assert_eq!(runs, 6, "{kinds:?}");
    assert_eq!(kinds[0], "start");
    let build = kinds.iter().position(|kind| *kind == "build").expect("a build");
    assert_eq!(kinds[..build].iter().filter(|kind| **kind == "run").count(), 4, "{kinds:?}");
    assert_eq!(kinds[build..], ["build", "edit", "run", "run"], "{kinds:?}");
    for words in [
        &["season"][..],
        &["show"],
        &["diff", "b1", "b2"],
        &["gaps"],
        &["headroom"],
        &["response"],
        &["rides"],
        &["compare", &built, "power"],
    ] {
        bench.on_bike(words).exits(0);
    }
    let verify = bench.on_bike(&["--json", "verify"]).exits(0).json();
    assert_eq!(verify["troubles"], Value::Array(Vec::new()), "{verify:#}");

    // The owner's page.
    std::fs::write(bench.home().join("before.csv"), sheet(1.0)).expect("written");
    std::fs::write(bench.home().join("after.csv"), sheet(1.09)).expect("written");
    let file = bench.home().join("owner.html");
    let name = file.to_str().expect("UTF-8");
    let page = ["compare", "--power", "before.csv", "--power", "after.csv", "--html", name];
    bench.on_bike(&page).exits(0);
    let page = std::fs::read_to_string(&file).expect("written");
    for part in [
        "Fernhill: before and after",
        "sharper cams, injectors of 270",
        "Map power",
        "Map economy",
        "Change of fuel, %, r1 to",
        "Change of wanted lambda",
        "Spark (degrees before top dead centre)",
        "There was none in r1",
        "injectors of 270",
        "against knock",
        "multiplies the cells by 0.852",
        "On build b2 and map economy they were off the wanted mixture by",
        "3 rides, 36 min 00 s of riding",
        "Rides behind it",
        "What to mind",
        "listen for knock",
    ] {
        assert!(page.contains(part), "no `{part}`");
    }
    keep("story.html", page.as_bytes());
    let Some(browser) = Browser::start() else { return };
    opens_everywhere(&browser, &file, "story");
}
