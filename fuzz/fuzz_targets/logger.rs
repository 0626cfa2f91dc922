//! The text of `loggers/<name>.yaml`, and the logs that are then read through it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::ride::Loggers;
use rideloop_fuzz::{Folder, read_ride};

/// Logs whose titles the seeds map.
const LOGS: [(&str, &[u8]); 5] = [
    ("ride.box", include_bytes!("../logs/ride.box")),
    ("ride.long", include_bytes!("../logs/ride.long")),
    ("ride.dates", include_bytes!("../logs/ride.dates")),
    ("ride.obd", include_bytes!("../logs/ride.obd")),
    ("ride.mf4", include_bytes!("../../tests/fixtures/mdf/unsorted.mf4")),
];

fuzz_target!(|text: &[u8]| {
    let Ok(loggers) = Loggers::read(&Folder(vec![("loggers/box.yaml", text)])) else { return };
    for (path, bytes) in LOGS {
        read_ride(path, bytes, &loggers);
    }
});
