//! One finding about a file: what, where, what to do.
//!
//! Readers push problems instead of stopping at the first, so that `check`
//! can show a whole folder at once.

use std::fmt;
use std::path::{Path, PathBuf};

/// A finding in a file of the bike folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file, as the user would name it.
    pub path: PathBuf,
    /// One-based line, 0 when the whole file is meant.
    pub line: u64,
    /// One-based column, 0 when the whole line is meant.
    pub column: u64,
    /// What was found and what is allowed.
    pub what: String,
    /// What to do about it, when that is not obvious.
    pub hint: Option<String>,
}

impl Problem {
    /// A problem of a whole file.
    pub fn in_file(path: impl AsRef<Path>, what: impl Into<String>) -> Self {
        Self::at(path, 0, 0, what)
    }

    /// A problem at a line and column.
    pub fn at(path: impl AsRef<Path>, line: u64, column: u64, what: impl Into<String>) -> Self {
        Self { path: path.as_ref().to_path_buf(), line, column, what: what.into(), hint: None }
    }

    /// The same problem with advice.
    pub fn with_hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.path.display())?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
            if self.column > 0 {
                write!(f, ":{}", self.column)?;
            }
        }
        write!(f, ": {}", self.what)
    }
}

/// An error of the file system in words. An unfinished file names itself in its errors, and whoever
/// asked for it knows only the finished one, which is named elsewhere.
pub fn io_words(error: &std::io::Error) -> String {
    let text = error.to_string();
    match text.split_once(" at path \"") {
        Some((words, _)) if error.get_ref().is_some() => words.to_owned(),
        _ => text,
    }
}

/// Several findings reported together.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", list(.0))]
pub struct Problems(pub Vec<Problem>);

fn list(problems: &[Problem]) -> String {
    let lines: Vec<String> = problems.iter().map(Problem::to_string).collect();
    lines.join("\n")
}

impl Problems {
    /// `Ok` when nothing was found.
    ///
    /// # Errors
    /// The problems themselves.
    pub fn into_result(self) -> Result<(), Problems> {
        if self.0.is_empty() { Ok(()) } else { Err(self) }
    }
}

impl From<Problem> for Problems {
    fn from(problem: Problem) -> Self {
        Self(vec![problem])
    }
}

/// The known name nearest to a mistyped one, when it is near enough to suggest.
pub fn nearest<'a>(found: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    const NEAR_ENOUGH: f64 = 0.6;
    known
        .into_iter()
        .map(|name| (similar::TextDiff::from_chars(found, name).ratio() as f64, name))
        .filter(|(ratio, _)| *ratio >= NEAR_ENOUGH)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn suggests_the_nearest_known_name() {
        assert_eq!(nearest("engin_temp_c", ["engine_temp_c", "settle_s"]), Some("engine_temp_c"));
        assert_eq!(nearest("zzz", ["engine_temp_c"]), None);
    }

    #[test]
    fn shows_only_the_position_it_has() {
        assert_eq!(Problem::in_file("a.csv", "is empty").to_string(), "a.csv: is empty");
        assert_eq!(Problem::at("a.csv", 3, 0, "x").to_string(), "a.csv:3: x");
        assert_eq!(Problem::at("a.csv", 3, 7, "x").to_string(), "a.csv:3:7: x");
    }
}
