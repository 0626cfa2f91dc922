//! Starting right: a first map from a stock table, questions at a terminal, new hardware.

use crate::bench::{Bench, Said};
use std::io::Write;
use std::process::{Command, Stdio};

/// A fuel table's numbers, row by row.
fn cells(text: &str) -> Vec<f64> {
    let numbers =
        |line: &str| line.split(',').skip(1).map(|c| c.parse().expect("a number")).collect::<Vec<f64>>();
    text.lines().skip(1).flat_map(numbers).collect()
}

/// A pulse-width bike with injectors of 200 cm³/min that a ride has tuned: r2.
fn ridden() -> Bench {
    let bench = Bench::empty();
    let words = ["new", "bike", "--fuel-table", "pulse_width_ms", "--injector-cc-min", "200"];
    bench.rideloop(&words).exits(0).says("not said, and presumed: --displacement-cc 650");
    bench.simulate(5, 12);
    bench.on_bike(&["run", "--pipeline", "first-ride"]).exits(0).says("r2");
    bench
}

fn set_in(bench: &Bench, from: &str, to: &str) {
    let text = bench.read("bike.yaml");
    assert!(text.contains(from), "{text}");
    bench.write("bike.yaml", text.replace(from, to));
}

#[test]
fn bigger_injectors_rescale_the_map_of_a_new_build_and_rides_go_on_from_there() {
    let bench = ridden();
    bench.on_bike(&["rescale"]).exits(0).says("No revision was made").says("made for what bike.yaml says");
    set_in(&bench, "flow_cc_min: 200", "flow_cc_min: 333");
    // Rides with the old injectors would count for the new ones.
    let write = ["rescale", "--write", "--why", "injectors of 333"];
    bench.on_bike(&write).exits(1).says("build b1 was ridden with that of then").says("build add");
    bench.on_bike(&["rescale"]).exits(1).says("build add");
    let said =
        bench.on_bike(&["build", "add", "injectors of 333", "--changed", "injectors,silencer"]).exits(0);
    said.says("r3 begins build b2").says("knock change a lot (injectors)").says("rideloop rescale");
    assert!(bench.read("builds.yaml").contains("changed: [injectors, silencer]"));
    let before = cells(&bench.read("maps/main/fuel.csv"));
    let snapshot = bench.snapshot();
    bench.on_bike(&["rescale"]).exits(0).says("times 0.6006").says("Dry run").says("gets 39.9 % less");
    assert!(bench.snapshot() == snapshot, "the dry run wrote something");
    let json = [&["--json"], &write[..]].concat();
    let done = bench.on_bike(&json).exits(0).json();
    assert_eq!(
        (&done["slots"][0]["from_revision"], &done["slots"][0]["rescaling"]["factor"]),
        (&"r2".into(), &0.600_601.into())
    );
    assert_eq!(done["change"]["revision"], "r4");
    // Far beyond what one revision or one build may change of itself.
    let aside = done["change"]["despite"].to_string();
    assert!(aside.contains("high_load_lean") && aside.contains("distance"), "{aside}");
    let after = cells(&bench.read("maps/main/fuel.csv"));
    for (before, after) in before.iter().zip(&after) {
        assert!((before * 0.600_601 - after).abs() < 0.005 + 1e-9, "{before} became {after}");
    }
    bench.assert_whole();
    bench.assert_fits();
    bench.on_bike(&write).exits(0).says("No revision was made");
    // The next run measures its distance from the rescaled table, not from that of the old injectors.
    bench.simulate(6, 12);
    let run = bench.on_bike(&["--json", "run", "--pipeline", "first-ride"]).exits(0).json();
    assert_eq!(run["revision"], "r5", "{run:#}");
    let held = run["cells"].as_array().expect("cells").iter().filter(|cell| cell["held_by"] == "distance");
    assert_eq!(held.count(), 0);
    bench.assert_fits();
    // Back to what the build began with, and from there the old table counts again.
    bench.on_bike(&["rollback", "r3", "--why", "the old injectors again"]).exits(0).says("r6");
    assert_eq!(cells(&bench.read("maps/main/fuel.csv")), before);
}

