//! Dyno sheets. The first byte chooses where the power is wanted from; the rest is the file.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::ride::logger::dyno_sheet::{self, MeasuredAt};

fuzz_target!(|input: &[u8]| {
    let Some((first, bytes)) = input.split_first() else { return };
    let wanted = [None, Some(MeasuredAt::Wheel), Some(MeasuredAt::Crank)][usize::from(*first) % 3];
    match dyno_sheet::read(bytes, wanted) {
        Ok(None) => (),
        Ok(Some(sheet)) => {
            let dropped: usize = sheet.reading.dropped.values().sum();
            assert_eq!(sheet.reading.rows, sheet.rows.len() + dropped, "a row is not accounted for");
            assert!(sheet.rows.len() > 2);
            assert!(sheet.rows.iter().all(|(rpm, kw)| *rpm > 0.0 && *kw > 0.0 && kw.is_finite()));
            let airs = [sheet.air_temp_c, sheet.pressure_kpa, sheet.humidity_pct];
            assert!(airs.into_iter().flatten().all(f64::is_finite));
            assert!(sheet.remarks.iter().chain(sheet.first_dropped.values()).all(|said| !said.is_empty()));
        }
        Err(error) => assert!(!error.to_string().is_empty() && error.hint() != Some("")),
    }
});
