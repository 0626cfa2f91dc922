//! The evidence files. The first byte chooses which one, the rest is the file. What is written
//! reads back the same, but for digits that are rounded.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::evidence::{EvidenceFile, RideStatements, parse, write};
use rideloop::table::LoadAxis;
use std::path::Path;

fuzz_target!(|input: &[u8]| {
    let Some((choice, bytes)) = input.split_first() else { return };
    if choice % 4 == 3 {
        // Sealed by a hash, so that hardly any gets behind the seal.
        let _ = EvidenceFile::from_bytes(bytes);
        return;
    }
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let axis = match choice % 4 {
        0 => LoadAxis::ThrottlePct,
        1 => LoadAxis::MapKpa,
        _ => {
            let path = Path::new("evidence/power.rides.jsonl");
            let _ = RideStatements::parse_of(path, text, |sha256| sha256.starts_with('a'));
            let Ok(read) = RideStatements::parse(path, text) else { return };
            let written = read.to_text();
            let again = RideStatements::parse(path, &written).expect("what was written reads back");
            assert_eq!(again.rides.len(), read.rides.len());
            assert_eq!((&again.passed_over, &again.findings), (&read.passed_over, &read.findings));
            return;
        }
    };
    let path = Path::new("evidence/power.csv");
    let Ok(rows) = parse(path, text, axis) else { return };
    let again = parse(path, &write(&rows, axis), axis).expect("what was written reads back");
    assert_eq!(again.len(), rows.len());
});
