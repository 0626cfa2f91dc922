//! The pages of stages and findings, from their registries.

use super::style::{Align, columns, strong};
use crate::findings::FindingEntry;
use crate::pipeline::StageEntry;
use std::fmt::Write as _;

/// All stages, a line each.
pub fn stage_list(entries: &[StageEntry], width: usize) -> String {
    let rows = entries.iter().map(|e| vec![e.name.to_owned(), e.about.to_owned()]).collect();
    let list = columns(rows, &[Align::Left, Align::Left], width);
    format!(
        "{}\n{list}\n`rideloop stages NAME` shows a stage's settings.\n",
        strong("Stages, in the order of a usual pipeline")
    )
}

/// Names with what each is about.
pub fn name_list(rows: &[(&str, &str)], width: usize) -> String {
    let rows = rows.iter().map(|(name, about)| vec![(*name).to_owned(), (*about).to_owned()]).collect();
    columns(rows, &[Align::Left, Align::Left], width)
}

/// All findings with their rules and sources.
pub fn finding_list(entries: &[&FindingEntry], width: usize) -> String {
    let mut text = format!(
        "{}\n\n{}\n",
        strong("Signs that a sensor or a log lies"),
        wrap(
            "Every run looks for them, and `rideloop check` for those that one ride shows by itself. A serious one \
             keeps its ride out of the run; the others change nothing.",
            width
        )
    );
    for entry in entries {
        let parts = [
            entry.about.to_owned(),
            format!("Severity: {}.", entry.severity),
            format!("Look at: {}.", entry.look_at),
            format!("Source: {}.", entry.source),
        ];
        let _ = write!(text, "\n{}\n", strong(entry.name));
        for part in parts {
            for line in wrap(&part, width.saturating_sub(2)).lines() {
                let _ = writeln!(text, "  {line}");
            }
        }
    }
    text
}

/// The page of one stage.
pub fn stage_page(entry: &StageEntry, width: usize) -> String {
    let mut text =
        format!("{} ({})\n\n{}\n", strong(entry.name), entry.kind.words(), wrap(entry.about, width));
    let settings = entry.settings();
    if !settings.is_empty() {
        let mut rows = vec![vec!["setting".to_owned(), "default".to_owned(), "allowed, meaning".to_owned()]];
        for setting in settings {
            rows.push(vec![setting.name, setting.default, format!("{}. {}", setting.allowed, setting.about)]);
        }
        let _ = write!(text, "\n{}", columns(rows, &[Align::Left, Align::Left, Align::Left], width));
    }
    if !entry.reasons.is_empty() {
        let rows = entry.reasons.iter().map(|r| vec![r.key.to_owned(), r.about.to_owned()]).collect();
        let _ = write!(text, "\nDrops samples for\n{}", columns(rows, &[Align::Left, Align::Left], width));
    }
    let _ = write!(
        text,
        "\nExample\n  {}\n\n{}\n",
        entry.example,
        wrap(&format!("Source: {}.", entry.source), width)
    );
    text
}

/// Words in lines of at most `width` characters.
pub(super) fn wrap(text: &str, width: usize) -> String {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.last_mut().expect("never empty");
        if !last.is_empty() && last.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines.join("\n")
}
