//! A table or evidence file as one line a cell, for plain git.
//!
//! The file's text enters; lines such as `rpm  3000  throttle   14 %     52.5` leave. A changed cell
//! is then one changed line that says where the cell lies. Values stay as the file writes them, and
//! what lines would hide (a byte order mark, line ends of another system) is said in words.

use super::LoadAxis;
use std::fmt::Write as _;

/// Widths of rpm, load and value. Fixed, so that one long number moves only its own line.
const RPM_WIDTH: usize = 5;
const LOAD_WIDTH: usize = 4;
const VALUE_WIDTH: usize = 8;

/// One line a cell; `None` when the text is neither a table nor an evidence file.
pub fn cell_lines(text: &str) -> Option<String> {
    let mut lines = String::new();
    let body = text.strip_prefix('\u{feff}').unwrap_or(text);
    if body.len() < text.len() {
        lines.push_str("begins with a byte order mark\n");
    }
    if body.contains('\r') {
        lines.push_str("has line ends of another system (CR)\n");
    }
    if !body.ends_with('\n') {
        lines.push_str("has no line end after the last line\n");
    }
    let mut rows = body.lines().map(|line| line.split(','));
    let mut header = rows.next()?;
    let corner = header.next()?;
    match axis_of(corner.strip_prefix("rpm/")) {
        Some(axis) => {
            let loads: Vec<&str> = header.collect();
            rows.try_for_each(|row| table_row(&mut lines, axis, &loads, row))?;
        }
        None => {
            let axis = axis_of(Some(header.next()?)).filter(|_| corner == "rpm")?;
            let titles: Vec<&str> = header.collect();
            rows.try_for_each(|row| evidence_row(&mut lines, axis, &titles, row))?;
        }
    }
    Some(lines)
}

fn axis_of(name: Option<&str>) -> Option<LoadAxis> {
    [LoadAxis::ThrottlePct, LoadAxis::MapKpa].into_iter().find(|axis| name == Some(axis.name()))
}

/// The cells of one engine speed; `None` when the row has not a number for every load.
fn table_row<'a>(
    lines: &mut String,
    axis: LoadAxis,
    loads: &[&str],
    mut row: impl Iterator<Item = &'a str>,
) -> Option<()> {
    let rpm = number(row.next()?)?;
    let mut loads = loads.iter();
    for value in row {
        let place = place(axis, rpm, number(loads.next()?)?);
        let _ = writeln!(lines, "{place} {:>VALUE_WIDTH$}", number(value)?);
    }
    loads.next().is_none().then_some(())
}

/// One cell with what stands behind it; titles without a value are left out.
fn evidence_row<'a>(
    lines: &mut String,
    axis: LoadAxis,
    titles: &[&str],
    mut row: impl Iterator<Item = &'a str>,
) -> Option<()> {
    let (rpm, load) = (number(row.next()?)?, number(row.next()?)?);
    lines.push_str(&place(axis, rpm, load));
    let mut titles = titles.iter();
    for value in row {
        let title = titles.next()?;
        if !value.is_empty() {
            let _ = write!(lines, "  {title} {value}");
        }
    }
    lines.push('\n');
    titles.next().is_none().then_some(())
}

fn place(axis: LoadAxis, rpm: &str, load: &str) -> String {
    format!("rpm {rpm:>RPM_WIDTH$}  {} {load:>LOAD_WIDTH$} {}", axis.words(), axis.unit())
}

/// The text itself, if it is a number.
fn number(text: &str) -> Option<&str> {
    text.parse::<f64>().is_ok().then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FUEL: &str = "rpm/throttle_pct,2,14.5\n1000,48.0,52.5\n11500,50.5,55.0\n";

    #[test]
    fn a_table_is_one_line_a_cell_with_its_place() {
        let lines = "rpm  1000  throttle    2 %     48.0\nrpm  1000  throttle 14.5 %     52.5\n\
                     rpm 11500  throttle    2 %     50.5\nrpm 11500  throttle 14.5 %     55.0\n";
        assert_eq!(cell_lines(FUEL).as_deref(), Some(lines));
        let changed = cell_lines(&FUEL.replace("52.5", "53.0")).expect("a table");
        let differing = changed.lines().zip(lines.lines()).filter(|(a, b)| a != b).count();
        assert_eq!(differing, 1);
    }

    #[test]
    fn evidence_is_one_line_a_cell_with_what_is_known() {
        let text = "rpm,map_kpa,before,after,required,held_by\n1000,40,50.0,51.0,51.2,\n1000,60,50.0,50.0,,step_up\n";
        let lines = "rpm  1000  manifold pressure   40 kPa  before 50.0  after 51.0  required 51.2\n\
                     rpm  1000  manifold pressure   60 kPa  before 50.0  after 50.0  held_by step_up\n";
        assert_eq!(cell_lines(text).as_deref(), Some(lines));
    }

    #[test]
    fn a_change_that_lines_would_hide_is_said() {
        for other in [FUEL.replace('\n', "\r\n"), format!("\u{feff}{FUEL}"), FUEL.trim_end().to_owned()] {
            assert_ne!(cell_lines(&other), cell_lines(FUEL), "{other:?}");
        }
    }

    #[test]
    fn what_is_no_table_is_not_taken_for_one() {
        let torn = &FUEL[..FUEL.len() - 6];
        let merged = FUEL.replace("11500", "<<<<<<< HEAD\n11500");
        for odd in
            ["", "\n", "time_s,rpm\n0,1000\n", "rpm/lambda,2\n1,1\n", torn, &merged, "rpm,throttle_pct\n"]
        {
            let lines = cell_lines(odd);
            assert!(
                lines.as_deref().unwrap_or_default().lines().all(|l| !l.contains("rpm")),
                "{odd:?}: {lines:?}"
            );
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "(rpm/throttle_pct|rpm,map_kpa)?[,0-9.\\n\\r e\u{feff}-]{0,80}") {
            let _ = cell_lines(&text);
        }
    }
}
