//! The checks that need more than one value.

use crate::problem::Problem;
use crate::yaml::Node;
use std::path::Path;

/// bike.yaml as it was written, and what is wrong with it.
pub(super) struct Meaning<'a> {
    pub path: &'a Path,
    pub node: &'a Node,
    pub found: Vec<Problem>,
}

impl Meaning<'_> {
    /// Notes what is wrong with the value at these keys.
    pub(super) fn say(&mut self, at: &[&str], what: impl Into<String>) {
        let (line, column) = self.node.place(at);
        self.found.push(Problem::at(self.path, line, column, what));
    }
}
