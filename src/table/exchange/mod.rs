//! Tables to and from the outside: delimited text and JSON, either way round.
//!
//! A table and a layout enter, text leaves; bytes from a spreadsheet or another
//! program enter, a table leaves. What was written here reads back as the same table.

mod delimited;
mod json;

use super::file::RPM;
use super::{Axis, Grid, LoadAxis, Resolution, Table};
use crate::problem::{Problem, Problems};
use crate::units;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;
use std::path::Path;

/// How a table is written for other programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// Text with commas between the cells.
    Csv,
    /// Text with tabs between the cells, as spreadsheets copy it.
    Tsv,
    /// JSON.
    Json,
}

impl Format {
    /// All of them.
    pub const ALL: [Format; 3] = [Format::Csv, Format::Tsv, Format::Json];

    /// The name, which is also the ending of its files.
    pub fn name(self) -> &'static str {
        match self {
            Format::Csv => "csv",
            Format::Tsv => "tsv",
            Format::Json => "json",
        }
    }

    /// The format that a file's ending tells.
    pub fn of_file(path: &Path) -> Option<Self> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        Self::ALL.into_iter().find(|format| format.name() == ending)
    }
}

/// What a row of cells is one of.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Rows {
    /// Each row is an engine speed; loads go from left to right.
    #[default]
    Rpm,
    /// Each row is a load; engine speeds go from left to right.
    Load,
}

impl Rows {
    fn name(self) -> &'static str {
        match self {
            Rows::Rpm => "rpm",
            Rows::Load => "load",
        }
    }
}

/// How a table is laid out for other programs.
#[derive(Debug, Clone, Copy)]
pub struct ExportLayout<'a> {
    /// The format.
    pub format: Format,
    /// What a row is.
    pub rows: Rows,
    /// Whether the breakpoints are written too.
    pub axes: bool,
    /// Which table it is: fuel, mixture, spark.
    pub table: &'a str,
    /// What its cells hold.
    pub unit: &'a str,
}

/// Writes a table for other programs.
pub fn export(table: &Table, layout: &ExportLayout<'_>) -> String {
    match layout.format {
        Format::Csv => delimited::write(table, layout, ','),
        Format::Tsv => delimited::write(table, layout, '\t'),
        Format::Json => json::write(table, layout),
    }
}

/// What is known of a table before it is read.
#[derive(Debug, Clone)]
pub struct ImportExpectation<'a> {
    /// The table that it takes the place of.
    pub today: Option<&'a Table>,
    /// Which table it is: fuel, mixture, spark.
    pub table: &'a str,
    /// What the load axis measures.
    pub load_axis: LoadAxis,
    /// The smallest step a cell can hold.
    pub resolution: Resolution,
    /// What a cell may hold.
    pub allowed: RangeInclusive<f64>,
    /// What a row is, where the user says so.
    pub rows: Option<Rows>,
    /// Whether it may have other axes than today's.
    pub new_axes: bool,
}

/// A table that came from outside.
#[derive(Debug, Clone, PartialEq)]
pub struct Imported {
    /// The table.
    pub table: Table,
    /// How many cells were rounded to the step of the table.
    pub rounded: usize,
}

/// Reads a table that another program wrote: delimited text or JSON, rows of rpm or
/// of load, with axes or without.
///
/// # Errors
/// Everything that keeps the file from being this table, with line and column
/// where it has them; which way round it stands, where that is not certain.
pub fn import(path: &Path, bytes: &[u8], expect: &ImportExpectation<'_>) -> Result<Imported, Problems> {
    let text = text_of(path, bytes)?;
    let found = match text.trim_start().starts_with(['{', '[']) {
        true => json::read(path, text, expect)?,
        false => delimited::read(path, text, expect)?,
    };
    finish(path, found, expect)
}

fn text_of<'a>(path: &Path, bytes: &'a [u8]) -> Result<&'a str, Problem> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(Problem::at(path, 1, 1, "is UTF-16 text").with_hint("save it as CSV in UTF-8"));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let good = String::from_utf8_lossy(&bytes[..error.valid_up_to()]).into_owned();
        not_text(path, &good)
    })?;
    if let Some(at) = text.find('\0') {
        return Err(not_text(path, &text[..at]));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(Problem::at(path, 1, 1, "the file is empty"));
    }
    Ok(text)
}

fn not_text(path: &Path, good: &str) -> Problem {
    let line = good.matches('\n').count() as u64 + 1;
    let column = good.rsplit('\n').next().unwrap_or_default().chars().count() as u64 + 1;
    Problem::at(path, line, column, "is not UTF-8 text")
        .with_hint("a table comes as comma- or tab-separated text or as JSON; save it as UTF-8")
}

