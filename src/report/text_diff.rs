//! Two texts compared line by line, with the changed words marked.

use anstyle::{AnsiColor, Color, Style};
use similar::{ChangeTag, TextDiff};
use std::fmt::Write as _;

const REMOVED: Style = Style::new().fg_color(Some(Color::Ansi256(anstyle::Ansi256Color(214))));
const ADDED: Style = Style::new().fg_color(Some(Color::Ansi(AnsiColor::BrightBlue)));

/// The changed lines with their surroundings. Changed words stand in `[- -]`
/// when they went and in `{+ +}` when they came.
pub(super) fn text_diff(before: &str, after: &str) -> String {
    const CONTEXT: usize = 1;
    let diff = TextDiff::from_lines(before, after);
    let mut text = String::new();
    for (i, group) in diff.grouped_ops(CONTEXT).iter().enumerate() {
        if i > 0 {
            text.push_str("    ...\n");
        }
        for change in group.iter().flat_map(|op| diff.iter_inline_changes(op)) {
            let (sign, style, open, close) = match change.tag() {
                ChangeTag::Delete => ("-", REMOVED, "[-", "-]"),
                ChangeTag::Insert => ("+", ADDED, "{+", "+}"),
                ChangeTag::Equal => (" ", Style::new(), "", ""),
            };
            let mut line = String::new();
            let parts: Vec<(bool, String)> =
                change.iter_strings_lossy().map(|(changed, part)| (changed, part.into_owned())).collect();
            // A line that is new as a whole needs no marks inside.
            let some_stays = parts.iter().any(|(changed, part)| !changed && !part.trim().is_empty());
            for (changed, part) in parts {
                let part = part.trim_end_matches(['\n', '\r']);
                let marked = changed && some_stays && !part.is_empty();
                let _ = if marked { write!(line, "{open}{part}{close}") } else { write!(line, "{part}") };
            }
            let _ = writeln!(text, "  {style}{sign} {line}{style:#}");
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_the_words_that_changed() {
        let text = text_diff("a: 1\nwarm: { engine_temp_c: 75 }\n", "a: 1\nwarm: { engine_temp_c: 80 }\n");
        let plain = anstream::adapter::strip_str(&text).to_string();
        assert_eq!(
            plain,
            "    a: 1\n  - warm: { engine_temp_c: [-75-] }\n  + warm: { engine_temp_c: {+80+} }\n"
        );
    }

    #[test]
    fn a_new_file_is_all_added() {
        let plain = anstream::adapter::strip_str(&text_diff("", "x: 1\ny: 2\n")).to_string();
        assert_eq!(plain, "  + x: 1\n  + y: 2\n");
    }
}
