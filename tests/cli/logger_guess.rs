//! `logger guess`: what it proposes, what it asks, and that it writes nothing while it asks.

use crate::answers::assert_fits;
use crate::bench::{Bench, Said};
use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// An invented ride of five minutes, ten rows a second, each row as `row` writes time, rpm,
/// throttle (%), lambda and engine temperature (°C).
fn log(head: &str, row: fn(f64, f64, f64, f64, f64) -> String) -> String {
    let mut text = format!("{head}\n");
    for i in 0..4000 {
        let t = f64::from(i) * 0.1;
        let wave = ((t * 0.7).sin() + (t * 0.13).sin()) / 4.0 + 0.5;
        let rpm = (1400.0 + 5200.0 * wave).round();
        let _ = writeln!(
            text,
            "{}",
            row(t, rpm, 3.0 + 48.0 * wave, 0.97 + 0.1 * (t * 0.31).sin(), (20.0 + t * 0.4).min(86.0))
        );
    }
    text
}

fn comma(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}").replace('.', ",")
}

fn channel<'a>(answer: &'a Value, name: &str) -> &'a Value {
    let channels = answer["channels"].as_array().expect("channels");
    channels.iter().find(|channel| channel["channel"] == name).unwrap_or(&Value::Null)
}

fn ask(bench: &Bench, args: &[&str]) -> Said {
    bench.on_bike(&[&["--json", "logger", "guess"], args].concat())
}

fn asked_of(answer: &Value) -> Vec<&str> {
    let questions = answer["questions"].as_array().expect("questions").iter();
    questions.filter(|q| q["is_needed"] == true).filter_map(|q| q["channel"].as_str()).collect()
}

#[test]
fn a_log_of_semicolons_and_decimal_commas_is_settled_written_and_read() {
    let bench = Bench::with_bike();
    let text = log(
        "Box 3, Firmware 1.2\n\nZeit;Drehzahl;Drosselklappe;Lambda;Kühlmitteltemperatur\ns;1/min;%;;°C",
        |t, rpm, throttle, lambda, temp| {
            format!("{};{rpm};{};{};{}", comma(t, 1), comma(throttle, 1), comma(lambda, 3), comma(temp, 0))
        },
    );
    bench.write("rides/r1/montag.csv", &text);
    let shown = bench.on_bike(&["logger", "guess", "bike/rides/r1/montag.csv"]).exits(0);
    let shown = shown.says("2 lines before the titles").says("`,` stands inside").says("a row of units");
    assert!(shown.says("4000 of 4000 rows give samples").out.contains("█"));
    bench.on_bike(&["check"]).exits(1).says("rideloop logger guess");
    let written = ask(&bench, &["bike/rides/r1/montag.csv", "--name", "box", "--write"]).exits(0).json();
    assert_fits(&bench, "logger guess", &written);
    assert_eq!(channel(&written, "engine_temp_c")["confidence"], "sure");
    assert_eq!(written["mapping"], bench.read("loggers/box.yaml"));
    let checked = bench.on_bike(&["--json", "check"]).exits(0).json();
    assert_eq!(checked["rides"][0]["logger"]["name"], "box", "{checked:#}");
    // Nothing is overwritten.
    ask(&bench, &["bike/rides/r1/montag.csv", "--name", "box", "--write"]).exits(1).says("is there already");
    ask(&bench, &["bike/rides/r1/montag.csv", "--name", "../x", "--write"])
        .exits(1)
        .says("cannot be the name");
    ask(&bench, &["bike/rides/r1/montag.csv"]).exits(0).says("reads this log already");
}

