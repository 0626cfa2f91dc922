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

/// A text whose lines are no longer than the width, broken at spaces; what goes on is indented
/// by two more than its line.
///
/// What stands between backticks is to be copied and stays whole; so do words.
pub fn wrapped(text: &str, width: usize) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let (line, end) = line.strip_suffix('\n').map_or((line, ""), |line| (line, "\n"));
        match shown(line) <= width {
            true => out.push_str(line),
            false => wrap_line(line, width, &mut out),
        }
        out.push_str(end);
    }
    out
}

fn wrap_line(line: &str, width: usize, out: &mut String) {
    let indent = line.len() - line.trim_start_matches(' ').len();
    let mut used = indent;
    out.push_str(&line[..indent]);
    let mut is_first = true;
    for piece in pieces(&line[indent..]) {
        let long = shown(piece);
        if !is_first && used + 1 + long > width {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent + 2));
            used = indent + 2;
        } else if !is_first {
            out.push(' ');
            used += 1;
        }
        out.push_str(piece);
        used += long;
        is_first = false;
    }
}

/// A line's parts between spaces, but for spaces between backticks.
fn pieces(line: &str) -> impl Iterator<Item = &str> {
    let mut is_code = false;
    line.split(move |c: char| {
        is_code ^= c == '`';
        c == ' ' && !is_code
    })
}

/// How many characters of a text are seen.
fn shown(text: &str) -> usize {
    let mut is_code = false;
    let is_seen = |c: &char| {
        let begins = *c == '\u{1b}';
        let hidden = is_code || begins;
        is_code = hidden && *c != 'm';
        !hidden
    };
    text.chars().filter(is_seen).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_broken_at_spaces_and_nothing_is_lost() {
        let text = format!("  {}: what is said here and goes on\nshort\n\n  a  b\n", strong("note"));
        let said = wrapped(&text, 20);
        assert_eq!(
            anstream::adapter::strip_str(&said).to_string(),
            "  note: what is said\n    here and goes on\nshort\n\n  a  b\n"
        );
        let flat = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(flat(&said), flat(&text));
        assert_eq!(wrapped(&text, 200), text);
    }

    #[test]
    fn what_is_to_be_copied_stays_on_one_line() {
        let said = wrapped("set it aside with `rides set-aside FILE --why x` or else", 30);
        assert_eq!(said, "set it aside with\n  `rides set-aside FILE --why x`\n  or else");
    }
}
