//! A season of twelve revisions over two builds and two slots, made by the virtual
//! bike, with a rollback, changes by hand and a ride with a leaking exhaust: each
//! question about it is answered by one command.

use crate::bench::{Bench, Said};
use crate::browser::Browser;
use rideloop::bike::Bike;
use rideloop::table::{LoadAxis, Resolution, Table, parse};
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideRequest, RideStyle, VirtualBike};
use serde_json::{Value, json};
use std::path::Path;
use std::sync::OnceLock;

/// 2026-03-01 12:00 UTC.
const FIRST_DAY: u64 = 1_772_366_400;
const DAY: u64 = 86_400;
/// The flat spot that a person enriched in r4.
const FLAT_SPOT: [&str; 4] = ["--rpm", "2500:3500", "--load", "14:18"];

/// Runs the binary on a day of the season.
fn on_day(bench: &Bench, day: u64, args: &[&str]) -> Said {
    let bike = bench.bike.to_str().expect("UTF-8");
    let args: Vec<&str> = ["--bike", bike].iter().chain(args).copied().collect();
    let mut command = bench.command(&args);
    command.env("SOURCE_DATE_EPOCH", (FIRST_DAY + day * DAY).to_string());
    Said::new(command.output().expect("the binary starts"))
}

fn simulate(bench: &Bench, seed: u32, minutes: u32, more: &[&str]) {
    let (seed, minutes) = (seed.to_string(), minutes.to_string());
    let args = ["simulate", "--warm", "--seed", &seed, "--minutes", &minutes];
    bench.on_bike(&args.iter().chain(more).copied().collect::<Vec<_>>()).exits(0);
}

/// A ride on the power slot as it is now, on a bike with other cams; `leak_kg_s` of
/// air comes in ahead of the sensor.
fn ride_of_b2(bench: &Bench, seed: u64, leak_kg_s: f64) -> String {
    let bike = Bike::parse(Path::new("bike.yaml"), &bench.read("bike.yaml")).expect("a bike");
    let table = |path: &str, step: f64| -> Table {
        let step = Resolution::new(step).expect("a step");
        parse(Path::new(path), &bench.read(path), LoadAxis::ThrottlePct, step, 0.0..=250.0).expect(path)
    };
    let fuel = table("maps/power/fuel.csv", 0.1);
    let mixture = table("maps/power/mixture.csv", 0.001);
    let mut character = Character::from_seed(3);
    character.exhaust.leak_kg_s = leak_kg_s;
    let twin = VirtualBike { spec: BikeSpec::of(&bike), character };
    let day = (seed % 9) as f64;
    let request = RideRequest {
        seed,
        minutes: 20.0,
        rate_hz: 20.0,
        cold_start: false,
        ambient: Ambient { air_temp_c: 12.0 + 2.5 * day, baro_kpa: 98.5 + 0.3 * day, humidity_rh: 50.0 },
        style: if seed.is_multiple_of(2) { RideStyle::Spirited } else { RideStyle::Road },
    };
    twin.ride(&|r, l| fuel.at(r, l), &|r, l| mixture.at(r, l), &request).to_csv(Some("power"))
}

/// The season: r1 start, r2 and r3 by rides, r4 by hand, r5 by a ride, r6 back to r4,
/// r7 the other slot, r8 a new build, r9 with a leaking ride passed over, r10 the other
/// slot, r11 by a ride, r12 a lock.
fn season() -> &'static Bench {
    static SEASON: OnceLock<Bench> = OnceLock::new();
    SEASON.get_or_init(|| {
        let bench = Bench::with_bike();
        let made = |day: u64, args: &[&str], name: &str| {
            on_day(&bench, day, args).exits(0).says(name);
        };
        simulate(&bench, 1, 15, &[]);
        made(0, &["run"], "r2 is committed");
        simulate(&bench, 2, 15, &["--style", "spirited"]);
        made(10, &["run"], "r3 is committed");
        let edit = ["edit", "scale", "+2", "--why", "flat spot at small throttle"];
        made(20, &[&edit[..], &FLAT_SPOT[..]].concat(), "r4");
        simulate(&bench, 4, 12, &[]);
        made(30, &["run"], "r5 is committed");
        made(31, &["rollback", "r4", "--why", "stumbles when cold"], "r6");
        simulate(&bench, 5, 15, &["--slot", "economy"]);
        made(40, &["run", "--slot", "economy"], "r7 is committed");
        made(50, &["build", "add", "sharper cams", "--name", "b2"], "r8");
        for seed in [11, 12, 13] {
            bench.write(&format!("rides/r8/road-{seed}.csv"), ride_of_b2(&bench, seed, 0.0));
        }
        bench.write("rides/r8/leak.csv", ride_of_b2(&bench, 14, 2.0e-4));
        made(60, &["run"], "r9 is committed");
        simulate(&bench, 15, 15, &["--slot", "economy", "--engine", "3"]);
        made(70, &["run", "--slot", "economy"], "r10 is committed");
        simulate(&bench, 16, 12, &["--engine", "3"]);
        made(80, &["run"], "r11 is committed");
        let lock = ["edit", "lock", "--rpm", "1000:1500", "--load", "0:2", "--why", "idle is set by ear"];
        made(90, &lock, "r12");
        bench
    })
}

