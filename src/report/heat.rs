//! Heat maps for the terminal: a table's cells as numbers with signs and marks on
//! colour, as wide as the terminal allows.

use super::palette::{ink_on, of_change, of_share};
use super::style::faint;
use crate::table::LoadAxis;
use crate::units;
use anstyle::{Color, RgbColor, Style};

/// The axes of what is drawn.
pub(super) struct Heat<'a> {
    pub(super) rpm: &'a [f64],
    pub(super) load: &'a [f64],
    pub(super) load_axis: LoadAxis,
    /// Characters a line may take.
    pub(super) width: usize,
}

/// One cell of it.
pub(super) struct HeatCell {
    text: String,
    mark: char,
    paper: Option<colorous::Color>,
}

impl HeatCell {
    /// A change in %, with its sign; a dot where nothing moved.
    pub(super) fn change(change_pct: f64, largest_pct: f64, mark: Option<char>) -> Self {
        let moved = change_pct != 0.0;
        Self {
            text: if moved { units::signed(change_pct, 1) } else { ".".to_owned() },
            mark: mark.unwrap_or(' '),
            paper: moved.then(|| of_change(change_pct, largest_pct)),
        }
    }

    /// A value, coloured by where it stands between the smallest and the largest.
    pub(super) fn value(value: f64, decimals: usize, range: (f64, f64), mark: Option<char>) -> Self {
        let span = range.1 - range.0;
        let share = if span > 0.0 { (value - range.0) / span } else { 0.5 };
        Self { text: units::fixed(value, decimals), mark: mark.unwrap_or(' '), paper: Some(of_share(share)) }
    }

    /// A sign with a shade from 0 to 1; without a shade it stays uncoloured.
    pub(super) fn sign(text: impl Into<String>, share: Option<f64>) -> Self {
        Self { text: text.into(), mark: ' ', paper: share.map(of_share) }
    }
}

/// Draws every cell (row-major, rpm by load), in as many blocks of columns as the
/// width asks for.
pub(super) fn draw(heat: &Heat<'_>, cells: &[HeatCell]) -> String {
    let corner = format!("rpm/{}", heat.load_axis.unit());
    let first = heat.rpm.iter().map(|r| units::plain(*r).len()).max().unwrap_or(0).max(corner.len());
    let widest = cells.iter().map(|c| c.text.chars().count()).max().unwrap_or(0);
    let title = heat.load.iter().map(|l| units::plain(*l).len()).max().unwrap_or(0);
    // A space, the text, its mark.
    let column = widest.max(title) + 2;
    let per_block = (heat.width.saturating_sub(first + 2) / column).max(1);
    let columns: Vec<usize> = (0..heat.load.len()).collect();
    let mut text = String::new();
    for (i, block) in columns.chunks(per_block).enumerate() {
        if i > 0 {
            text.push('\n');
        }
        text.push_str(&format!("  {corner:>first$}"));
        for load in block {
            text.push_str(&format!("{:>width$} ", units::plain(heat.load[*load]), width = column - 1));
        }
        text.truncate(text.trim_end().len());
        text.push('\n');
        for (row, rpm) in heat.rpm.iter().enumerate() {
            let mut line = format!("  {:>first$}", units::plain(*rpm));
            for load in block {
                line.push_str(&painted(&cells[row * heat.load.len() + load], column));
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }
    text
}

fn painted(cell: &HeatCell, column: usize) -> String {
    let text = format!("{:>width$}{}", cell.text, cell.mark, width = column - 1);
    match cell.paper {
        None => text,
        Some(paper) => {
            let rgb = |c: colorous::Color| Some(Color::Rgb(RgbColor(c.r, c.g, c.b)));
            let style = Style::new().bg_color(rgb(paper)).fg_color(rgb(ink_on(paper)));
            format!("{style}{text}{style:#}")
        }
    }
}

/// A faint line that says what the signs mean.
pub(super) fn legend(text: &str) -> String {
    format!("  {}\n", faint(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heat(width: usize) -> Heat<'static> {
        Heat { rpm: &[1000.0, 2500.0], load: &[2.0, 14.0, 100.0], load_axis: LoadAxis::ThrottlePct, width }
    }

    fn plain(text: &str) -> String {
        anstream::adapter::strip_str(text).to_string()
    }

    #[test]
    fn signs_and_marks_tell_what_colour_tells() {
        let changes = [1.3, 0.0, -12.0, 0.0, 3.0, 0.0];
        let marks = [None, None, Some('*'), None, Some('~'), None];
        let cells: Vec<HeatCell> =
            changes.iter().zip(marks).map(|(c, mark)| HeatCell::change(*c, 12.0, mark)).collect();
        let wanted =
            "  rpm/%     2     14    100\n   1000  +1.3      .  -12.0*\n   2500     .   +3.0~     .\n";
        assert_eq!(plain(&draw(&heat(80), &cells)), wanted);
    }

    #[test]
    fn wide_tables_break_into_blocks_of_columns() {
        let cells: Vec<HeatCell> =
            (0..6).map(|i| HeatCell::value(f64::from(i), 1, (0.0, 5.0), None)).collect();
        let text = plain(&draw(&heat(18), &cells));
        assert!(text.lines().all(|line| line.chars().count() <= 18), "{text}");
        assert_eq!(text.matches("rpm/%").count(), 2, "{text}");
    }
}
