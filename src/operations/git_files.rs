//! What git must know of a bike folder: `.gitignore`, `.gitattributes`, and how to show a table.

use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::{EVIDENCE_FOLDER, FileSource, MAPS_FOLDER, REPORTS_FOLDER, RIDES_FOLDER};
use crate::ledger::{FileWrite, Store, TABLE_DRIVER};
use crate::problem::Problem;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

const ATTRIBUTES_FILE: &str = ".gitattributes";
const IGNORE_FILE: &str = ".gitignore";

/// What `git-setup` did.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct GitSetupReport {
    /// The repository's settings did not have the driver yet.
    pub driver_added: bool,
    /// `.gitattributes` names the driver; where it does not, the next command that
    /// makes a revision adds it.
    pub attributes_known: bool,
}

/// Tells the repository's own settings how git is to show tables; for a clone,
/// which carries the files but not the settings.
///
/// # Errors
/// When there is no repository, or its settings cannot be written.
pub fn git_setup(root: &Path) -> Result<GitSetupReport, OperationError> {
    let bike = OpenBike::open(root)?;
    let Some(store) = &bike.store else {
        return Err(OperationError::failed(
            "this folder has no repository yet",
            "the first command that makes a revision makes it, with these settings",
        ));
    };
    let lock = store.lock()?;
    store.recover(&lock)?;
    Ok(GitSetupReport {
        driver_added: store.set_table_driver(&lock)?,
        attributes_known: bike.missing_attributes()?.is_none(),
    })
}

impl OpenBike {
    /// `.gitignore` and `.gitattributes`, as far as they lack what they need.
    pub(super) fn git_files(&self) -> Result<Vec<FileWrite>, OperationError> {
        let changed = [(IGNORE_FILE, self.missing_ignore()?), (ATTRIBUTES_FILE, self.missing_attributes()?)];
        let files = changed.into_iter().filter_map(|(path, text)| {
            Some(FileWrite { path: path.to_owned(), bytes: Some(text?.into_bytes()) })
        });
        Ok(files.collect())
    }

    /// `.gitignore` with what it lacks; `None` when it lacks nothing.
    fn missing_ignore(&self) -> Result<Option<String>, Problem> {
        let text = self.folder.work_tree().text(IGNORE_FILE)?.unwrap_or_default();
        let wanted = [
            ("# Rides are known by their hash; their bytes stay outside git.", RIDES_FOLDER),
            ("# Pages are made anew from the history.", REPORTS_FOLDER),
        ];
        let mut added = String::new();
        for (remark, folder) in wanted {
            let known = [format!("/{folder}/"), format!("{folder}/")];
            if !text.lines().any(|line| known.iter().any(|k| k == line.trim())) {
                added.push_str(&format!("{remark}\n/{folder}/\n"));
            }
        }
        Ok((!added.is_empty()).then(|| appended(&text, &added)))
    }

    /// `.gitattributes` with what it lacks; `None` when it lacks nothing.
    fn missing_attributes(&self) -> Result<Option<String>, Problem> {
        let text = self.folder.work_tree().text(ATTRIBUTES_FILE)?.unwrap_or_default();
        Ok(with_attributes(&text))
    }
}

/// Adds the lines that are missing, below whatever the user wrote.
fn with_attributes(text: &str) -> Option<String> {
    // The remark, the attribute's name, and the lines that set it.
    let wanted = [
        (
            "# Tables, evidence and settings are kept byte for byte.",
            "text",
            vec!["*.csv -text".to_owned(), "*.jsonl -text".to_owned(), "*.yaml -text".to_owned()],
        ),
        (
            "# Plain git shows tables and evidence one line a cell (`rideloop git-setup` in a clone).",
            "diff",
            vec![
                format!("{MAPS_FOLDER}/**/*.csv diff={TABLE_DRIVER}"),
                format!("{EVIDENCE_FOLDER}/*.csv diff={TABLE_DRIVER}"),
            ],
        ),
    ];
    let mut added = String::new();
    for (remark, attribute, lines) in wanted {
        let missing: Vec<&String> = lines.iter().filter(|line| !is_set(text, line, attribute)).collect();
        if !missing.is_empty() {
            added.push_str(remark);
            added.push('\n');
        }
        for line in missing {
            added.push_str(line);
            added.push('\n');
        }
    }
    (!added.is_empty()).then(|| appended(text, &added))
}

/// Whether the text sets the attribute for the pattern of a line, to whatever value: then it is
/// the user's own wish.
fn is_set(text: &str, line: &str, attribute: &str) -> bool {
    let pattern = line.split_whitespace().next();
    text.lines().any(|own| {
        let mut words = own.split_whitespace();
        let name = |word: &str| word.trim_start_matches(['-', '!']).split('=').next() == Some(attribute);
        words.next() == pattern && words.any(name)
    })
}

fn appended(text: &str, added: &str) -> String {
    let gap = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
    format!("{text}{gap}{added}")
}

/// Sets the table driver where it is missing. Nothing but comfort hangs on it, so a command that
/// made its revision does not fail for settings that cannot be written.
pub(super) fn try_table_driver(store: &Store, lock: &crate::ledger::WriterLock) {
    let _ = store.set_table_driver(lock);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn attributes_are_added_once_and_below_the_user_s_own() {
        let fresh = with_attributes("").expect("all are missing");
        assert_eq!(with_attributes(&fresh), None);
        let own = "*.csv -text\n*.png binary";
        let added = with_attributes(own).expect("some are missing");
        assert!(added.starts_with("*.csv -text\n*.png binary\n# Tables"), "{added}");
        assert_eq!(added.matches("*.csv -text").count(), 1);
        assert_eq!(with_attributes(&added), None);
    }

    #[test]
    fn the_user_s_own_wish_stands() {
        let own =
            "*.csv text eol=lf\n*.jsonl text\n*.yaml !text\nmaps/**/*.csv -diff\nevidence/*.csv diff=mine\n";
        assert_eq!(with_attributes(own), None);
    }
}
