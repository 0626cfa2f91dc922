//! Whole files: against what asammdf reads, and broken in many ways.

use super::*;
use serde_json::Value;
use std::collections::BTreeMap;

/// asammdf evaluates some conversions in another order.
const LAST_DIGITS: f64 = 1e-14;

macro_rules! fixtures {
    ($($name:literal)*) => {
        [$(($name, include_bytes!(concat!("../../../tests/fixtures/mdf/", $name)).as_slice())),*]
    };
}

/// Made by `tests/reference/make_mdf.py`.
const FIXTURES: [(&str, &[u8]); 15] = fixtures!(
    "sorted.mf4" "sorted_4_20.mf4" "deflate.mf4" "transposed.mf4" "odd_bits.mf4" "lists.mf4"
    "unlisted.mf4" "texts.mf4" "columns.mf4" "virtual_master.mf4" "unsorted.mf4" "unfinalised.mf4" "unfinalised_cut.mf4" "unfinalised_offsets.mf4" "can_frames.mf4"
);

fn fixture(name: &str) -> &'static [u8] {
    FIXTURES.iter().find(|(known, _)| *known == name).map(|(_, bytes)| *bytes).unwrap()
}

fn expected() -> BTreeMap<String, Value> {
    let all: Value = serde_json::from_str(include_str!("../../../tests/fixtures/mdf/expected.json")).unwrap();
    let files: BTreeMap<String, Value> = serde_json::from_value(all["files"].clone()).unwrap();
    // A file with the values of another has that one's name.
    let mut found = BTreeMap::new();
    for (name, mut groups) in &files {
        while let Some(other) = groups.as_str() {
            groups = &files[other];
        }
        found.insert(name.clone(), groups.clone());
    }
    found
}

/// Numbers where the channel has any, else texts, else bytes in hex: as `expected.json` has them.
fn values(file: &MdfFile<'_>, group: usize, channel: usize) -> Vec<Value> {
    let number = |number: f64| if number.is_finite() { Value::from(number) } else { Value::Null };
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    match &file.groups[group].channels[channel].holds {
        Holds::Numbers | Holds::Both => {
            file.numbers(group, channel).unwrap().into_iter().map(number).collect()
        }
        Holds::Text => file.text(group, channel).unwrap().into_iter().map(Value::from).collect(),
        Holds::Bytes => {
            let bytes = file.bytes(group, channel).unwrap();
            bytes.into_iter().map(|bytes| Value::from(bytes.map(hex))).collect()
        }
        Holds::Unreadable(why) => panic!("{why}"),
    }
}

fn same(ours: &Value, theirs: &Value) -> bool {
    match (ours.as_f64(), theirs.as_f64()) {
        (Some(a), Some(b)) => (a - b).abs() <= LAST_DIGITS * a.abs().max(b.abs()),
        _ => ours == theirs,
    }
}

#[test]
fn every_value_of_every_file_is_what_asammdf_reads() {
    let mut compared = 0;
    for (name, groups) in expected() {
        let file = open(fixture(&name)).unwrap();
        let groups = groups.as_array().unwrap();
        assert_eq!(file.groups.len(), groups.len(), "{name}");
        for (g, theirs) in groups.iter().enumerate() {
            assert_eq!(file.groups[g].name, theirs["name"], "{name}");
            let times = file.times_s(g).unwrap();
            let their_times = theirs["times_s"].as_array().unwrap();
            assert_eq!(times.len(), their_times.len(), "{name}, group {g}");
            assert!(
                times.iter().zip(their_times).all(|(a, b)| same(&Value::from(*a), b)),
                "{name}, group {g}"
            );
            let channels = &file.groups[g].channels;
            let theirs = theirs["channels"].as_array().unwrap();
            assert_eq!(channels.len(), theirs.len(), "{name}, group {g}");
            for channel in theirs {
                let what = format!("{name}, {}", channel["name"]);
                let c = channels.iter().position(|ours| ours.name == channel["name"]).expect(&what);
                assert_eq!(channels[c].unit, channel["unit"], "{what}");
                let Some(theirs) = channel["values"].as_array() else { continue };
                let ours = values(&file, g, c);
                assert_eq!(ours.len(), theirs.len(), "{what}");
                for (i, (ours, theirs)) in ours.iter().zip(theirs).enumerate() {
                    assert!(same(ours, theirs), "{what}, record {i}: {ours}, asammdf {theirs}");
                    compared += 1;
                }
            }
        }
    }
    assert!(compared > 10_000, "{compared}");
}

#[test]
fn what_was_not_finalised_is_read_with_remarks() {
    let file = open(fixture("unfinalised_cut.mf4")).unwrap();
    // 100 records of 13 bytes with their ids, 4 of 10, 10 of 17, and texts of 91 bytes in 10 of 5:
    // 1651 bytes, of which the last 7 were cut off.
    let expected = [
        "the file was not finalised: it is read as far as it was written",
        "the last record, at byte 1638 of its data, is cut off and left out",
        "the channel group fast says that it has 0 records; 99 are there",
        "the channel group slow says that it has 0 records; 4 are there",
        "the channel group events says that it has 0 records; 10 are there",
    ];
    assert_eq!(file.remarks, expected);
    assert_eq!(open(fixture("unsorted.mf4")).unwrap().remarks, [""; 0]);
}