/// A value with its place in the file; line 0 where the format has none.
#[derive(Debug, Clone, Copy)]
struct Found {
    value: f64,
    line: u64,
    column: u64,
}

/// A file's numbers, before it is known whether they are the table.
struct FoundGrid {
    /// As they stand in the file.
    cells: Vec<Vec<Found>>,
    /// What a row is, where the file says so.
    rows: Option<Rows>,
    /// The breakpoints of rows and columns; rows first.
    axes: Option<[Vec<Found>; 2]>,
}

/// Puts the numbers the right way round and checks axes and cells.
fn finish(path: &Path, found: FoundGrid, expect: &ImportExpectation<'_>) -> Result<Imported, Problems> {
    same_lengths(path, &found)?;
    let rows = which_way(path, &found, expect)?;
    let (height, width) = (found.cells.len(), found.cells[0].len());
    let at = |row: usize, column: usize| match rows {
        Rows::Rpm => found.cells[row][column],
        Rows::Load => found.cells[column][row],
    };
    let (rpms, loads) = if rows == Rows::Rpm { (height, width) } else { (width, height) };
    let grid = match (&found.axes, expect.today) {
        (Some([of_rows, of_columns]), today) => {
            let (rpm, load) = if rows == Rows::Rpm { (of_rows, of_columns) } else { (of_columns, of_rows) };
            let grid =
                Grid { rpm: axis(path, "rpm", rpm)?, load: axis(path, expect.load_axis.name(), load)? };
            if let Some(bad) = rpm.iter().find(|b| !RPM.contains(&b.value)) {
                let what = format!("an rpm breakpoint must be between 0 and 30000, got {}", bad.value);
                return Err(Problem::at(path, bad.line, bad.column, what).into());
            }
            if let Some(today) = today.filter(|today| !expect.new_axes && today.grid != grid) {
                return Err(other_axes(path, &grid, today, expect, rpm, load).into());
            }
            grid
        }
        (None, Some(today)) => today.grid.clone(),
        (None, None) => return Err(needs_corner(path, expect).into()),
    };
    let mut problems = Vec::new();
    let mut values = Vec::with_capacity(rpms * loads);
    let mut rounded = 0;
    for row in 0..rpms {
        for column in 0..loads {
            let cell = at(row, column);
            if !expect.allowed.contains(&cell.value) {
                let (low, high) = (expect.allowed.start(), expect.allowed.end());
                let place = match cell.line {
                    0 => {
                        let (rpm, load) = grid.point(grid.cell(row, column));
                        format!(" at {rpm} rpm, load {load}")
                    }
                    _ => String::new(),
                };
                let what = format!("a cell must be between {low} and {high}, got {}{place}", cell.value);
                problems.push(Problem::at(path, cell.line, cell.column, what));
            }
            rounded += usize::from(!expect.resolution.holds(cell.value));
            values.push(expect.resolution.snap(cell.value));
        }
    }
    Problems(problems).into_result()?;
    let table = Table { grid, load_axis: expect.load_axis, resolution: expect.resolution, values };
    Ok(Imported { table, rounded })
}

fn same_lengths(path: &Path, found: &FoundGrid) -> Result<(), Problem> {
    let Some(first) = found.cells.first().filter(|row| !row.is_empty()) else {
        return Err(Problem::at(path, 1, 1, "the file holds no cells"));
    };
    let width = match &found.axes {
        Some([_, columns]) => columns.len(),
        None => first.len(),
    };
    if let Some((i, row)) = found.cells.iter().enumerate().find(|(_, row)| row.len() != width) {
        let line = row.first().map_or(0, |cell| cell.line);
        let which = if line == 0 { format!("row {} holds", i + 1) } else { "a row holds".to_owned() };
        return Err(Problem::at(
            path,
            line,
            0,
            format!("{which} {} cells, and {width} are wanted", row.len()),
        ));
    }
    match &found.axes {
        Some([rows, _]) if rows.len() != found.cells.len() => Err(Problem::in_file(
            path,
            format!("there are {} rows of cells for {} breakpoints", found.cells.len(), rows.len()),
        )),
        _ => Ok(()),
    }
}