fn names(list: &Value) -> Vec<&str> {
    let list = list.as_array().expect("a list");
    list.iter().filter_map(|entry| entry["revision"].as_str()).collect()
}

#[test]
fn season_tells_the_whole_story() {
    let told = season().on_bike(&["--json", "season"]).exits(0).json();
    assert_eq!(told["revisions"].as_array().map(Vec::len), Some(12));
    let kinds: Vec<&str> =
        told["revisions"].as_array().expect("a list").iter().filter_map(|r| r["kind"].as_str()).collect();
    let wanted = "start run run edit run rollback run build run run run edit";
    assert_eq!(kinds.join(" "), wanted);
    let build = |i: usize| {
        let b = &told["builds"][i];
        [&b["build"], &b["first"], &b["last"], &b["what"]].map(|v| v.as_str().expect("text").to_owned())
    };
    assert_eq!(build(1), ["b2", "r8", "r12", "sharper cams"]);
    assert_eq!(build(0)[1..3], ["r1", "r7"]);

    let (power, economy) = (&told["slots"][0], &told["slots"][1]);
    assert_eq!(names(&power["steps"]).join(" "), "r1 r2 r3 r4 r5 r6 r8 r9 r11 r12");
    assert_eq!(names(&economy["steps"]).join(" "), "r1 r6 r7 r8 r10");
    assert_eq!(
        (power["start_revision"].as_str(), power["convergence"]["runs"].as_u64()),
        (Some("r8"), Some(2))
    );
    // Each ride errs less with the table of the run that used it than it did on the road.
    let mut told_errors = 0;
    for ride in told["rides"].as_array().expect("rides") {
        for said in ride["said"].as_array().expect("said") {
            let rms = |key: &str| said[key]["rms_pct"].as_f64().expect("an error");
            assert!(rms("after") < rms("as_ridden"), "{ride:#}");
            told_errors += 1;
        }
    }
    assert_eq!(told_errors, 9, "three rides of b1's power, two of economy, four of b2's power");
    let knowledge = |slot: &Value, revision: &str| {
        let steps = slot["steps"].as_array().expect("steps");
        steps.iter().find(|s| s["revision"] == revision).expect(revision)["knowledge"].clone()
    };
    let share = |revision: &str| knowledge(power, revision)["time_well_known"].as_f64().expect("a share");
    assert!(
        share("r2") < share("r3") && share("r9") > 0.3,
        "{} {} {}",
        share("r2"),
        share("r3"),
        share("r9")
    );
    assert_eq!(knowledge(power, "r4"), Value::Null);
    // Distance, travel and turns of cells are of this build alone.
    let cells = power["cells"].as_array().expect("cells");
    let number = |cell: &Value, key: &str| cell[key].as_f64().expect("a number");
    let rms =
        (cells.iter().map(|c| number(c, "change_pct").powi(2)).sum::<f64>() / cells.len() as f64).sqrt();
    assert!((rms - number(power, "distance_rms_pct")).abs() < 1e-9);
    assert!(cells.iter().all(|c| number(c, "travel_pct") >= number(c, "change_pct").abs() - 0.2), "{rms}");
    assert!(cells.iter().filter(|c| c["locked"] == "idle is set by ear").count() >= 2);

    // The leak is told once, where it was found; the ride of r5 was set aside with its reason.
    let warned = told["warnings"].as_array().expect("warnings");
    let leak: Vec<&Value> =
        warned.iter().filter(|w| w["about"]["passed_over"]["file"] == "r8/leak.csv").collect();
    assert_eq!(leak.len(), 1, "{warned:#?}");
    assert_eq!(
        (&leak[0]["revision"], &leak[0]["about"]["passed_over"]["reason"]),
        (&json!("r9"), &json!("lies"))
    );
    let aside = told["rides"].as_array().expect("rides").iter().find(|r| r["state"] == "set_aside");
    let aside = aside.expect("a ride set aside");
    assert_eq!(aside["file"], "r4/sim-4.csv");
    assert!(aside["why"].as_str().is_some_and(|why| why.contains("stumbles when cold")));
    let rollback = &told["revisions"][5];
    assert_eq!((&rollback["restores"], &rollback["undoes"]), (&json!("r4"), &json!(["r5"])));
    // Every sample of a ride that counts is kept or has a reason.
    let dropped: u64 =
        told["rejected"].as_object().expect("reasons").values().filter_map(Value::as_u64).sum();
    assert_eq!(told["samples"].as_u64(), told["kept"].as_u64().map(|kept| kept + dropped));

    let text = season().on_bike(&["season"]).exits(0);
    text.says("r1 of 2026-03-01 to r12 of 2026-05-30; 2 builds")
        .says("power, build b2 since r8")
        .says("moved most")
        .says("back to r4, undoing r5")
        .says("r8/leak.csv")
        .says("sharper cams")
        .says("flat spot at small");
    season().on_bike(&["season", "--slot", "economy"]).exits(0).says("economy, build b2 since r8");
    season().on_bike(&["season", "--slot", "sport"]).exits(1).says("there is no slot `sport`");
}

