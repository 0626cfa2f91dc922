//! The YAML files of a bike folder. The first byte chooses which one, the rest is the file.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::bike::{Bike, Builds, SlotTables};
use rideloop::pipeline::Plan;
use rideloop::problem::Problems;
use rideloop::ride::Register;
use rideloop_fuzz::Folder;
use std::path::Path;
use std::sync::LazyLock;

const BIKE: &str = include_str!("../../demo-bike/bike.yaml");
const FUEL: &[u8] = include_bytes!("../../demo-bike/maps/power/fuel.csv");
const MIXTURE: &[u8] = include_bytes!("../../demo-bike/maps/power/mixture.csv");

static DEMO: LazyLock<Bike> =
    LazyLock::new(|| Bike::parse(Path::new("bike.yaml"), BIKE).expect("the demo bike's own file"));

fn told<T>(read: Result<T, Problems>) -> Option<T> {
    read.inspect_err(|problems| assert!(!problems.0.is_empty() && !problems.to_string().is_empty())).ok()
}

fuzz_target!(|input: &[u8]| {
    let Some((choice, bytes)) = input.split_first() else { return };
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match choice % 5 {
        0 => {
            told(Bike::parse(Path::new("bike.yaml"), text));
        }
        1 => {
            told(Builds::parse(Path::new("builds.yaml"), text));
        }
        2 => {
            told(Plan::parse("road", Path::new("pipelines/road.yaml"), text));
        }
        3 => {
            let path = Path::new("rides.yaml");
            let Some(register) = told(Register::parse(path, text)) else { return };
            let again = Register::parse(path, &register.to_text()).expect("what was written is a register");
            assert_eq!(again.rides(), register.rides());
        }
        _ => {
            let files = [
                ("maps/power/fuel.csv", FUEL),
                ("maps/power/mixture.csv", MIXTURE),
                ("maps/power/locks.yaml", bytes),
            ];
            told(SlotTables::read("power", &DEMO, &Folder(files.to_vec())));
        }
    }
});
