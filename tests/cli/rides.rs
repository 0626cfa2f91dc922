//! Rides of every kind: shuffled, renamed, broken, lying.

use crate::bench::Bench;
use std::fmt::Write as _;

const TITLES: &str = "time_s,rpm,throttle_pct,lambda,engine_temp_c";

/// A ride that wanders over the map, with a lambda and a temperature of one's choice.
fn ride(rows: u32, lambda: impl Fn(u32) -> f64, temp: impl Fn(u32) -> f64) -> String {
    let mut text = format!("{TITLES}\n");
    for i in 0..rows {
        let t = f64::from(i) * 0.05;
        let rpm = 3500.0 + 900.0 * (t / 40.0).sin();
        let throttle = 14.0 + 8.0 * (t / 25.0).sin();
        let _ = writeln!(text, "{t:.2},{rpm:.0},{throttle:.1},{:.3},{:.1}", lambda(i), temp(i));
    }
    text
}

fn alive(i: u32) -> f64 {
    1.04 + 0.004 * f64::from(i % 5)
}

#[test]
fn order_names_and_threads_do_not_matter() {
    let tables = |names: [&str; 3], threads: &str| {
        let bench = Bench::with_bike();
        for (seed, name) in (1..).zip(names) {
            bench.simulate(seed, 10);
            let made = bench.bike.join(format!("rides/r1/sim-{seed}.csv"));
            std::fs::rename(made, bench.bike.join("rides").join(name)).expect("renamed");
        }
        let bike = bench.bike.to_str().expect("UTF-8").to_owned();
        let mut command = bench.command(&["--bike", &bike, "run"]);
        let done = command.env("RAYON_NUM_THREADS", threads).output().expect("runs");
        assert!(done.status.success(), "{done:?}");
        (bench.read("maps/power/fuel.csv"), bench.read("evidence/power.csv"))
    };
    let first = tables(["a.csv", "b.csv", "c.csv"], "1");
    assert_eq!(tables(["z.csv", "b.csv", "a.csv"], "1"), first, "order and names");
    assert_eq!(tables(["a.csv", "b.csv", "c.csv"], "2"), first, "threads");
}

#[test]
fn the_same_ride_never_counts_twice() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    let bytes = std::fs::read(bench.bike.join("rides/r1/sim-1.csv")).expect("made");
    bench.write("rides/copy.csv", &bytes);
    bench.on_bike(&["run"]).exits(0).says("is the same ride as r1/sim-1.csv");
    assert_eq!(bench.read("rides.yaml").matches("sha256").count(), 1);
    std::fs::rename(bench.bike.join("rides/copy.csv"), bench.bike.join("rides/moved.csv")).expect("renamed");
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    let outside = bench.home().join("again.csv");
    std::fs::write(&outside, &bytes).expect("written");
    bench.on_bike(&["run", outside.to_str().expect("UTF-8")]).exits(0).says("no ride is new");
}

#[test]
fn each_kind_of_useless_ride_gets_its_message_and_code_and_writes_nothing() {
    let warm = |_| 88.0;
    let afr = ride(6000, |i| alive(i) * 14.0, warm);
    let cold = ride(6000, alive, |i| 20.0 + f64::from(i) * 0.005);
    let frozen = ride(6000, |_| 0.998, warm);
    let far_off = ride(6000, |i| alive(i) * 1.3, warm);
    let png: &[u8] = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01";
    let cases: [(&str, &[u8], i32, &str); 9] = [
        ("afr.csv", afr.as_bytes(), 3, "looks like AFR"),
        ("cold.csv", cold.as_bytes(), 3, "survived the stage `warm`"),
        ("frozen.csv", frozen.as_bytes(), 3, "survived the stage `lambda_valid`"),
        ("lean.csv", far_off.as_bytes(), 3, "implausible_correction"),
        ("empty.csv", b"", 1, "the file is empty"),
        ("picture.csv", png, 1, "a PNG picture"),
        ("foreign.csv", b"Time;RPM\n1;2\n", 1, "no channel is known among its titles"),
        ("headless.csv", b"1,2,3\n4,5,6\n", 1, "no channel is known"),
        ("short.csv", b"time_s,rpm,throttle_pct,engine_temp_c\n0,1000,2,80\n", 1, "no values for `lambda`"),
    ];
    for (name, bytes, code, message) in cases {
        let bench = Bench::with_bike();
        bench.write(&format!("rides/{name}"), bytes);
        let before = bench.snapshot();
        bench.on_bike(&["run"]).exits(code).says(message);
        assert_eq!(bench.snapshot(), before, "{name} left something behind");
        let json = bench.on_bike(&["--json", "run"]).exits(code).json();
        assert_eq!(code == 3, !json["refused"].is_null(), "{name}: {json}");
        let checked = bench.on_bike(&["check"]);
        assert!([0, 1].contains(&checked.code), "{checked:?}");
        assert_eq!(bench.snapshot(), before, "check changes nothing");
    }
}

