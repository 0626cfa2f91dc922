//! `watch`, as text.

use super::style::strong;

/// What a look is about.
pub fn watch_head(files: &[String]) -> String {
    let what = match files {
        [] => "no new ride".to_owned(),
        files => format!("new: {}", files.join(", ")),
    };
    format!("\n{}\n", strong(&what))
}
