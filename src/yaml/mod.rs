//! YAML text → located nodes → checked, typed settings.
//!
//! Every YAML file of a bike folder goes through [`read`]: the text becomes a
//! tree that remembers lines and columns, the tree is checked against the JSON
//! Schema that is derived from the settings' own type (so the bounds a user
//! reads in the documentation are the bounds that are enforced), and only then
//! is it turned into the type. All problems of a file are found at once.

mod check;
mod node;

pub use check::{allowed, check, schema_of};
pub use node::{Entry, Node, Value, parse};

use crate::problem::{Problem, Problems};
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use std::path::Path;

/// Reads settings from YAML text.
///
/// # Errors
/// Every problem of the file, with line and column: broken YAML, duplicate and
/// unknown keys, missing keys, wrong kinds, values out of bounds.
pub fn read<T: DeserializeOwned + JsonSchema>(path: &Path, text: &str) -> Result<T, Problems> {
    let node = parse(path, text)?;
    read_node(path, &node)
}

/// Reads settings from a node that is part of a larger file.
///
/// # Errors
/// As [`read`].
pub fn read_node<T: DeserializeOwned + JsonSchema>(path: &Path, node: &Node) -> Result<T, Problems> {
    let problems = check(path, node, &schema_of::<T>());
    if !problems.is_empty() {
        return Err(Problems(problems));
    }
    serde_json::from_value(node.to_json())
        .map_err(|error| Problem::at(path, node.line, node.column, error.to_string()).into())
}