#[test]
fn afr_and_fraction_are_asked_and_answered_by_flags() {
    let bench = Bench::with_bike();
    let text = log("Time [ms],RPM,TPS,AFR,Coolant [F]", |t, rpm, throttle, lambda, temp| {
        format!("{:.0},{rpm},{:.3},{:.2},{:.0}", t * 1e3, throttle / 100.0, lambda * 14.7, temp * 1.8 + 32.0)
    });
    std::fs::write(bench.home().join("box.csv"), text).expect("written");
    let before = bench.snapshot();
    let open = ask(&bench, &["box.csv", "--write"]).exits(3).json();
    assert_fits(&bench, "logger guess", &open);
    assert_eq!(asked_of(&open), ["throttle_pct", "lambda"]);
    assert_eq!(open["written"], Value::Null);
    assert_eq!(bench.snapshot(), before);
    assert_eq!(channel(&open, "lambda")["is_mapped"], false);
    assert_eq!(channel(&open, "engine_temp_c")["unit"], "fahrenheit");
    let text = bench.on_bike(&["logger", "guess", "box.csv"]).exits(3);
    let text =
        text.says("--say throttle_pct=fraction").says("--say lambda=afr:14.7").says("nothing is written");
    assert!(text.out.contains("# lambda: { title: \"AFR\""), "{}", text.out);
    let says = ["--say", "throttle_pct=fraction", "--say", "lambda=afr:14.7"];
    let done = ask(&bench, &[&["box.csv", "--out", "box.yaml"], &says[..]].concat()).exits(0).json();
    assert_eq!(done["trial"]["samples"], 4000);
    let mapping = std::fs::read_to_string(bench.home().join("box.yaml")).expect("written");
    assert!(mapping.contains("lambda: { title: \"AFR\", unit: afr, stoich_afr: 14.7 }"), "{mapping}");
    // An answer that fits nothing.
    ask(&bench, &["box.csv", "--say", "lambda=WB9"]).exits(1).says("neither a title of the log");
    ask(&bench, &["box.csv", "--say", "lamda=afr"]).exits(2);
}

#[test]
fn it_works_without_a_bike_and_with_one_row_a_value() {
    let bench = Bench::empty();
    let mut text = String::from("Clock;Signal;Value;Unit\n");
    for i in 0..3000 {
        let t = f64::from(i) * 0.1;
        let wave = ((t * 0.7).sin() + 1.0) / 2.0;
        let clock = |shift: f64| format!("18:{:02}:{:06.3}", ((t + shift) / 60.0) as u32, (t + shift) % 60.0);
        let _ = writeln!(text, "{};Engine speed;{:.0};rpm", clock(0.0), 1500.0 + 4000.0 * wave);
        let _ = writeln!(text, "{};Throttle position;{:.1};%", clock(0.02), 3.0 + 50.0 * wave);
        let _ = writeln!(text, "{};Lambda;{:.3};", clock(0.04), 1.0 + 0.08 * (t * 0.4).sin());
        if i % 20 == 0 {
            let _ = writeln!(text, "{};Coolant temperature;{:.0};°C", clock(0.06), 80.0 + t / 60.0);
        }
    }
    std::fs::write(bench.home().join("long.csv"), text).expect("written");
    let said = bench.rideloop(&["--json", "logger", "guess", "long.csv"]).exits(0).json();
    let mapping = said["mapping"].as_str().expect("text");
    for part in [
        "layout: { long: { name: \"Signal\", value: \"Value\", unit: \"Unit\" } }",
        "as: clock",
        "rows_of: lambda",
    ] {
        assert!(mapping.contains(part), "{mapping}");
    }
    assert_eq!(said["trial"]["samples"], 3000, "{mapping}");
    bench.rideloop(&["logger", "guess", "long.csv", "--write"]).exits(1).says("needs a bike folder");
    bench.rideloop(&["logger", "guess", "nothing.csv"]).exits(1).says("could not read");
    std::fs::write(bench.home().join("one.csv"), "rpm\n1\n").expect("written");
    bench.rideloop(&["logger", "guess", "one.csv"]).exits(1).says("no rows with several fields");
}

/// Open logs of real cars, where they are (see `tests/reference/real_logs.rs`).
fn real_logs() -> Option<PathBuf> {
    let named = std::env::var_os("RIDELOOP_REAL_LOGS").map(PathBuf::from);
    let folder = named.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data"));
    folder.is_dir().then_some(folder)
}