#[test]
fn a_bad_ride_does_not_keep_the_others_out() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.write("rides/empty.csv", "");
    bench.write("rides/afr.csv", ride(3000, |i| alive(i) * 14.0, |_| 88.0));
    bench.write("rides/cold.csv", ride(3000, alive, |_| 30.0));
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(done["revision"], "r2");
    let passed: Vec<&str> =
        done["passed_over"].as_array().expect("a list").iter().filter_map(|r| r["file"].as_str()).collect();
    assert_eq!(passed, ["afr.csv", "empty.csv"]);
    let register = bench.read("rides.yaml");
    assert_eq!(register.matches("state: used").count(), 1, "{register}");
    assert!(register.contains("state: waiting"), "the cold ride waits: {register}");
}

#[test]
fn what_is_odd_in_a_log_is_counted_and_shown() {
    let bench = Bench::with_bike();
    let mut log = ride(8000, alive, |_| 88.0);
    log = log.replacen("100.00,", "x,", 1).replacen("\n200.00,", "\n200.00,bad", 1).replacen(
        "\n150.00,",
        "\n149.95,",
        1,
    );
    log.push_str("400.00,35");
    bench.write("rides/odd.csv", format!("\u{feff}{}", log.replace('\n', "\r\n")));
    let done = bench.on_bike(&["--json", "run", "--dry-run"]).exits(0).json();
    let ride = &done["rides"][0];
    assert_eq!(ride["rejected"]["half_written_line"], 1);
    assert_eq!(ride["rejected"]["no_time"], 1);
    assert_eq!(ride["rejected"]["duplicate_time"], 1);
    assert_eq!(ride["unparsable_total"], 2, "{ride}");
    assert_eq!(ride["unparsable"][1]["channel"], "rpm");
    bench.on_bike(&["run", "--dry-run"]).exits(0).says("column 2 (`rpm`)");
    bench.on_bike(&["check"]).exits(0).says("unreadable value").says("all usable");
}

#[test]
fn a_ride_in_a_folder_of_an_unknown_revision_is_named() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.write("rides/r9/x.csv", ride(3000, alive, |_| 88.0));
    bench.on_bike(&["run"]).exits(0).says("lies in a folder for r9, which does not exist");
}

#[test]
fn no_rides_is_nothing_to_do_and_a_named_empty_folder_is_a_failure() {
    let bench = Bench::with_bike();
    bench.on_bike(&["run"]).exits(0).says("there is no ride yet");
    let empty = bench.home().join("empty");
    std::fs::create_dir(&empty).expect("made");
    bench.on_bike(&["run", empty.to_str().expect("UTF-8")]).exits(1).says("there is no ride in");
    bench.on_bike(&["run", "nowhere.csv"]).exits(1).says("nowhere.csv");
    assert!(!bench.bike.join(".git").exists(), "nothing was written");
}

#[test]
fn parquet_rides_count_like_any_other() {
    use polars::prelude::*;
    let bench = Bench::with_bike();
    let rows = 8000u32;
    let at = |f: fn(u32) -> f64| (0..rows).map(f).collect::<Vec<f64>>();
    let mut frame = DataFrame::new(
        rows as usize,
        vec![
            Column::new("time_s".into(), at(|i| f64::from(i) * 0.05)),
            Column::new("rpm".into(), at(|i| 3500.0 + 900.0 * (f64::from(i) / 800.0).sin())),
            Column::new("throttle_pct".into(), at(|i| 14.0 + 8.0 * (f64::from(i) / 500.0).sin())),
            Column::new("lambda".into(), at(alive)),
            Column::new("engine_temp_c".into(), at(|_| 88.0)),
        ],
    )
    .expect("a frame");
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes).finish(&mut frame).expect("written");
    bench.write("rides/x.parquet", bytes);
    bench.on_bike(&["run"]).exits(0).says("r2");
}

