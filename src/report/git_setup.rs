//! `git-setup`, as text.

use crate::operations::GitSetupReport;

/// What git knows now.
pub fn git_setup(report: &GitSetupReport) -> String {
    let settings = match report.driver_added {
        true => "git now shows tables one line a cell: try `git log -p` or `git blame` on a table",
        false => "git's settings already say how to show tables",
    };
    let attributes = match report.attributes_known {
        true => "",
        false => {
            ".gitattributes does not name all tables yet; the next command that makes a revision adds it\n"
        }
    };
    format!("{settings}\n{attributes}")
}