#[test]
fn one_command_answers_each_smaller_question() {
    let bench = season();
    let ask = |args: &[&str]| bench.on_bike(&[&["--json"], args].concat()).exits(0).json();
    // Who changed what, when, and why?
    assert_eq!(names(&ask(&["history", "--kind", "rollback", "--kind", "edit"])), ["r12", "r6", "r4"]);
    assert_eq!(names(&ask(&["history", "--slot", "economy"])), ["r10", "r8", "r7", "r6", "r1"]);
    assert_eq!(names(&ask(&["history", "--since", "2026-05-01"])), ["r12", "r11", "r10"]);
    let region = ask(&[&["history"], &FLAT_SPOT[..], &["--kind", "edit"]].concat());
    assert_eq!(names(&region), ["r4"]);
    // Why does this cell hold what it holds?
    let cell = ask(&["cell", "3000", "14"]);
    assert_eq!(names(&cell["steps"]).join(" "), "r12 r11 r9 r8 r6 r5 r4 r3 r2 r1");
    let step = |name: &str| {
        let steps = cell["steps"].as_array().expect("steps");
        steps.iter().find(|s| s["revision"] == name).expect(name).clone()
    };
    assert_eq!(step("r4")["why"], "flat spot at small throttle");
    // Never further than asked: at most a step of 0.1 below.
    let by = step("r4")["change_pct"].as_f64().expect("a change");
    assert!((1.6..=2.001).contains(&by), "{by}");
    assert_eq!(
        (step("r6")["value"].clone(), step("r6")["why"].clone()),
        (step("r4")["value"].clone(), json!("stumbles when cold"))
    );
    assert!(
        step("r9")["evidence"]["required"].is_number()
            && step("r9")["rides"].as_array().map(Vec::len) == Some(3)
    );
    // What differs between revisions, builds, slots?
    let shown = ask(&["show", "r4"]);
    assert_eq!(shown["changes"]["tables"][0]["cells"].as_array().map(Vec::len), Some(6));
    assert_eq!(ask(&["show", "b1"])["revision"], "r7");
    assert_eq!(ask(&["diff", "r4", "r6"])["tables"], json!([]));
    assert!(ask(&["diff", "b1", "b2"])["tables"][0]["cells"].as_array().is_some_and(|c| c.len() > 20));
    assert_eq!(ask(&["diff", "power", "economy"])["tables"][0]["from_slot"], "power");
    // What to ride next? Never high load on a road.
    let gaps = ask(&["gaps", "--most", "50"]);
    let points = gaps["gaps"].as_array().expect("gaps");
    assert!(points.len() > 5 && gaps["left_to_dyno"].as_u64() > Some(0), "{gaps:#}");
    let mut before = f64::INFINITY;
    for point in points {
        let number = |key: &str| point[key].as_f64().expect("a number");
        assert!(number("weight") <= before, "{point}");
        before = number("weight");
        assert!(number("load") < 50.0 && point["place"] != "dyno", "{point}");
        assert!(number("hold_s") >= 5.0, "{point}");
        if let Some(speed) = point["place"]["road"]["speed_kph"].as_f64() {
            assert!(speed <= 100.0, "{point}");
        }
        assert!(number("rpm") > 1500.0 || number("load") > 2.0, "locked: {point}");
    }
    bench.on_bike(&["gaps"]).exits(0).says("gear").says("km/h").says("caution");
    bench.on_bike(&["gaps", "--dyno", "--most", "60"]).exits(0).says("straps");
    // Which rides count?
    bench.on_bike(&["rides"]).exits(0).says("r8/road-11.csv").says("set aside");
}

