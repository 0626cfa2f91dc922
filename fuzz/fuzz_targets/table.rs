//! Table files, and the tables of other programs. The first byte chooses what is expected, the
//! rest is the file. What is written reads back as the same table.
#![no_main]

use libfuzzer_sys::fuzz_target;
use rideloop::table::{
    ExportLayout, Format, ImportExpectation, LoadAxis, Resolution, Rows, Table, export, import, parse, write,
};
use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::LazyLock;

const FUEL: RangeInclusive<f64> = 0.0..=250.0;
const SPARK: RangeInclusive<f64> = -20.0..=70.0;

static TODAY: LazyLock<Table> = LazyLock::new(|| {
    let text = include_str!("../../demo-bike/maps/power/fuel.csv");
    parse(Path::new("fuel.csv"), text, LoadAxis::ThrottlePct, resolution(0.1), FUEL)
        .expect("the demo bike's table")
});

fn resolution(step: f64) -> Resolution {
    Resolution::new(step).expect("a decimal step")
}

fn expectation(choice: u8) -> ImportExpectation<'static> {
    ImportExpectation {
        today: (choice & 1 == 0).then_some(&*TODAY),
        table: "fuel",
        load_axis: if choice & 2 == 0 { LoadAxis::ThrottlePct } else { LoadAxis::MapKpa },
        resolution: resolution([0.1, 0.025][usize::from(choice >> 2 & 1)]),
        allowed: if choice & 8 == 0 { FUEL } else { SPARK },
        rows: [None, None, Some(Rows::Rpm), Some(Rows::Load)][usize::from(choice >> 6)],
        new_axes: choice & 32 != 0,
    }
}

fn survives_writing(table: &Table, expect: &ImportExpectation<'_>) {
    let text = write(table);
    let allowed = expect.allowed.clone();
    let again = parse(Path::new("fuel.csv"), &text, expect.load_axis, expect.resolution, allowed);
    assert_eq!(&again.expect("what was written is a table"), table);
    assert_eq!(write(table), text);
    for format in Format::ALL {
        for rows in [Rows::Rpm, Rows::Load] {
            let layout = ExportLayout { format, rows, axes: true, table: "fuel", unit: "%" };
            let text = export(table, &layout);
            let expect = ImportExpectation { today: None, rows: None, new_axes: true, ..expect.clone() };
            let again =
                import(Path::new("fuel"), text.as_bytes(), &expect).expect("what was written is a table");
            assert_eq!(&again.table, table, "{text}");
            assert_eq!(again.rounded, 0);
        }
    }
}

fuzz_target!(|input: &[u8]| {
    let Some((choice, bytes)) = input.split_first() else { return };
    let expect = expectation(*choice);
    let path = Path::new("fuel.csv");
    if let Ok(text) = std::str::from_utf8(bytes) {
        match parse(path, text, expect.load_axis, expect.resolution, expect.allowed.clone()) {
            Ok(table) => survives_writing(&table, &expect),
            Err(problems) => assert!(!problems.0.is_empty() && !problems.to_string().is_empty()),
        }
    }
    match import(path, bytes, &expect) {
        Ok(imported) => survives_writing(&imported.table, &expect),
        Err(problems) => assert!(!problems.0.is_empty() && !problems.to_string().is_empty()),
    }
});