#[test]
fn small_revisions_between_hide_no_hardware_and_nothing_is_scaled_twice() {
    let bench = ridden();
    set_in(&bench, "flow_cc_min: 200", "flow_cc_min: 160");
    let add = ["build", "add", "injectors of 160", "--changed", "injectors"];
    bench.on_bike(&add).exits(0).says("rescale before it is ridden");
    // None of these makes the fuel table anew, though each takes bike.yaml along.
    let lock = ["edit", "lock", "--rpm", "1000", "--load", "1", "--why", "idle by ear"];
    bench.on_bike(&lock).exits(0);
    bench.on_bike(&["rescale", "--write", "--why", "x"]).exits(3).says("refused (locked)");
    bench.on_bike(&["edit", "unlock", "--rpm", "1000", "--load", "1", "--why", "to scale it"]).exits(0);
    let ride = bench.on_bike(&["--json", "rides"]).exits(0).json()["rides"][0]["file"].clone();
    bench.on_bike(&["rides", "set-aside", ride.as_str().expect("a ride"), "--why", "rain"]).exits(0);
    bench.on_bike(&[]).exits(0).says(" rescale ").says("every cell is off by 25.0 %");
    bench.on_bike(&["rescale"]).exits(0).says("times 1.2500");
    bench.on_bike(&["rescale", "--write", "--why", "injectors of 160"]).exits(0);
    assert!(!bench.on_bike(&[]).exits(0).out.contains("every cell is off"));
    // Saying once more where from scales again, but no longer past the limits.
    let again = ["rescale", "--from-flow-cc-min", "130", "--write", "--why", "a slip"];
    bench.on_bike(&again).exits(3).says("rescaled or ridden in this build already");
    bench.on_bike(&["rescale", "--from-flow-cc-min", "30"]).exits(1).says("is believed");
    bench.assert_fits();
    // The roll back to before the scaling brings the tables of the old injectors, and that is told.
    bench.on_bike(&["rollback", "r3", "--why", "back"]).exits(0);
    bench.on_bike(&[]).exits(0).says("every cell is off by 25.0 %");
    // From there it is not scaled twice, so that the limits stand aside again.
    bench.on_bike(&["rescale", "--write", "--why", "now"]).exits(0).says("stand aside");
}

#[test]
fn injectors_that_suit_the_engine_suit_its_fuel_too() {
    let bench = Bench::empty();
    let flow = |fuel: &str| -> f64 {
        bench.rideloop(&["new", fuel, "--fuel", fuel]).exits(0);
        let yaml = std::fs::read_to_string(bench.home().join(fuel).join("bike.yaml")).expect("a bike");
        let (_, behind) = yaml.split_once("flow_cc_min: ").expect("a flow");
        behind.split_whitespace().next().and_then(|flow| flow.parse().ok()).expect("a number")
    };
    // E85 needs about 1.4 times the volume of E10 (science of stoichiometry: 14.0 against 9.8).
    let ratio = flow("E85") / flow("E10");
    assert!((1.25..1.6).contains(&ratio), "{ratio}");
}

#[test]
fn what_the_tables_were_made_for_can_be_said_and_bad_numbers_are_refused_in_words() {
    let bench = Bench::with_bike();
    // A VE table knows neither injectors nor fuel.
    bench
        .on_bike(&["rescale", "--from-flow-cc-min", "200"])
        .exits(0)
        .says("No revision")
        .says("must be told");
    let same = ["rescale", "--from-displacement-cc", "0.65l", "--same-air"];
    let said = bench.on_bike(&same).exits(0).says("times 0.9286").says("slot power").says("slot economy");
    // The factor comes of the displacement, not of the injectors.
    let said = said.says("if the engine gets more air than said");
    assert!(!said.out.contains("flow less"), "{}", said.out);
    let widest = said.out.lines().map(|line| line.chars().count()).max();
    assert!(widest <= Some(100), "{widest:?}: {}", said.out);
    for (option, value, why) in [
        ("--from-displacement-cc", "0", "must be between 20 and 10000"),
        ("--from-rail-kpa", "-3", "must be between 50 and 2000"),
        ("--from-flow-cc-min", "nan", "is not a number"),
        ("--from-flow-cc-min", "40psi", "known: cc/min, l/min, l/h"),
        ("--from-injectors", "0", "1..=32"),
        ("--from-fuel", "diesel", "E10"),
    ] {
        bench.on_bike(&["rescale", option, value]).exits(2).says(why);
    }
    bench.on_bike(&["rescale", "--write"]).exits(2).says("--why");
    bench.on_bike(&["rescale", "--write", "--why", " "]).exits(1).says("needs a reason");
}

