//! Text with commas, semicolons or tabs between the cells.

use super::{ExportLayout, Found, FoundGrid, ImportExpectation, Rows};
use crate::problem::{Problem, Problems};
use crate::table::{LoadAxis, Table};
use crate::units;
use std::path::Path;

pub(super) fn write(table: &Table, layout: &ExportLayout<'_>, between: char) -> String {
    let grid = &table.grid;
    let (rpms, loads) = (grid.rpm.breakpoints(), grid.load.breakpoints());
    let load = table.load_axis.name();
    let (corner, of_rows, of_columns) = match layout.rows {
        Rows::Rpm => (format!("rpm/{load}"), rpms, loads),
        Rows::Load => (format!("{load}/rpm"), loads, rpms),
    };
    let mut lines: Vec<Vec<String>> = Vec::new();
    if layout.axes {
        lines.push([corner].into_iter().chain(of_columns.iter().map(|b| units::plain(*b))).collect());
    }
    for (row, breakpoint) in of_rows.iter().enumerate() {
        let title = layout.axes.then(|| units::plain(*breakpoint));
        let cells = (0..of_columns.len()).map(|column| {
            let cell =
                if layout.rows == Rows::Rpm { table.cell(row, column) } else { table.cell(column, row) };
            table.resolution.text(cell)
        });
        lines.push(title.into_iter().chain(cells).collect());
    }
    let mut between_cells = [0; 4];
    let between = &*between.encode_utf8(&mut between_cells);
    lines.iter().map(|line| format!("{}\n", line.join(between))).collect()
}

/// A piece of text between two separators.
struct Field {
    line: u64,
    column: u64,
    text: String,
}

pub(super) fn read(path: &Path, text: &str, expect: &ImportExpectation<'_>) -> Result<FoundGrid, Problems> {
    let between = match (text.contains('\t'), text.contains(';')) {
        (true, _) => '\t',
        (false, true) => ';',
        (false, false) => ',',
    };
    let mut lines: Vec<Vec<Field>> =
        (1..).zip(text.lines()).map(|(line, text)| fields(line, text, between)).collect();
    for line in &mut lines {
        // Spreadsheets fill short rows with empty cells.
        while line.last().is_some_and(|field| field.text.is_empty()) {
            line.pop();
        }
    }
    lines.retain(|line| !line.is_empty());
    let numbers = Numbers::of(path, &lines)?;
    let Some(head) = lines.first().and_then(|line| line.first()) else {
        return Err(Problem::at(path, 1, 1, "the file holds no cells").into());
    };
    let rows = corner(path, head, expect.load_axis)?;
    let has_axes = rows.is_some() || !numbers.is_one(&head.text) || has_a_number_for_a_corner(&lines, expect);
    let mut problems = Vec::new();
    let mut read = |fields: &[Field]| -> Vec<Found> {
        let found = fields.iter().map(|field| match numbers.read(&field.text) {
            Some(value) => Found { value, line: field.line, column: field.column },
            None => {
                let what = format!("a cell must be a number, got `{}`", field.text);
                problems.push(Problem::at(path, field.line, field.column, what));
                Found { value: f64::NAN, line: field.line, column: field.column }
            }
        });
        found.collect()
    };
    let found = match has_axes {
        true => {
            let of_columns = read(&lines[0][1..]);
            let of_rows = lines[1..].iter().flat_map(|line| read(&line[..1])).collect();
            let cells = lines[1..].iter().map(|line| read(&line[1..])).collect();
            FoundGrid { cells, rows, axes: Some([of_rows, of_columns]) }
        }
        false => FoundGrid { cells: lines.iter().map(|line| read(line)).collect(), rows: None, axes: None },
    };
    Problems(problems).into_result().map(|()| found)
}

/// What the title in the first cell says of the rows.
fn corner(path: &Path, head: &Field, axis: LoadAxis) -> Result<Option<Rows>, Problem> {
    let title: String = head.text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_lowercase();
    for other in [LoadAxis::ThrottlePct, LoadAxis::MapKpa] {
        let rows = match title {
            _ if title == format!("rpm/{}", other.name()) => Rows::Rpm,
            _ if title == format!("{}/rpm", other.name()) => Rows::Load,
            _ => continue,
        };
        if other != axis {
            let what = format!("its load axis is {}, and bike.yaml says {}", other.name(), axis.name());
            return Err(Problem::at(path, head.line, head.column, what));
        }
        return Ok(Some(rows));
    }
    Ok(None)
}

/// A grid that is larger than today's by a row and a column has axes, and any number in
/// its corner.
fn has_a_number_for_a_corner(lines: &[Vec<Field>], expect: &ImportExpectation<'_>) -> bool {
    expect.today.is_some_and(|today| {
        let shape = [lines.len(), lines[0].len()];
        let (rpms, loads) = (today.grid.rpm.len() + 1, today.grid.load.len() + 1);
        shape == [rpms, loads] || shape == [loads, rpms]
    })
}

fn fields(line: u64, text: &str, between: char) -> Vec<Field> {
    let mut fields = vec![Field { line, column: 1, text: String::new() }];
    let mut quoted = false;
    for (column, c) in (1..).zip(text.trim_end_matches('\r').chars()) {
        let field = fields.last_mut().expect("never empty");
        match c {
            '"' => quoted = !quoted,
            _ if c == between && !quoted => {
                fields.push(Field { line, column: column + 1, text: String::new() });
            }
            _ => field.text.push(c),
        }
    }
    for field in &mut fields {
        field.text = field.text.trim().to_owned();
    }
    fields
}

/// How the file writes its decimals.
struct Numbers {
    decimal_comma: bool,
}

impl Numbers {
    fn of(path: &Path, lines: &[Vec<Field>]) -> Result<Self, Problem> {
        let numeric =
            |field: &&Field| field.text.starts_with(|c: char| c.is_ascii_digit() || "+-.,".contains(c));
        let all = || lines.iter().flatten().filter(numeric);
        let comma = all().find(|field| field.text.contains(','));
        let point = all().find(|field| field.text.contains('.'));
        match (comma, point) {
            (Some(comma), Some(point)) => {
                let what = format!(
                    "`{}` has a comma, and `{}` in line {} a point: which of them stands before decimals?",
                    comma.text, point.text, point.line
                );
                Err(Problem::at(path, comma.line, comma.column, what))
            }
            (comma, _) => Ok(Self { decimal_comma: comma.is_some() }),
        }
    }

    fn read(&self, text: &str) -> Option<f64> {
        let number = match self.decimal_comma {
            true => text.replacen(',', ".", 1).parse::<f64>(),
            false => text.parse::<f64>(),
        };
        number.ok().filter(|value| value.is_finite())
    }

    fn is_one(&self, text: &str) -> bool {
        self.read(text).is_some()
    }
}
