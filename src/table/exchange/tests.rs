use super::*;
use proptest::prelude::*;

fn today(rpms: usize, loads: usize) -> Table {
    let rpm = Axis::new((0..rpms).map(|i| 1000.0 + 500.0 * i as f64).collect()).expect("ascending");
    let load = Axis::new((0..loads).map(|i| 2.5 * i as f64).collect()).expect("ascending");
    let grid = Grid { rpm, load };
    let resolution = Resolution::new(0.1).expect("a step");
    let values = (0..grid.cells()).map(|c| resolution.snap(40.0 + 0.7 * c as f64)).collect();
    Table { grid, load_axis: LoadAxis::ThrottlePct, resolution, values }
}

fn expecting(today: &Table) -> ImportExpectation<'_> {
    ImportExpectation {
        today: Some(today),
        table: "fuel",
        load_axis: LoadAxis::ThrottlePct,
        resolution: today.resolution,
        allowed: 0.0..=250.0,
        rows: None,
        new_axes: false,
    }
}

fn said(text: impl AsRef<[u8]>, expect: &ImportExpectation<'_>) -> String {
    match import(Path::new("in.csv"), text.as_ref(), expect) {
        Ok(found) => panic!("was read as {found:?}"),
        Err(problems) => problems.to_string(),
    }
}

#[test]
fn every_way_a_spreadsheet_hands_it_over_is_the_same_table() {
    let table = today(3, 2);
    for text in [
        "rpm/throttle_pct,0,2.5\n1000,40,40.7\n1500,41.4,42.1\n2000,42.8,43.5\n",
        "throttle_pct/rpm\t1000\t1500\t2000\r\n0\t40,0\t41,4\t42,8\r\n2,5\t40,7\t42,1\t43,5\r\n",
        "\u{feff}RPM / throttle_pct;0;2,5;;\n1000;40;40,7;;\n1500;41,4;42,1;;\n2000;42,8;43,5;;\n;;;;\n",
        ",0,2.5\n1000,40,40.7\n1500,41.4,42.1\n2000,42.8,43.5",
        "0,1000,1500,2000\n0,40,41.4,42.8\n2.5,40.7,42.1,43.5\n",
        "40\t40.7\n41.4\t42.1\n42.8\t43.5\n",
        "40 , \"41,4\" , \"42,8\"\n\"40,7\",\"42,1\",\"43,5\"\n",
        "[[40, 41.4, 42.8], [40.7, 42.1, 43.5]]",
        "{\"rpm\": [1000, 1500, 2000], \"load\": [0, 2.5], \"cells\": [[40, 40.7], [41.4, 42.1], [42.8, 43.5]]}",
        "{\"rows\": \"load\", \"cells\": [[40, 41.4, 42.8], [40.7, 42.1, 43.5]]}",
    ] {
        let found = import(Path::new("in"), text.as_bytes(), &expecting(&table)).expect(text);
        assert_eq!(found, Imported { table: table.clone(), rounded: 0 }, "{text}");
    }
}

#[test]
fn what_is_no_table_is_said_with_its_place() {
    let table = today(3, 2);
    let expect = expecting(&table);
    for (text, says) in [
        ("", "in.csv:1:1: the file is empty"),
        ("  \n\n", "in.csv:1:1: the file is empty"),
        (
            "rpm/throttle_pct,0,2.5\n1000,40,nan\n1500,41.4,\n2000,42.8,x\n",
            "in.csv:2:9: a cell must be a number, got `nan`",
        ),
        ("rpm/throttle_pct,0,2.5\n1000,40,41\n1500,41\n2000,42,43\n", "in.csv:3: a row holds 1 cells"),
        (
            "rpm/throttle_pct,0,2.5\n1000,40,410\n1500,41,42\n2000,42,43\n",
            "in.csv:2:9: a cell must be between",
        ),
        ("rpm/map_kpa,0,2.5\n1000,40,41\n", "in.csv:1:1: its load axis is map_kpa"),
        (
            "rpm/throttle_pct,0,3\n1000,40,41\n1500,1,1\n2000,1,1\n",
            "in.csv:1:20: breakpoint 2 of its throttle_pct",
        ),
        ("rpm/throttle_pct,0,2.5\n1000,40,41\n1500,1,1\n", "its rpm axis has 2 breakpoints"),
        (
            "rpm/throttle_pct,0,2.5\n1500,40,41\n1000,1,1\n2000,1,1\n",
            "in.csv:3:1: rpm axis: breakpoints must ascend",
        ),
        ("tps,0,3\n1000,40,41\n1500,1,1\n2000,1,1\n", "in.csv:1:1: it has no corner title"),
        ("1,2\n3,4\n", "3 rows of 2 cells, or 2 of 3 as today's table, got 2 of 2"),
        ("40;40,7\n41.4;42,1\n42,8;43,5\n", "in.csv:1:4: `40,7` has a comma, and `41.4` in line 2 a point"),
        ("{\"cells\": [[1, NaN]]}", "in.csv:1:16: is not a table in JSON: expected value"),
        ("{\"cells\": [[1, \"x\"]]}", "in.csv:1:18: is not a table in JSON: invalid type"),
        ("{\"table\": \"spark\", \"cells\": [[1]]}", "in.csv: holds a spark table"),
        ("{\"rows\": \"rpm\", \"cells\": [[1]]}", "in.csv: holds 1 rows of 1 cells"),
        ("[[1, 2], [3, 4], [5, 999]]", "got 999 at 2000 rpm, load 2.5"),
        ("[]", "in.csv:1:1: the file holds no cells"),
        ("[[], []]", "in.csv:1:1: the file holds no cells"),
    ] {
        let said = said(text, &expect);
        assert!(said.contains(says), "{text:?} says {said}");
    }
    assert_eq!(said(b"\x89PNG\r\n\x1a\n\0\0", &expect), "in.csv:1:1: is not UTF-8 text");
    assert_eq!(said(b"1,2\n3,\xff", &expect), "in.csv:2:3: is not UTF-8 text");
    assert!(said(b"\xff\xfe1\0", &expect).contains("UTF-16"));
}