#[test]
fn verify_passes_on_the_season_and_finds_what_was_done_to_it() {
    let whole = season().on_bike(&["--json", "verify"]).exits(0).json();
    assert_eq!(whole["troubles"], json!([]), "{whole:#}");
    let replayed = whole["revisions"].as_array().expect("revisions");
    let same = replayed.iter().filter(|r| r["replay"] == "same").count();
    // Seven runs and two changes by hand; start, rollback and build have nothing to make again.
    assert_eq!(same, 9, "{replayed:#?}");

    let fuel = "maps/economy/fuel.csv";
    let flip = |bench: &Bench, path: &str| {
        let text = bench.read(path);
        let at = text.rfind(|c: char| c.is_ascii_digit()).expect("a digit");
        let digit = if text.as_bytes()[at] == b'1' { "2" } else { "1" };
        bench.write(path, format!("{}{digit}{}", &text[..at], &text[at + 1..]));
    };
    type Deed<'a> = (&'a str, &'a dyn Fn(&Bench), &'a str);
    let deeds: [Deed<'_>; 6] = [
        ("a table", &|b| flip(b, fuel), fuel),
        ("evidence", &|b| flip(b, "evidence/power.csv"), "evidence/power.csv"),
        ("a ride", &|b| flip(b, "rides/r8/road-12.csv"), "r8/road-12.csv"),
        ("a tag", &|b| drop(b.git(&["tag", "-d", "r5"]).exits(0)), "r5"),
        ("a commit", &|b| drop(b.git(&["commit", "-q", "--amend", "-m", "other words"]).exits(0)), "r12"),
        (
            "a missing ride",
            &|b| std::fs::remove_file(b.bike.join("rides/r9/sim-15.csv")).expect("it was there"),
            "r9/sim-15.csv",
        ),
    ];
    for (what, deed, place) in deeds {
        let bench = season().twin();
        deed(&bench);
        let said = bench.on_bike(&["verify", "r1"]).exits(1);
        assert!(said.out.contains(place), "{what}: no `{place}` in {said:#?}");
    }
}

#[test]
fn the_season_s_page_tells_what_the_terminal_tells() {
    let bench = season();
    let file = bench.home().join("season.html");
    let name = file.to_str().expect("UTF-8");
    bench.on_bike(&["season", "--html", name]).exits(0).says("season.html is written");
    let text = std::fs::read_to_string(&file).expect("written");
    for part in [
        "sharper cams",
        "stumbles when cold",
        "flat spot at small throttle",
        "r8/leak.csv",
        "idle is set by ear",
    ] {
        assert!(text.contains(part), "no `{part}`");
    }
    let Some(browser) = Browser::start() else { return };
    crate::pages::opens_everywhere(&browser, &file, "season");
    browser.emulate(1280, 900, "light");
    browser.open(&file);
    // The slider at each revision of the slot shows that revision's table.
    let told = bench.on_bike(&["--json", "season"]).exits(0).json();
    let steps = told["slots"][0]["steps"].as_array().expect("steps");
    let cell = 45;
    for (i, step) in steps.iter().enumerate() {
        let shown = browser.text(&format!(
            "(() => {{ const s = document.querySelector('section#slot-power input[type=range]'); s.value = {i}; \
             s.dispatchEvent(new Event('input', {{ bubbles: true }})); \
             return document.querySelectorAll('section#slot-power .explorer td')[{cell}].textContent; }})()"
        ));
        let value = step["values"][cell].as_f64().expect("a value");
        assert!(shown.contains(&format!("{value:.1}")), "{}: {shown} is not {value}", step["revision"]);
    }
    assert_eq!(browser.complaints(&file), Vec::<String>::new());
}