#[test]
fn a_file_that_was_cut_off_in_its_data_is_read_up_to_there() {
    let whole = fixture("columns.mf4");
    let lists = fixture("odd_bits.mf4");
    let data = lists.windows(4).position(|id| id == b"##DT").unwrap();
    // The tree stands behind the data; with it in front, as loggers write it, the data can be cut.
    let mut moved = lists.to_vec();
    moved.extend_from_slice(&lists[data..data + 24 + 60 * 26]);
    let group = lists.windows(4).position(|id| id == b"##DG").unwrap();
    moved[group + 40..group + 48].copy_from_slice(&(lists.len() as u64).to_le_bytes());
    moved.truncate(lists.len() + 24 + 10 * 26 + 5);
    let file = open(&moved).unwrap();
    assert_eq!(file.groups[0].records, 10);
    assert_eq!(
        file.remarks,
        [
            "the file is damaged: the data block (##DT) at byte 4016 lacks its last 1295 bytes: the file ends \
             there; the records before that are read",
            "of the 60 records of the channel group odd bits, 10 are there",
            "the last record of the channel group odd bits is cut off and left out",
        ]
    );
    let error = open(&whole[..whole.len() / 2]).unwrap_err();
    assert!(error.to_string().contains("beyond the end of the file"), "{error}");
    assert!(error.hint().unwrap().contains("copy it from the logger again"));
}

#[test]
fn other_files_and_other_versions_are_refused_in_words() {
    let refusal = |bytes: &[u8]| open(bytes).unwrap_err().to_string();
    assert_eq!(
        refusal(b"time_s,rpm\n0,1000\n"),
        "is not an MDF file: it starts with `time_s,r`, an MDF file with `MDF     `"
    );
    assert_eq!(
        refusal(b"PK\x03\x04\0\0\0\0"),
        "is not an MDF file: it starts with the bytes 50 4B 03 04 00 00 00 00, an MDF file with `MDF     `"
    );
    let mut old = fixture("sorted.mf4").to_vec();
    old[8..16].copy_from_slice(b"3.30    ");
    old[28..30].copy_from_slice(&330_u16.to_le_bytes());
    assert_eq!(refusal(&old), "is an MDF file of version 3.30; only version 4 can be read");
    assert_eq!(refusal(b"MDF     4.10"), "is damaged: the identification at byte 0 ends after 12 bytes");
}

/// The place of a block of this kind, and the place of one of its links.
fn link_of(bytes: &[u8], id: &[u8; 4], link: usize) -> (usize, usize) {
    let at = bytes.windows(4).position(|found| found == id).unwrap();
    (at, at + 24 + 8 * link)
}

#[test]
fn links_in_a_circle_and_promises_that_cannot_be_kept_are_found() {
    for id in [b"##DG", b"##CG", b"##CN"] {
        let mut bytes = fixture("virtual_master.mf4").to_vec();
        let (at, link) = link_of(&bytes, id, 0);
        bytes[link..link + 8].copy_from_slice(&(at as u64).to_le_bytes());
        let found = open(&bytes).map_or_else(|error| error.to_string(), |file| file.remarks.join("; "));
        assert!(found.contains("its links run in a circle"), "{found}");
    }
    let mut bytes = fixture("lists.mf4").to_vec();
    let (at, link) = link_of(&bytes, b"##DL", 0);
    bytes[link..link + 8].copy_from_slice(&(at as u64).to_le_bytes());
    assert!(open(&bytes).unwrap().remarks[0].contains("its links run in a circle"));

    let mut bytes = fixture("texts.mf4").to_vec();
    let at = bytes.windows(4).position(|id| id == b"##DZ").unwrap();
    bytes[at + 32..at + 40].copy_from_slice(&u64::MAX.to_le_bytes());
    assert!(open(&bytes).unwrap().remarks[0].contains("more than deflate can hold"));
    bytes[at + 26] = 2;
    assert!(open(&bytes).unwrap().remarks[0].contains("is compressed by method 2"));
}

/// Everything that can be asked of a file.
fn read_all(bytes: &[u8]) {
    let Ok(file) = open(bytes) else { return };
    let _ = file.can_frames();
    for (g, group) in file.groups.iter().enumerate() {
        let _ = file.times_s(g);
        for c in 0..group.channels.len() {
            let lengths = [
                file.numbers(g, c).map(|values| values.len()),
                file.text(g, c).map(|values| values.len()),
                file.bytes(g, c).map(|values| values.len()),
            ];
            for length in lengths.into_iter().flatten() {
                assert_eq!(length as u64, group.records);
            }
        }
    }
}

/// A splitmix64 step, as published by Steele, Lea and Flood (2014); from memory.
fn next(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// `RIDELOOP_BROKEN_FILES=5000` breaks each file that often.
#[test]
fn broken_files_are_refused_or_read_in_part_but_never_panic() {
    let times =
        std::env::var("RIDELOOP_BROKEN_FILES").ok().and_then(|times| times.parse().ok()).unwrap_or(60);
    for (name, bytes) in FIXTURES {
        let mut state = name.bytes().fold(0, |sum: u64, byte| sum.wrapping_mul(31) + u64::from(byte));
        let mut below = |end: usize| (next(&mut state) % end as u64) as usize;
        for _ in 0..times {
            let mut broken = bytes.to_vec();
            // The interesting bytes are those of the blocks' heads, links and descriptions.
            for _ in 0..=below(3) {
                let at = below(broken.len());
                match below(4) {
                    0 => broken[at] ^= 1 << below(8),
                    1 => broken[at] = [0, 1, 0x7F, 0x80, 0xFF][below(5)],
                    2 => {
                        let at = at & !7;
                        let to = [below(bytes.len()) & !7, 64, usize::MAX, bytes.len() - 8][below(4)];
                        let end = broken.len().min(at + 8);
                        broken[at..end].copy_from_slice(&to.to_le_bytes()[..end - at]);
                    }
                    _ => broken.truncate(at.max(1)),
                }
            }
            read_all(&broken);
        }
        for end in (0..bytes.len()).step_by(bytes.len() / times.min(bytes.len()) + 1) {
            read_all(&bytes[..end]);
        }
    }
}
