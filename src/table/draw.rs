//! A grid of changed cells as text: old, new, change in %, signs and marks.

use super::LoadAxis;
use crate::units;

/// One cell to draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnCell {
    /// Breakpoint, 1/min.
    pub rpm: f64,
    /// Breakpoint, in the load axis' unit.
    pub load: f64,
    /// The older value.
    pub before: f64,
    /// The newer value.
    pub after: f64,
    /// How much more fuel that is, %.
    pub change_pct: f64,
    /// What is to be told of it.
    pub mark: Option<CellMark>,
}

/// What is to be told of a changed cell beside its change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CellMark {
    /// It stopped at a limit.
    Limit,
    /// It only follows its neighbours.
    Inferred,
}

impl CellMark {
    /// All of them, in the order of a legend.
    pub const ALL: [CellMark; 2] = [CellMark::Limit, CellMark::Inferred];

    /// The sign beside the change.
    pub fn sign(self) -> char {
        match self {
            CellMark::Limit => '*',
            CellMark::Inferred => '~',
        }
    }

    /// What it means.
    pub fn about(self) -> &'static str {
        match self {
            CellMark::Limit => "stopped at a limit",
            CellMark::Inferred => "inferred from its neighbours",
        }
    }
}

/// How a change grid is laid out.
pub struct Layout<'a> {
    /// Decimals of the values.
    pub decimals: usize,
    /// The columns' axis.
    pub load_axis: LoadAxis,
    /// Characters a line may take.
    pub width: usize,
    /// Paints a piece of text by the sign of the change; the text's width must not change.
    pub paint: &'a dyn Fn(f64, &str) -> String,
}

const GAP: usize = 2;
const UNCHANGED: &str = ".";
/// The sign of an unchanged cell that is locked.
pub const LOCKED: &str = "#";

/// Draws changed cells: only the rows and columns that hold one, in as many
/// blocks of columns as the width asks for.
///
/// Each row takes two lines: `old→new`, and the change with its sign.
pub fn draw_changes(cells: &[DrawnCell], layout: &Layout<'_>) -> String {
    draw_changes_among(cells, layout, &|_, _| false)
}

/// The same, with a sign of its own for unchanged cells that are locked.
pub fn draw_changes_among(
    cells: &[DrawnCell],
    layout: &Layout<'_>,
    is_locked: &dyn Fn(f64, f64) -> bool,
) -> String {
    let rows = breakpoints(cells.iter().map(|c| c.rpm));
    let columns = breakpoints(cells.iter().map(|c| c.load));
    let corner = format!("rpm/{}", layout.load_axis.unit());
    let first = rows.iter().map(|r| units::plain(*r).len()).max().unwrap_or(0).max(corner.len());
    let find = |rpm: f64, load: f64| cells.iter().find(|c| c.rpm == rpm && c.load == load);
    let cell_width =
        cells.iter().map(|c| values(c, layout).chars().count().max(change(c).len())).max().unwrap_or(0);
    let column_width =
        columns.iter().map(|l| units::plain(*l).len()).max().unwrap_or(0).max(cell_width) + GAP;
    let per_block = (layout.width.saturating_sub(first) / column_width.max(1)).max(1);
    let mut text = String::new();
    for (i, block) in columns.chunks(per_block).enumerate() {
        if i > 0 {
            text.push('\n');
        }
        text.push_str(&format!("{corner:>first$}"));
        for load in block {
            text.push_str(&format!("{:>column_width$}", units::plain(*load)));
        }
        text.push('\n');
        for rpm in &rows {
            if !block.iter().any(|load| find(*rpm, *load).is_some()) {
                continue;
            }
            let mut upper = format!("{:>first$}", units::plain(*rpm));
            let mut lower = " ".repeat(first);
            for load in block {
                let Some(cell) = find(*rpm, *load) else {
                    let sign = if is_locked(*rpm, *load) { LOCKED } else { UNCHANGED };
                    upper.push_str(&format!("{sign:>column_width$}"));
                    lower.push_str(&" ".repeat(column_width));
                    continue;
                };
                let pad = |text: String| format!("{text:>column_width$}");
                upper.push_str(&(layout.paint)(cell.change_pct, &pad(values(cell, layout))));
                lower.push_str(&(layout.paint)(cell.change_pct, &pad(change(cell))));
            }
            text.push_str(upper.trim_end());
            text.push('\n');
            text.push_str(lower.trim_end());
            text.push('\n');
        }
    }
    text
}

fn values(cell: &DrawnCell, layout: &Layout<'_>) -> String {
    let text = |value| units::fixed(value, layout.decimals);
    format!("{}→{}", text(cell.before), text(cell.after))
}

fn change(cell: &DrawnCell) -> String {
    let mark = cell.mark.map(|mark| mark.sign().to_string()).unwrap_or_default();
    if !cell.change_pct.is_finite() {
        // Of nothing, or of no spark advance, there are no percents.
        return format!("{}{mark}", units::signed(cell.after - cell.before, 1));
    }
    format!("{}%{mark}", units::signed(cell.change_pct, 1))
}

fn breakpoints(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut list: Vec<f64> = values.collect();
    list.sort_by(f64::total_cmp);
    list.dedup();
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(rpm: f64, load: f64, before: f64, after: f64, mark: Option<CellMark>) -> DrawnCell {
        DrawnCell { rpm, load, before, after, change_pct: units::change_pct(before, after), mark }
    }

    fn draw(cells: &[DrawnCell], width: usize) -> String {
        let paint = |_: f64, text: &str| text.to_owned();
        draw_changes(cells, &Layout { decimals: 1, load_axis: LoadAxis::ThrottlePct, width, paint: &paint })
    }

    #[test]
    fn shows_old_new_and_change_of_what_moved() {
        let cells = [
            cell(2000.0, 5.0, 50.0, 55.0, Some(CellMark::Limit)),
            cell(3000.0, 10.0, 60.0, 58.8, None),
            cell(3000.0, 5.0, 60.0, 58.8, Some(CellMark::Inferred)),
        ];
        let wanted = "\
rpm/%          5         10
 2000  50.0→55.0          .
         +10.0%*
 3000  60.0→58.8  60.0→58.8
          -2.0%~      -2.0%
";
        assert_eq!(draw(&cells, 80), wanted);
    }

    #[test]
    fn locked_cells_among_the_changed_ones_are_marked() {
        let cells = [cell(2000.0, 5.0, 50.0, 51.0, None), cell(3000.0, 10.0, 0.0, 1.5, None)];
        let paint = |_: f64, text: &str| text.to_owned();
        let layout = Layout { decimals: 1, load_axis: LoadAxis::ThrottlePct, width: 80, paint: &paint };
        let wanted = "\
rpm/%          5         10
 2000  50.0→51.0          #
           +2.0%
 3000          .    0.0→1.5
                       +1.5
";
        assert_eq!(draw_changes_among(&cells, &layout, &|rpm, _| rpm == 2000.0), wanted);
    }

    #[test]
    fn breaks_wide_grids_into_blocks() {
        let cells: Vec<DrawnCell> =
            (0..9).map(|i| cell(2000.0, f64::from(i) * 10.0, 50.0, 51.0, None)).collect();
        let text = draw(&cells, 40);
        assert!(text.lines().all(|l| l.chars().count() <= 40), "{text}");
        assert_eq!(text.matches("rpm/%").count(), 3);
        assert_eq!(draw(&[], 40), "rpm/%\n".repeat(0));
    }
}
