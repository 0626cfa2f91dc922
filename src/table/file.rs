//! The table file: comma-separated, rows rpm, columns load, fixed decimals.

use super::{Axis, AxisError, Grid, LoadAxis, Resolution, Table};
use crate::problem::{Problem, Problems};
use crate::units;
use std::fmt::Write as _;
use std::path::Path;

/// Reads a table file.
///
/// # Errors
/// Every problem of the file with line and column: a wrong corner title, axes
/// that do not ascend, rows of the wrong length, cells that are no number, lie
/// outside `allowed` or between two steps of the resolution.
pub fn parse(
    path: &Path,
    text: &str,
    load_axis: LoadAxis,
    resolution: Resolution,
    allowed: std::ops::RangeInclusive<f64>,
) -> Result<Table, Problems> {
    let mut reader = Reader { path, found: Vec::new() };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = (1..).zip(text.lines()).filter(|(_, l)| !l.trim().is_empty());
    let Some((header_line, header)) = lines.next() else {
        return Err(Problem::in_file(path, "the table is empty").into());
    };
    let load = reader.header(header_line, header, load_axis);
    let columns = load.as_ref().map_or(0, Axis::len);
    let mut rpm = Vec::new();
    let mut values = Vec::new();
    for (line, row) in lines {
        reader.row(line, row, columns, resolution, &allowed, &mut rpm, &mut values);
    }
    for (row, value) in rpm.iter().enumerate().filter(|(_, v)| v.is_finite() && !RPM.contains(*v)) {
        let (low, high) = (RPM.start(), RPM.end());
        reader.say(
            row as u64 + 2,
            1,
            format!("an rpm breakpoint must be between {low} and {high}, got {value}"),
        );
    }
    let rpm = reader.axis(0, 1, "rpm", rpm);
    match (rpm, load, reader.found.is_empty()) {
        (Some(rpm), Some(load), true) => {
            Ok(Table { grid: Grid { rpm, load }, load_axis, resolution, values })
        }
        _ => Err(Problems(reader.found)),
    }
}

/// Engine speeds a table may name. Common practice, no source.
pub(super) const RPM: std::ops::RangeInclusive<f64> = 0.0..=30_000.0;

struct Reader<'a> {
    path: &'a Path,
    found: Vec<Problem>,
}

impl Reader<'_> {
    fn say(&mut self, line: u64, column: u64, what: String) {
        self.found.push(Problem::at(self.path, line, column, what));
    }

    fn header(&mut self, line: u64, header: &str, load_axis: LoadAxis) -> Option<Axis> {
        let mut fields = fields(header);
        let (_, corner) = fields.next().unwrap_or((1, ""));
        let wanted = format!("rpm/{}", load_axis.name());
        if corner != wanted {
            self.say(line, 1, format!("the first title must be `{wanted}`, got `{corner}`"));
        }
        let mut breakpoints = Vec::new();
        for (column, field) in fields {
            match field.parse::<f64>() {
                Ok(value) => breakpoints.push(value),
                Err(_) => {
                    let what = format!("a load breakpoint must be a number, got `{field}`");
                    self.say(line, column, what);
                }
            }
        }
        self.axis(line, 1, load_axis.name(), breakpoints)
    }

    #[allow(clippy::too_many_arguments, reason = "one row with all its context")]
    fn row(
        &mut self,
        line: u64,
        row: &str,
        columns: usize,
        resolution: Resolution,
        allowed: &std::ops::RangeInclusive<f64>,
        rpm: &mut Vec<f64>,
        values: &mut Vec<f64>,
    ) {
        let mut fields = fields(row);
        let (_, first) = fields.next().unwrap_or((1, ""));
        match first.parse::<f64>() {
            Ok(value) => rpm.push(value),
            Err(_) => self.say(line, 1, format!("an rpm breakpoint must be a number, got `{first}`")),
        }
        let mut count = 0;
        for (column, field) in fields {
            count += 1;
            match field.parse::<f64>() {
                Ok(value) if !value.is_finite() || !allowed.contains(&value) => {
                    let (low, high) = (allowed.start(), allowed.end());
                    let what = format!("a cell must be between {low} and {high}, got `{field}`");
                    self.say(line, column, what);
                }
                Ok(value) if !resolution.holds(value) => {
                    let step = units::plain(resolution.step());
                    let near = resolution.text(resolution.snap(value));
                    let what = format!("a cell moves in steps of {step}, got `{field}` (nearest: {near})");
                    self.say(line, column, what);
                }
                Ok(value) => values.push(resolution.snap(value)),
                Err(_) => self.say(line, column, format!("a cell must be a number, got `{field}`")),
            }
        }
        if columns > 0 && count != columns {
            self.say(line, 0, format!("a row holds {columns} cells here, got {count}"));
        }
    }

    fn axis(&mut self, line: u64, column: u64, name: &str, breakpoints: Vec<f64>) -> Option<Axis> {
        match Axis::new(breakpoints) {
            Ok(axis) => Some(axis),
            Err(error) => {
                // Rows are lines two and on; a bad rpm breakpoint is named by its row.
                let line = match (&error, line) {
                    (AxisError::NotFinite { position, .. } | AxisError::NotAscending { position, .. }, 0) => {
                        *position as u64 + 2
                    }
                    _ => line,
                };
                self.say(line, column, format!("{name} axis: {error}"));
                None
            }
        }
    }
}