#[test]
fn a_ride_set_aside_leaves_the_evidence_and_comes_back() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    bench.simulate(2, 12);
    bench.on_bike(&["run"]).exits(0).says("r3");
    bench.on_bike(&["rides", "set-aside", "sim-2.csv", "--why", "loose sensor"]).exits(0).says("from r4 on");
    bench.assert_whole();
    bench.on_bike(&["rides", "set-aside", "sim-2.csv", "--why", "loose sensor"]).exits(0).says("already");
    bench.on_bike(&["rides"]).exits(0).says("set aside: loose sensor");
    // The other ride alone says something else than both did.
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    let counted: Vec<&str> =
        done["rides"].as_array().expect("rides").iter().filter_map(|r| r["file"].as_str()).collect();
    assert_eq!(counted, ["r1/sim-1.csv"]);
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    bench.on_bike(&["rides", "take-back", "r2/sim-2.csv"]).exits(0).says("counts from");
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(done["rides"].as_array().map(Vec::len), Some(2));
    bench.on_bike(&["rides", "set-aside", "nowhere.csv", "--why", "x"]).exits(1).says("no such file");
    // So can a file that is no ride at all, so that it is not asked about again.
    bench.write("rides/picture.csv", b"\x89PNG\r\n\x1a\n\0\0");
    bench.on_bike(&["run"]).exits(1).says("rides set-aside");
    bench.on_bike(&["rides", "set-aside", "picture.csv", "--why", "a picture"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    // A ride that never counted can be set aside before it does.
    bench.simulate(3, 3);
    bench.on_bike(&["rides", "set-aside", "sim-3.csv", "--why", "wrong bike"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
}

#[test]
fn the_same_samples_in_another_file_are_no_second_ride() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    let text = bench.read("rides/r1/sim-1.csv");
    bench.write("rides/r1/again.csv", format!("{text}\n"));
    let half: String = text.lines().take(9000).map(|l| format!("{l}\n")).collect();
    bench.write("rides/r1/half.csv", half);
    // Another clock, other rounding: still the same ride.
    let other_clock: Vec<String> = text
        .lines()
        .enumerate()
        .map(|(i, line)| match line.split_once(',') {
            Some((time, rest)) if i > 0 => {
                format!("{:.2},{rest}", time.parse::<f64>().expect("a time") + 86_400.0)
            }
            _ => line.to_owned(),
        })
        .collect();
    bench.write("rides/r1/other-clock.csv", other_clock.join("\n") + "\n");
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert_eq!(done["rides"].as_array().map(Vec::len), Some(1), "{:#}", done["passed_over"]);
    bench.write("rides/r1/a-copy-by-another-name.csv", format!("{text}\n\n"));
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
}

#[test]
fn a_ride_remembers_its_revision_when_others_come_before_its_run() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("r2");
    // Ridden on r2, filed where nothing tells; then r2 is undone.
    bench.simulate(2, 12);
    let log = bench.read("rides/r2/sim-2.csv");
    std::fs::remove_file(bench.bike.join("rides/r2/sim-2.csv")).expect("there");
    bench.write("rides/tuesday.csv", log);
    bench.on_bike(&["rollback", "r1", "--why", "stalls"]).exits(0).says("r3");
    assert!(bench.read("rides.yaml").contains("state: waiting"));
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    let ride = &done["rides"]
        .as_array()
        .expect("rides")
        .iter()
        .find(|r| r["file"] == "tuesday.csv")
        .expect("it counts")["revision"];
    assert_eq!(ride, "r2");
}

#[test]
fn a_ride_of_another_slot_is_left_to_that_slot() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0).says("slot power");
    bench.on_bike(&["run", "--slot", "economy"]).exits(0).says("no ride is new for slot economy");
    bench.on_bike(&["simulate", "--warm", "--seed", "2", "--minutes", "12", "--slot", "economy"]).exits(0);
    bench.on_bike(&["run"]).exits(0).says("no ride is new");
    let done = bench.on_bike(&["--json", "run", "--slot", "economy"]).exits(0).json();
    assert_eq!((done["slot"].as_str(), done["rides"].as_array().map(Vec::len)), (Some("economy"), Some(1)));
    bench.on_bike(&["run", "--slot", "rain"]).exits(1).says("bike.yaml has power, economy");
    bench.assert_whole();
}

#[test]
fn pipes_and_loops_of_links_do_not_hang() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    let pipe = bench.bike.join("rides/r1/pipe.csv");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status().expect("mkfifo");
    assert!(made.success());
    std::os::unix::fs::symlink("..", bench.bike.join("rides/r1/loop")).expect("linked");
    bench.on_bike(&["check"]).exits(1).says("not a plain file").says("2 rides");
    bench.on_bike(&["run"]).exits(0).says("not a plain file").says("r2");
}

#[test]
fn a_target_that_is_not_the_mixture_table_s_is_not_followed() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    let log = bench.read("rides/r1/sim-1.csv");
    let column =
        log.lines().next().expect("titles").split(',').position(|t| t == "lambda_target").expect("there");
    let constant: Vec<String> = log
        .lines()
        .enumerate()
        .map(|(i, line)| {
            let mut fields: Vec<&str> = line.split(',').collect();
            if i > 0 {
                fields[column] = "1.000";
            }
            fields.join(",")
        })
        .collect();
    bench.write("rides/r1/sim-1.csv", constant.join("\n") + "\n");
    let done = bench.on_bike(&["--json", "run"]).exits(0).json();
    assert!(done["rides"][0]["rejected"]["target_disagrees"].as_u64().is_some_and(|n| n > 100));
    let cells = done["cells"].as_array().expect("cells");
    let leaned = cells
        .iter()
        .filter(|c| c["load"].as_f64() >= Some(42.0) && c["after"].as_f64() < c["before"].as_f64());
    assert_eq!(leaned.count(), 0, "rich targets at load are not leaned towards 1");
}

#[test]
fn a_ride_that_counts_and_is_gone_is_missed() {
    let bench = Bench::with_bike();
    bench.simulate(1, 12);
    bench.on_bike(&["run"]).exits(0);
    std::fs::remove_file(bench.bike.join("rides/r1/sim-1.csv")).expect("there");
    bench.simulate(2, 12);
    bench.on_bike(&["check"]).exits(0).says("not in the folder any more: r1/sim-1.csv");
    bench.on_bike(&["run"]).exits(0).says("no longer count: r1/sim-1.csv").says("r3");
}