#[test]
fn a_square_grid_without_axes_is_only_taken_with_a_word_about_its_rows() {
    let table = today(2, 2);
    let text = "40,41.4\n40.7,42.1\n";
    assert!(said(text, &expecting(&table)).contains("may be engine speeds or loads"));
    let rows = Some(Rows::Load);
    let found = import(Path::new("in"), text.as_bytes(), &ImportExpectation { rows, ..expecting(&table) });
    assert_eq!(found.expect("told").table, table);
    let corner = "rpm/throttle_pct,0,2.5\n1000,1,1\n1500,1,1\n";
    let asked = ImportExpectation { rows, ..expecting(&table) };
    assert!(said(corner, &asked).contains("its rows are rpm, and --rows says load"));
}

#[test]
fn other_axes_are_taken_when_they_are_meant_and_cells_are_rounded_to_the_step() {
    let table = today(3, 2);
    let expect = ImportExpectation { new_axes: true, ..expecting(&table) };
    let text = "rpm/throttle_pct,0,50,100\n1000,40.04,41,42\n9000,40,41,42\n";
    let found = import(Path::new("in"), text.as_bytes(), &expect).expect("new axes");
    assert_eq!((found.table.values[0], found.rounded, found.table.grid.load.len()), (40.0, 1, 3));
    let none = ImportExpectation { today: None, ..expect };
    assert!(import(Path::new("in"), text.as_bytes(), &none).is_ok());
    assert!(said("1,2\n3,4\n", &none).contains("there is no fuel table yet"));
}

proptest! {
    #[test]
    fn what_is_exported_in_any_layout_imports_as_the_same_table(
        rpms in 2..7usize, loads in 2..7usize, cells in prop::collection::vec(0..2500i64, 36),
        format in prop::sample::select(Format::ALL.to_vec()), by_load in any::<bool>(), axes in any::<bool>(),
        step in prop::sample::select(vec![0.001, 0.025, 0.1, 0.5, 1.0])
    ) {
        let before = today(rpms, loads);
        let resolution = Resolution::new(step).expect("a step");
        let values = cells.iter().take(rpms * loads).map(|c| resolution.value(*c)).collect();
        let table = Table { values, resolution, ..before.clone() };
        let rows = if by_load { Rows::Load } else { Rows::Rpm };
        let text = export(&table, &ExportLayout { format, rows, axes, table: "fuel", unit: "ve_pct" });
        let expect = ImportExpectation {
            resolution,
            allowed: -1e9..=1e9,
            rows: (!axes && rpms == loads).then_some(rows),
            ..expecting(&before)
        };
        let found = import(Path::new("in"), text.as_bytes(), &expect);
        prop_assert_eq!(found, Ok(Imported { table, rounded: 0 }));
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
        let table = today(3, 2);
        let _ = import(Path::new("in"), &bytes, &expecting(&table));
    }

    #[test]
    fn almost_tables_do_not_panic(text in "(rpm/throttle_pct|throttle_pct/rpm|\\{|\\[)?[,;\\t0-9.\\n\\r\" e-]{0,80}") {
        let table = today(3, 2);
        for new_axes in [true, false] {
            let _ = import(Path::new("in"), text.as_bytes(), &ImportExpectation { new_axes, ..expecting(&table) });
        }
    }
}
