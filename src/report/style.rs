//! Colours and columns.
//!
//! More fuel is blue, less is orange: a pair that colour-blind eyes tell apart
//! (the ends of ColorBrewer's PuOr point the same way). Signs say it as well.

use anstyle::{Ansi256Color, AnsiColor, Color, Style};
use comfy_table::{CellAlignment, ContentArrangement, Table, presets};

const RICHER: Style = Style::new().fg_color(Some(Color::Ansi256(Ansi256Color(75))));
const LEANER: Style = Style::new().fg_color(Some(Color::Ansi256(Ansi256Color(214))));
const STRONG: Style = Style::new().bold();
const FAINT: Style = Style::new().dimmed();
const WARNING: Style = Style::new().bold().fg_color(Some(Color::Ansi(AnsiColor::Yellow)));

fn painted(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}

/// Bold text.
pub fn strong(text: &str) -> String {
    painted(STRONG, text)
}

/// Text in the background.
pub fn faint(text: &str) -> String {
    painted(FAINT, text)
}

/// Text that must be noticed.
pub fn warning(text: &str) -> String {
    painted(WARNING, text)
}

/// Text coloured by the sign of a change in fuel.
pub(super) fn by_change(change_pct: f64, text: &str) -> String {
    match change_pct {
        c if c > 0.0 => painted(RICHER, text),
        c if c < 0.0 => painted(LEANER, text),
        _ => text.to_owned(),
    }
}

/// How a column stands.
#[derive(Clone, Copy)]
pub(super) enum Align {
    Left,
    Right,
}

/// Rows of text in columns, indented by two, wrapped to the width.
pub(super) fn columns(rows: Vec<Vec<String>>, aligns: &[Align], width: usize) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let mut table = Table::new();
    table.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_width(u16::try_from(width.saturating_sub(1)).unwrap_or(u16::MAX));
    table.add_rows(rows);
    for (i, align) in aligns.iter().enumerate() {
        if let Some(column) = table.column_mut(i) {
            column.set_padding((if i == 0 { 2 } else { 1 }, 1));
            column.set_cell_alignment(match align {
                Align::Left => CellAlignment::Left,
                Align::Right => CellAlignment::Right,
            });
        }
    }
    let lines: Vec<String> = table.lines().map(|line| line.trim_end().to_owned()).collect();
    format!("{}\n", lines.join("\n"))
}

/// Text wrapped to the width, indented by two.
pub(super) fn paragraph(text: &str, width: usize) -> String {
    columns(vec![vec![text.to_owned()]], &[Align::Left], width)
}