/// The fields of a line with their one-based columns, trimmed.
fn fields(line: &str) -> impl Iterator<Item = (u64, &str)> {
    let mut column = 1;
    line.trim_end_matches('\r').split(',').map(move |field| {
        let at = column;
        column += field.chars().count() as u64 + 1;
        (at, field.trim())
    })
}

/// Writes a table file. The same table gives the same bytes.
pub fn write(table: &Table) -> String {
    let mut text = format!("rpm/{}", table.load_axis.name());
    for load in table.grid.load.breakpoints() {
        let _ = write!(text, ",{}", units::plain(*load));
    }
    text.push('\n');
    let columns = table.grid.load.len();
    for (rpm, row) in table.grid.rpm.breakpoints().iter().zip(table.values.chunks(columns)) {
        text.push_str(&units::plain(*rpm));
        for value in row {
            let _ = write!(text, ",{}", table.resolution.text(*value));
        }
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FUEL: &str = "rpm/throttle_pct,2,5,10\n1000,48.0,52.5,55.0\n1500,50.5,55.0,57.5\n";

    fn read(text: &str) -> Result<Table, Problems> {
        let resolution = Resolution::new(0.1).expect("a step");
        parse(Path::new("fuel.csv"), text, LoadAxis::ThrottlePct, resolution, 0.0..=200.0)
    }

    #[test]
    fn reads_and_writes_the_same_bytes() {
        let table = read(FUEL).expect("a table");
        assert_eq!(write(&table), FUEL);
        assert_eq!(table.at(1250.0, 2.0), 49.25);
        assert_eq!(table.at(0.0, 99.0), 55.0);
    }

    #[test]
    fn accepts_what_a_spreadsheet_leaves_behind() {
        let text = format!("\u{feff}{}\r\n\r\n", FUEL.replace('\n', "\r\n").replace("48.0", " 48 "));
        assert_eq!(write(&read(&text).expect("a table")), FUEL);
    }

    #[test]
    fn names_line_and_column_of_every_bad_cell() {
        let text = "rpm/throttle_pct,2,5\n1000,48.0,abc\n900,50.03,250\n1500,1.0\n";
        let found: Vec<String> = read(text).expect_err("bad").0.iter().map(Problem::to_string).collect();
        assert_eq!(
            found,
            [
                "fuel.csv:2:11: a cell must be a number, got `abc`",
                "fuel.csv:3:5: a cell moves in steps of 0.1, got `50.03` (nearest: 50.0)",
                "fuel.csv:3:11: a cell must be between 0 and 200, got `250`",
                "fuel.csv:4: a row holds 2 cells here, got 1",
                "fuel.csv:3:1: rpm axis: breakpoints must ascend: 900 comes after 1000",
            ]
        );
    }

    #[test]
    fn refuses_the_wrong_load_axis() {
        let found = read(&FUEL.replace("throttle_pct", "map_kpa")).expect_err("wrong axis");
        assert!(found.0[0].what.contains("`rpm/throttle_pct`"), "{found}");
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "\\PC*") {
            let _ = read(&text);
        }

        #[test]
        fn almost_tables_do_not_panic(text in "(rpm/throttle_pct|x)?[,0-9.\\n\\r e-]{0,80}") {
            let _ = read(&text);
        }

        #[test]
        fn written_tables_are_stable(cells in prop::collection::vec(0i64..2000, 6)) {
            let mut table = read(FUEL).expect("a table");
            table.values = cells.iter().map(|c| table.resolution.value(*c)).collect();
            let text = write(&table);
            prop_assert_eq!(write(&read(&text).expect("own text")), text);
        }
    }
}