#[test]
fn a_stock_table_becomes_the_first_map_and_a_bad_one_leaves_nothing_behind() {
    let bench = Bench::empty();
    let new = |words: &[&str]| -> Said {
        let known = "new bike --displacement-cc 700 --injector-cc-min 230 --rail-kpa 4bar --stock stock.csv";
        bench.rideloop(&known.split(' ').chain(words.iter().copied()).collect::<Vec<_>>())
    };
    let stock = |text: &str| std::fs::write(bench.home().join("stock.csv"), text).expect("written");
    let pulse = ["--fuel-table", "pulse_width_ms"];
    new(&pulse).exits(1).says("could not read `stock.csv`");
    for (text, why) in [
        ("", "empty"),
        ("1,2\n3,4\n", "needs axes"),
        ("rpm/throttle_pct,2,100\n1000,1,nan\n2000,1,2\n", "stock.csv:2:"),
        ("rpm/throttle_pct,2,100\n1000,1,70\n2000,1,2\n", "must be between 0 and 60"),
        ("rpm/throttle_pct,2,100\n1000,1,-1\n2000,1,2\n", "must be between 0 and 60"),
        ("rpm/throttle_pct,2,2\n1000,1,1\n2000,1,2\n", "axis"),
        ("rpm/throttle_pct,1000,9000\n2,1,1.5\n100,4,10\n", "the axes look exchanged"),
        ("rpm/throttle_pct,0.02,1\n1000,1,4\n9000,1.5,10\n", "a throttle opening in % is wanted"),
        ("rpm/throttle_pct,2,100\n1000,18,70\n9000,9,90\n", "must be between 0 and 60"),
        ("rpm/throttle_pct,2,100\n1000,8,52\n9000,9,58\n", "would suit a table of ve_pct"),
        ("rpm/throttle_pct,2,50,100\n1000,1,3,4\n5000,1,0,9\n9000,1.5,6,10\n", "0 at 5000 1/min, 50 %"),
    ] {
        stock(text);
        new(&pulse).exits(1).says(why);
        assert!(!bench.home().join("bike").exists(), "{why} left something behind");
    }
    stock("throttle_pct/rpm;1000;9000\n2;1,00;1,50\n100;4,00;10,00\n");
    let from = ["--stock-displacement-cc", "650", "--stock-flow-cc-min", "200", "--stock-rail-kpa", "300"];
    new(&[&pulse[..], &from[..], &["--changed", "bore,cams"]].concat())
        .exits(0)
        .says("stock.csv times 0.811")
        .says("taken as the new one's: fuel")
        .says("knock change a lot (bore, camshafts)");
    assert_eq!(bench.read("maps/main/fuel.csv"), "rpm/throttle_pct,2,100\n1000,0.81,3.24\n9000,1.22,8.11\n");
    assert!(bench.read("builds.yaml").contains("changed: [bore, cams]"));
    bench.on_bike(&["check"]).exits(0).says("0 problems");
    let two = ["--injectors", "4", "--stock-injectors"];
    let said = |count: &str| {
        let dir = format!("with-{count}");
        let words = format!("new {dir} --fuel-table pulse_width_ms --injector-cc-min 200 --stock stock.csv");
        let words = words.split(' ').chain(two).chain([count]).collect::<Vec<_>>();
        bench.rideloop(&words)
    };
    let said_two = said("2").exits(0).says("stock.csv times 0.500");
    assert!(!said_two.out.contains("number of injectors"), "{}", said_two.out);
    said("1").exits(1).says("is believed").says("nothing was written");
    assert!(!bench.home().join("with-1").exists());
}

#[test]
fn the_page_on_starting_has_every_change_with_its_verdict() {
    let page = std::fs::read_to_string("docs/starting.md").expect("there");
    for change in rideloop::bike::HARDWARE_CHANGES {
        let verdict = if change.mild { "mild" } else { "a map of its own" };
        let row = format!(
            "| `{}` | {} | {verdict} | {} | {} |",
            change.name, change.words, change.why, change.next
        );
        assert!(page.contains(&row), "docs/starting.md lacks the row\n{row}");
    }
}

/// A bike with a trim module of a small range on top of a stock map of pulse widths.
fn with_module(range: &str) -> Bench {
    let bench = Bench::empty();
    std::fs::write(bench.home().join("stock.csv"), "rpm/throttle_pct,1,100\n1000,1.0,5.0\n9000,1.5,10.0\n")
        .expect("written");
    let words = format!("new bike --fuel-table trim_pct --trim-range-pct {range} --stock stock.csv");
    bench.rideloop(&words.split(' ').collect::<Vec<_>>()).exits(0).says("lies below it as stock.csv");
    bench
}

