//! Text logs. The first byte chooses the file's name and so the way it is read; the rest is the file.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::ride::Loggers;
use rideloop_fuzz::{loggers, read_ride};
use std::sync::LazyLock;

/// A logger a name of its own, so that exactly one reads each file.
const FILES: [(&str, &str); 4] = [
    ("loggers/box.yaml", include_str!("../seeds/logger/box.yaml")),
    ("loggers/long.yaml", include_str!("../seeds/logger/long.yaml")),
    ("loggers/dates.yaml", include_str!("../seeds/logger/dates.yaml")),
    ("loggers/obd.yaml", include_str!("../seeds/logger/obd.yaml")),
];

/// `0` to `7` choose them in this order.
const NAMES: [&str; 8] = [
    "ride.csv",
    "ride.tsv",
    "ride.box",
    "ride.long",
    "ride.dates",
    "ride.obd",
    "ride.csv.gz",
    "ride.box.zst",
];

static LOGGERS: LazyLock<Loggers> = LazyLock::new(|| loggers(&FILES));

fuzz_target!(|input: &[u8]| {
    let Some((first, bytes)) = input.split_first() else { return };
    read_ride(NAMES[usize::from(*first) % NAMES.len()], bytes, &LOGGERS);
    if *first == b'0' {
        read_ride("ride.csv", bytes, &Loggers::none());
    }
});
