//! Parquet logs, by the channels' own names or through a logger.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::ride::{Loggers, panics_are_told};
use rideloop_fuzz::{loggers, read_ride};
use std::sync::{LazyLock, Once};

static BOX: LazyLock<Loggers> =
    LazyLock::new(|| loggers(&[("loggers/parquet.yaml", include_str!("../seeds/logger/parquet.yaml"))]));

/// The reader of the format panics on many a damaged file. That counts as a find only where nobody
/// catches it and tells it in words.
static HOOK: Once = Once::new();

fuzz_target!(|bytes: &[u8]| {
    HOOK.call_once(|| {
        let end_the_run = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if !panics_are_told() {
                end_the_run(panic);
            }
        }));
    });
    read_ride("ride.parquet", bytes, &BOX);
});
