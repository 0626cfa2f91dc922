//! ASAM MDF 4 files, by the channels' own names or through a logger.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::ride::{Loggers, Ride, RideError};
use rideloop_fuzz::{loggers, read_ride};
use std::path::Path;
use std::sync::LazyLock;

/// Loggers that map as much of each seed as there are channels for, so that its values are read.
const MAPPINGS: [&str; 5] = [
    // sorted.mf4 and what was made of it: every conversion.
    "time: { title: time, as: seconds }\nsparse: { interpolate_s: 1 }\nchannels:\n  rpm: { title: engine speed }\n  \
     engine_temp_c: { title: oil temperature }\n  lambda: { title: lambda }\n  pulse_width_ms: { title: pulse width }\n  \
     lambda_2: { title: half }\n  knock_count: { title: counter }\n  lambda_target: { title: ratio }\n  \
     throttle_pct: { title: interpolated }\n  trim_pct: { title: nearest }\n  map_kpa: { title: in ranges }\n  \
     baro_kpa: { title: 'in ranges, finer' }\n  gear: { title: gear }\n  slot: { title: load, slots: { low: power } }\n  \
     battery_v: { title: either, words: { low: 1 } }\n  speed_kph: { title: sometimes invalid }\n",
    // Its slow group: values of variable length.
    "time: { title: time, as: seconds }\nchannels:\n  map_kpa: { title: fuel pressure }\n  spark_deg: { title: angle }\n  \
     slot: { title: words }\n",
    // odd_bits.mf4 and what was made of it: bits at odd places.
    "time: { title: t, as: seconds }\nchannels:\n  rpm: { title: count }\n  gear: { title: three bits }\n  \
     knock_count: { title: eleven bits }\n  battery_v: { title: 'twelve bits, big' }\n  lambda: { title: 'float, big' }\n  \
     spark_deg: { title: three bytes }\n  speed_kph: { title: 'three bytes, big' }\n  trim_pct: { title: always invalid }\n",
    // texts.mf4.
    "time: { title: t, as: seconds }\nchannels:\n  rpm: { title: as numbers }\n  gear: { title: latin-1, words: { x: 1 } }\n  \
     battery_v: { title: utf-8, words: { x: 1 } }\n  slot: { title: utf-16 }\n  trim_pct: { title: 'utf-16, big', words: { x: 1 } }\n  \
     spark_deg: { title: in German, words: { x: 1 } }\n",
    // can_frames.mf4: what control units answered.
    "time: { title: Timestamp, as: seconds }\nchannels:\n  rpm: { obd: engine speed }\n",
];

static LOGGERS: LazyLock<[Loggers; 5]> =
    LazyLock::new(|| MAPPINGS.map(|text| loggers(&[("loggers/box.yaml", text)])));

fuzz_target!(|bytes: &[u8]| {
    let path = Path::new("ride.mf4");
    match Ride::read(path, bytes, &Loggers::none()) {
        // It opens, and has names of its own: the one that fits reads it.
        Err(RideError::NoLogger(_)) => {
            LOGGERS.iter().for_each(|of_seed| read_ride("ride.mf4", bytes, of_seed))
        }
        _ => read_ride("ride.mf4", bytes, &LOGGERS[0]),
    }
});