#[test]
fn logs_of_real_cars_are_proposed_rightly_or_asked_about() {
    let Some(folder) = real_logs() else {
        eprintln!("skipped: no real logs here");
        return;
    };
    let bench = Bench::empty();
    // The first file of a folder whose name begins so.
    let guess = |begin: &str, code: i32| {
        let (inside, begin) = begin.split_once('/').expect("folder/beginning");
        let names = std::fs::read_dir(folder.join(inside)).expect("a folder");
        let mut paths: Vec<PathBuf> = names.map(|entry| entry.expect("an entry").path()).collect();
        paths.sort();
        let begins =
            |path: &&PathBuf| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(begin));
        let path = paths.iter().find(begins).expect("a log");
        let path = path.to_str().expect("UTF-8").to_owned();
        bench.rideloop(&["--json", "logger", "guess", &path]).exits(code).json()
    };
    let is = |answer: &Value, wanted: &[(&str, &str, &str)]| {
        for (name, title, unit) in wanted {
            let found = channel(answer, name);
            assert!(found["title"].as_str().is_some_and(|t| t.contains(title)), "{name}: {found:#}");
            assert_eq!(found["unit"], *unit, "{name}");
            assert_eq!(found["is_mapped"], true, "{name}");
        }
    };
    let drive = guess("drive_obd/2018-02-20", 0);
    is(
        &drive,
        &[
            ("time_s", "Time", "clock"),
            ("rpm", "Engine RPM", "per_minute"),
            ("map_kpa", "Intake Manifold Absolute Pressure", "kpa"),
            ("engine_temp_c", "Engine Coolant Temperature", "celsius"),
            ("air_temp_c", "Intake Air Temperature", "celsius"),
            ("throttle_pct", "Absolute Throttle Position", "percent"),
            ("speed_kph", "Vehicle Speed", "kph"),
        ],
    );
    // A Diesel's flap is no throttle, and the proposal says that it does not look like one.
    assert_eq!(channel(&drive, "throttle_pct")["confidence"], "unsure");
    let long = guess("long_format/2019-04-28 16-02-30.csv", 0);
    assert!(
        long["mapping"]
            .as_str()
            .is_some_and(|text| text.contains("name: \"PID\", value: \"VALUE\", unit: \"UNITS\""))
    );
    is(&long, &[("speed_kph", "Vehicle speed", "kph")]);
    assert_eq!(channel(&long, "rpm"), &Value::Null);
}

#[test]
fn a_measurement_file_is_guessed_without_a_column_of_the_time_and_read_by_what_was_written() {
    let bench = Bench::with_bike();
    let fixture = |name: &str| {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name);
        std::fs::read(file).expect("a fixture")
    };
    bench.write("rides/r1/monday.mf4", fixture("logs/mdf4/log.mf4"));
    let log = "bike/rides/r1/monday.mf4";
    let open = ask(&bench, &[log]).json();
    assert_fits(&bench, "logger guess", &open);
    assert_eq!(channel(&open, "time_s")["title"], "each channel's own", "{open:#}");
    assert_eq!(channel(&open, "rpm")["confidence"], "sure");
    let said = ["--say", "engine_temp_c=Oil"];
    let written = ask(&bench, &[&[log, "--name", "box", "--write"], &said[..]].concat()).exits(0).json();
    assert_eq!(channel(&written, "engine_temp_c")["unit"], "fahrenheit", "{written:#}");
    assert_eq!(written["trial"]["error"], Value::Null, "{written:#}");
    let mapping = bench.read("loggers/box.yaml");
    assert!(!mapping.contains("time:") && mapping.contains("title: \"Engine speed\""), "{mapping}");
    let checked = bench.on_bike(&["--json", "check"]).json();
    assert_eq!(checked["rides"][0]["logger"]["name"], "box", "{checked:#}");
    ask(&bench, &[log, "--say", "time_s=seconds"]).exits(1).says("keeps the times of its channels itself");
    // Bits at odd places, texts, frames of a bus: a proposal or a reason, and never a crash.
    for name in ["sorted", "texts", "can_frames", "unsorted", "unfinalised_cut", "virtual_master"] {
        std::fs::write(bench.home().join("x.mf4"), fixture(&format!("mdf/{name}.mf4"))).expect("written");
        let guessed = ask(&bench, &["x.mf4"]);
        assert!(guessed.out.contains("\"mapping\"") || guessed.complains("x.mf4"), "{name}: {guessed:?}");
    }
    std::fs::write(bench.home().join("cut.mf4"), &fixture("logs/mdf4/log.mf4")[..100]).expect("written");
    ask(&bench, &["cut.mf4"]).exits(1).says("is damaged");
}
