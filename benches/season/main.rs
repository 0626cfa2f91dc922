//! How fast a season is run: 200 rides of 25,000 rows and 20 columns, cold and warm,
//! beside simplified versions of the job in Python and the floor of reading the bytes.
//!
//! `cargo bench --bench season` rides the virtual bike 400 times, once (kept in
//! `target/season`), then hands over to `compare.py`, which times whole processes, in turns, and prints
//! medians and ratios. It needs the packages of `requirements.txt`; `PYTHON=…` names the
//! interpreter that has them, what follows `--` goes to `compare.py`. `-- make DIR RIDES
//! ROWS` only makes a season.

use rayon::prelude::*;
use rideloop::bike::{Bike, SlotTables};
use rideloop::table::Table;
use rideloop::virtual_bike::{Ambient, BikeSpec, Character, RideLog, RideRequest, RideStyle, VirtualBike};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Enough to tell whether memory grows with the season.
const RIDES: usize = 400;
const ROWS: usize = 25_000;
const RATE_HZ: f64 = 20.0;
const SLOT: &str = "power";

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let count = |i: usize, usual: usize| words.get(i).map_or(usual, |n| n.parse().expect("a number"));
    match words.first().map(String::as_str) {
        Some("make") => {
            make(Path::new(words.get(1).expect("a folder")), count(2, RIDES), count(3, ROWS));
        }
        Some("newlines") => println!("{}", newlines(Path::new(words.get(1).expect("a folder")))),
        _ => compare(&words),
    }
}

fn compare(words: &[String]) {
    let season = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/season");
    make(&season, RIDES, ROWS);
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/season/compare.py");
    let status = Command::new(&python)
        .arg(script)
        .args(["--rideloop", env!("CARGO_BIN_EXE_rideloop")])
        .arg("--this")
        .arg(std::env::current_exe().expect("this program"))
        .arg("--season")
        .arg(&season)
        .args(words)
        .status();
    assert!(status.expect("PYTHON names a Python").success(), "compare.py failed");
}

/// The floor: reads every byte of the rides and counts the line ends.
fn newlines(season: &Path) -> usize {
    let read = |path: &PathBuf| memchr::memchr_iter(b'\n', &std::fs::read(path).expect("read")).count();
    rides_of(season).iter().map(read).sum()
}

fn rides_of(season: &Path) -> Vec<PathBuf> {
    let folder = std::fs::read_dir(season.join("rides/r1")).expect("a season");
    folder.map(|entry| entry.expect("an entry").path()).collect()
}

/// A bike folder with so many rides, ridden on its first tables; what is there is kept.
fn make(season: &Path, rides: usize, rows: usize) {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-bike");
    let copy = |name: &str| {
        let text = std::fs::read_to_string(demo.join(name)).expect("the demo bike");
        let text = text.replace("[power, economy]", "[power]");
        let path = season.join(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(path, &text).expect("written");
        text
    };
    let bike = Bike::parse(Path::new("bike.yaml"), &copy("bike.yaml")).expect("a bike");
    copy("builds.yaml");
    for file in ["fuel.csv", "mixture.csv"] {
        copy(&format!("maps/{SLOT}/{file}"));
    }
    let files = rideloop::bike::WorkTree { root: season.to_path_buf() };
    let tables = SlotTables::read(SLOT, &bike, &files).expect("tables");
    let folder = season.join("rides/r1");
    std::fs::create_dir_all(&folder).expect("made");
    (0..rides).into_par_iter().for_each(|ride| {
        let path = folder.join(format!("ride-{ride:03}.csv"));
        if !path.exists() {
            let log = ride_of(&bike, &tables.fuel, &tables.mixture, ride as u64, rows);
            std::fs::write(path, text_of(&log, rows, ride)).expect("written");
        }
    });
}

fn ride_of(bike: &Bike, fuel: &Table, mixture: &Table, ride: u64, rows: usize) -> RideLog {
    let twin = VirtualBike { spec: BikeSpec::of(bike), character: Character::mild() };
    let request = RideRequest {
        seed: 1000 + ride,
        minutes: (rows as f64 / RATE_HZ + 5.0) / 60.0,
        rate_hz: RATE_HZ,
        cold_start: ride.is_multiple_of(2),
        ambient: Ambient { air_temp_c: 8.0 + (ride % 20) as f64, ..Ambient::reference() },
        style: if ride.is_multiple_of(3) { RideStyle::Spirited } else { RideStyle::Road },
    };
    twin.ride(&|r, l| fuel.at(r, l), &|r, l| mixture.at(r, l), &request)
}

/// Twenty columns: fourteen channels and six that rideloop does not know.
fn text_of(log: &RideLog, rows: usize, ride: usize) -> String {
    assert!(log.len() >= rows, "the ride is too short");
    let mut text = String::from(
        "time_s,rpm,throttle_pct,map_kpa,lambda,lambda_target,engine_temp_c,air_temp_c,baro_kpa,\
         pulse_width_ms,fuel_cut,gear,speed_kph,battery_v,oil_kpa,lean_deg,accel_x_g,accel_y_g,altitude_m,distance_m\n",
    );
    for i in 0..rows {
        let t = log.time_s[i];
        let lean = 20.0 * (0.31 * t + ride as f64).sin();
        let _ = writeln!(
            text,
            "{:.3},{:.0},{:.1},{:.1},{:.3},{:.3},{:.1},{:.1},{:.1},{:.3},{:.0},{:.0},{:.1},{:.2},{:.1},{:.1},{:.3},{:.3},{:.1},{:.1}",
            t,
            log.rpm[i],
            log.throttle_pct[i],
            log.map_kpa[i],
            log.lambda[i],
            log.lambda_target[i],
            log.engine_temp_c[i],
            log.air_temp_c[i],
            log.baro_kpa[i],
            log.pulse_width_ms[i],
            log.fuel_cut[i],
            log.gear[i],
            log.speed_kph[i],
            log.battery_v[i],
            150.0 + log.rpm[i] / 25.0,
            lean,
            0.2 * (0.7 * t).sin(),
            lean / 45.0,
            120.0 + 40.0 * (0.01 * t).sin(),
            t * log.speed_kph[i] / 3.6,
        );
    }
    text
}