#[test]
fn a_module_s_range_holds_runs_edits_and_rollbacks_and_the_total_is_shown() {
    let bench = with_module("-30:30");
    assert!(bench.read("bike.yaml").contains("trim_range_pct: [-30, 30]"));
    bench
        .on_bike(&["edit", "set", "10", "--rpm", "1000", "--load", "1", "--why", "idle"])
        .exits(0)
        .says("r2");
    let cell = bench.on_bike(&["--json", "cell", "1000", "1"]).exits(0).json();
    assert_eq!((&cell["stock"], &cell["total"]), (&1.0.into(), &1.1.into()));
    bench.on_bike(&["cell", "1000", "1"]).exits(0).says("stock map 1.00, with today's trim 1.10");
    let shown = bench.on_bike(&["--json", "show"]).exits(0).json();
    assert_eq!(shown["totals"][0]["values"][0], 1.1);
    bench.on_bike(&["show"]).exits(0).says("stock map with the trim, main");
    let room = bench.on_bike(&["headroom"]).exits(0).says("the stock map is taken as pulse_width_ms");
    room.says("in cold air").never_says("does not tell the pulse");
    let set = |value: &str| {
        [
            "edit",
            "set",
            value,
            "--rpm",
            "1000",
            "--load",
            "1",
            "--why",
            "more",
            "--despite",
            "step_up",
            "--despite",
            "high_load_lean",
        ]
        .map(str::to_owned)
    };
    let said = |words: &[String]| bench.on_bike(&words.iter().map(String::as_str).collect::<Vec<_>>());
    said(&set("31")).exits(3).says("module_range").says("the module gives no more");
    // A stock map is a setting: it goes along, and nothing of the tool changes it.
    bench.write("maps/main/stock.csv", "rpm/throttle_pct,1,100\n1000,2.0,5.0\n9000,1.5,10.0\n");
    said(&set("12")).exits(0).says("also taken along: maps/main/stock.csv").says("r3");
    bench.on_bike(&["cell", "1000", "1"]).exits(0).says("with today's trim 2.24");
    bench.assert_whole();
    bench.assert_fits();
    // A narrower module can hold neither what it holds today nor what it held.
    set_in(&bench, "[-30, 30]", "[-30, 5]");
    bench.on_bike(&["check"]).exits(0).says("1 cell beyond what the module can hold");
    said(&set("4")).exits(0).says("r4");
    bench.on_bike(&["rollback", "r3", "--why", "x"]).exits(3).says("module_range");
    bench.write("maps/main/stock.csv", "rpm/throttle_pct,1,100\n1000,nan,5.0\n9000,1.5,10.0\n");
    bench.on_bike(&["run"]).exits(1).says("maps/main/stock.csv:2:");
}

#[test]
fn a_run_says_where_the_module_can_add_no_more() {
    let bench = with_module("-2:2");
    bench.simulate(5, 12);
    bench.simulate(6, 12);
    let run = bench.on_bike(&["--json", "run", "--pipeline", "first-ride", "--dry-run"]).json();
    let cells = run["cells"].as_array().expect("cells");
    let held = cells.iter().filter(|cell| cell["held_by"] == "module_range").count();
    assert!(held > 0, "{run:#}");
    assert!(cells.iter().all(|cell| cell["after"].as_f64().is_some_and(|after| after.abs() <= 2.0)));
    let notes = run["notes"].to_string();
    assert!(
        notes.contains("the module's end of") && notes.contains("the stock map, the injectors"),
        "{notes}"
    );
    // Another map in the controller is another engine to the rides before it.
    bench.on_bike(&["run", "--pipeline", "first-ride"]).exits(0);
    bench.on_bike(&[]).exits(0).never_says("stock.csv changed");
    bench.write("maps/main/stock.csv", "rpm/throttle_pct,1,100\n1000,1.0,5.5\n9000,1.5,0.4\n");
    let change = "maps/main/stock.csv changed: 2 cells by -96.0 to +10.0 %";
    bench.on_bike(&[]).exits(0).says(change).says("begin a new build");
    bench.on_bike(&["check"]).says(change).says("maps/main/stock.csv: as ve_pct it holds");
    bench.simulate(7, 12);
    bench.on_bike(&["run", "--dry-run"]).says(change);
    bench.on_bike(&["build", "add", "another map in the controller"]).exits(0).never_says(change);
    bench.on_bike(&[]).exits(0).never_says("stock.csv changed");
}