/// Which way round the cells stand: as the file says, as its axes or its shape tell,
/// or as the user says where these leave it open.
fn which_way(path: &Path, found: &FoundGrid, expect: &ImportExpectation<'_>) -> Result<Rows, Problem> {
    if let Some(said) = found.rows {
        return match expect.rows {
            Some(asked) if asked != said => {
                let what = format!("its rows are {}, and --rows says {}", said.name(), asked.name());
                Err(Problem::at(path, 1, 1, what))
            }
            _ => Ok(said),
        };
    }
    let Some(today) = expect.today else { return Err(needs_corner(path, expect)) };
    let (rpms, loads) = (&today.grid.rpm, &today.grid.load);
    let is =
        |axis: &Axis, found: &[Found]| axis.breakpoints().iter().copied().eq(found.iter().map(|f| f.value));
    let shape = [found.cells.len(), found.cells[0].len()];
    let fits = |rows: &Rows| {
        let (of_rows, of_columns) = if *rows == Rows::Rpm { (rpms, loads) } else { (loads, rpms) };
        match &found.axes {
            Some([first, second]) => is(of_rows, first) && is(of_columns, second),
            None => shape == [of_rows.len(), of_columns.len()],
        }
    };
    let possible: Vec<Rows> = [Rows::Rpm, Rows::Load].into_iter().filter(fits).collect();
    match (possible.as_slice(), expect.rows) {
        ([one], None) => Ok(*one),
        (some, Some(asked)) if some.contains(&asked) => Ok(asked),
        ([_, _], None) => Err(Problem::at(
            path,
            1,
            1,
            "its rows may be engine speeds or loads: nothing in the file tells which",
        )
        .with_hint("say --rows rpm or --rows load")),
        _ if found.axes.is_some() => Err(Problem::at(
            path,
            1,
            1,
            format!("it has no corner title, and its axes are not those of today's {} table", expect.table),
        )
        .with_hint(corner_hint(expect))),
        _ => {
            let (height, width) = (rpms.len(), loads.len());
            let way = match expect.rows {
                Some(Rows::Rpm) => format!("{height} rows of {width} cells"),
                Some(Rows::Load) => format!("{width} rows of {height} cells"),
                None => format!("{height} rows of {width} cells, or {width} of {height}"),
            };
            Err(Problem::at(
                path,
                1,
                1,
                format!(
                    "a grid without axes must have {way} as today's table, got {} of {}",
                    shape[0], shape[1]
                ),
            )
            .with_hint("a decimal comma needs `;` or tabs between the cells"))
        }
    }
}

fn corner_hint(expect: &ImportExpectation<'_>) -> String {
    let load = expect.load_axis.name();
    format!("write `rpm/{load}` (rows are rpm) or `{load}/rpm` (rows are load) into its first cell")
}

fn needs_corner(path: &Path, expect: &ImportExpectation<'_>) -> Problem {
    let what = format!("there is no {} table yet to compare it with, so it needs axes", expect.table);
    Problem::at(path, 1, 1, what).with_hint(corner_hint(expect))
}

fn axis(path: &Path, name: &str, found: &[Found]) -> Result<Axis, Problem> {
    Axis::new(found.iter().map(|f| f.value).collect()).map_err(|error| {
        let at = match error {
            super::AxisError::NotAscending { position, .. } => found.get(position),
            _ => found.first(),
        };
        let (line, column) = at.map_or((0, 0), |f| (f.line, f.column));
        Problem::at(path, line, column, format!("{name} axis: {error}"))
    })
}

fn other_axes(
    path: &Path,
    grid: &Grid,
    today: &Table,
    expect: &ImportExpectation<'_>,
    rpm: &[Found],
    load: &[Found],
) -> Problem {
    let (name, new, old, found) = match grid.rpm == today.grid.rpm {
        false => ("rpm", &grid.rpm, &today.grid.rpm, rpm),
        true => (expect.load_axis.name(), &grid.load, &today.grid.load, load),
    };
    let differs = new.breakpoints().iter().zip(old.breakpoints()).position(|(a, b)| a != b);
    let (what, at) = match differs {
        Some(i) => {
            let (new, old) = (units::plain(new.breakpoints()[i]), units::plain(old.breakpoints()[i]));
            (
                format!("breakpoint {} of its {name} axis is {new}, that of today's table {old}", i + 1),
                found[i],
            )
        }
        None => {
            let what =
                format!("its {name} axis has {} breakpoints, that of today's table {}", new.len(), old.len());
            (what, found[0])
        }
    };
    Problem::at(path, at.line, at.column, what)
        .with_hint("a table with other axes is taken with --new-axes; older ones are then interpolated")
}

#[cfg(test)]
mod tests;