#[test]
fn a_device_that_biases_the_air_temperature_is_a_build_and_stays_one_until_it_is_gone() {
    let bench = Bench::with_bike();
    let add = |words: &[&str]| bench.on_bike(&[&["build", "add"], words].concat());
    for (value, why) in
        [("nan", "is not a number"), ("-300", "between -60 and 60"), ("3kPa", "no known unit")]
    {
        add(&["box", "--air-temp-bias-c", value]).exits(2).says(why);
    }
    add(&["a box on the air sensor", "--air-temp-bias-c", "-10"])
        .exits(0)
        .says("+4.0 % at -10 °C, +3.7 % at 10 °C, +3.5 % at 25 °C, +3.3 % at 40 °C")
        .says("it is the same in every cell");
    let json = bench.on_bike(&["--json", "build", "add", "other tyres"]).exits(0).json();
    assert_eq!(json["air_temp_bias"]["bias_c"], -10.0);
    add(&["the box is gone", "--air-temp-bias-c", "0"])
        .exits(0)
        .says("-10.0 °C of what it is is gone")
        .says("less of a bias than before");
    add(&["still no box", "--air-temp-bias-c", "0"]).exits(0).says("and none does now");
    let builds = bench.read("builds.yaml");
    assert_eq!(builds.matches("air_temp_bias_c: -10").count(), 2, "{builds}");
    let json = bench.on_bike(&["--json", "build", "add", "new chain"]).exits(0).json();
    assert!(json["air_temp_bias"].is_null());
    bench.write("builds.yaml", bench.read("builds.yaml").replacen("bias_c: -10", "bias_c: -8", 1));
    add(&["fork oil"]).exits(0).says("builds.yaml changed").says("air_temp_bias_c -10 → -8");
}

#[test]
fn at_a_terminal_what_no_option_says_is_asked() {
    let bench = Bench::empty();
    let program = env!("CARGO_BIN_EXE_rideloop");
    // Only util-linux has it with these options.
    if !cfg!(target_os = "linux") {
        return;
    }
    let asked = |options: &str, typed: &str| -> Option<Said> {
        let mut command = bench.isolated(Command::new("script"));
        let line = format!("{program} new {options}");
        command.args(["-qec", &line, "/dev/null"]).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().ok()?;
        child.stdin.take().expect("piped").write_all(typed.as_bytes()).expect("typed");
        Some(Said::new(child.wait_with_output().expect("it ends")))
    };
    let typed = "Fernhill 700\n-700\n700\n8200\n\n\n\nve_pct\nthrottle_pct\nunlogged\nair-filter\n\nmain\n";
    let Some(said) = asked("bike --fuel E5 --cylinders 2", typed) else { return };
    let said = said.exits(0);
    said.says("Displacement of all cylinders, cm³ [650]: ")
        .says("must be between 20 and 10000 cc, got -700")
        .says("mild: the stock controller's own adaption covers it");
    let yaml = bench.read("bike.yaml");
    for line in ["name: \"Fernhill 700\"", "displacement_cc: 700,", "mode: unlogged", "name: E5"] {
        assert!(yaml.contains(line), "{line}: {yaml}");
    }
    // What cannot be made of the answers costs none of them.
    let stock = "rpm/throttle_pct,2,100\n1000,1,4\n9000,2,10\n";
    std::fs::write(bench.home().join("my stock.csv"), stock).expect("written");
    let typed = "Bob's\n700\n2\n9000\n\n\n\n230\npulse_width_ms\nthrottle_pct\nnone\nnone\nno.csv\nmy stock.csv\n\
                 200\n\n\n\n\nmain\n";
    let said = asked("'my bike'", typed).expect("it ran before").exits(1);
    let said = said.says("that does not serve: could not read `no.csv`").says("is believed");
    let said = said.says("your answers as a command, to change and run again:");
    let repeated =
        said.out.lines().find(|line| line.trim_start().starts_with("rideloop new")).expect("a command");
    assert!(repeated.contains("new 'my bike' --name 'Bob'\\''s' --displacement-cc 700"), "{repeated}");
    assert!(
        repeated.trim_end().ends_with("--stock 'my stock.csv' --stock-displacement-cc 200 --slots main"),
        "{repeated}"
    );
    // And it is one: with the right number it makes the bike.
    let mended = repeated.trim().replacen("rideloop", program, 1).replace("cc 200", "cc 650");
    let mut command = bench.isolated(Command::new("sh"));
    command.args(["-c", &mended]);
    Said::new(command.output().expect("a shell")).exits(0).says("rideloop --bike 'my bike' check");
    bench.rideloop(&["new", "my bike"]).exits(1).says("`rideloop --bike 'my bike'` says what comes next");
}
