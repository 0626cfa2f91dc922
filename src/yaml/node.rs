//! YAML text as a tree of values that remember where they stood.

use crate::problem::{Problem, Problems};
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_yaml::Spanned;
use std::fmt;
use std::path::Path;

/// A value and its place in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Node {
    /// One-based line of the value.
    pub line: u64,
    /// One-based column of the value.
    pub column: u64,
    /// The value.
    pub value: Value,
}

/// What a node holds.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Nothing, `~` or `null`.
    Null,
    /// `true` or `false`.
    Bool(bool),
    /// Any number, also a non-finite one, which the check refuses.
    Number(f64),
    /// Text.
    Text(String),
    /// A list.
    List(Vec<Node>),
    /// A mapping, in the file's order.
    Map(Vec<Entry>),
}

/// A key of a mapping with its value.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The key as text.
    pub key: String,
    /// One-based line of the key.
    pub line: u64,
    /// One-based column of the key.
    pub column: u64,
    /// What the key holds.
    pub node: Node,
}

impl Node {
    /// The value under a key, when this is a mapping that has it.
    pub fn get(&self, key: &str) -> Option<&Node> {
        match &self.value {
            Value::Map(entries) => entries.iter().find(|e| e.key == key).map(|e| &e.node),
            _ => None,
        }
    }

    /// The place of a nested value, by keys and list positions, as far as it
    /// exists: the nearest enclosing place otherwise.
    pub fn place(&self, path: &[&str]) -> (u64, u64) {
        let mut here = self;
        for step in path {
            let next = match &here.value {
                Value::List(items) => step.parse::<usize>().ok().and_then(|i| items.get(i)),
                _ => here.get(step),
            };
            match next {
                Some(node) => here = node,
                None => break,
            }
        }
        (here.line, here.column)
    }

    /// What kind of value this is, in words.
    pub fn kind(&self) -> &'static str {
        match self.value {
            Value::Null => "nothing",
            Value::Bool(_) => "true or false",
            Value::Number(_) => "a number",
            Value::Text(_) => "text",
            Value::List(_) => "a list",
            Value::Map(_) => "a mapping",
        }
    }

    /// The same value as JSON; whole numbers become integers.
    pub fn to_json(&self) -> serde_json::Value {
        const EXACT: f64 = 9_007_199_254_740_992.0;
        match &self.value {
            Value::Null => serde_json::Value::Null,
            Value::Bool(b) => (*b).into(),
            Value::Number(n) if n.fract() == 0.0 && n.abs() < EXACT => (*n as i64).into(),
            Value::Number(n) => (*n).into(),
            Value::Text(t) => t.as_str().into(),
            Value::List(items) => items.iter().map(Node::to_json).collect(),
            Value::Map(entries) => entries
                .iter()
                .map(|e| (e.key.clone(), e.node.to_json()))
                .collect::<serde_json::Map<_, _>>()
                .into(),
        }
    }
}

/// Parses one YAML document.
///
/// # Errors
/// Where the text stops being YAML, holds a key twice, or is absurdly large.
pub fn parse(path: &Path, text: &str) -> Result<Node, Problems> {
    // A settings file holds some hundred nodes; this bound stops alias bombs early.
    const MAX_NODES: usize = 20_000;
    let options = serde_yaml::options! {
        strict_booleans: true,
        with_snippet: false,
        budget: serde_yaml::budget! { max_nodes: MAX_NODES },
    };
    match serde_yaml::from_str_with_options::<Node>(text, options) {
        Ok(node) => Ok(node),
        Err(error) => {
            let (line, column) = error.location().map_or((0, 0), |at| (at.line(), at.column()));
            let message = error.without_snippet().to_string();
            Err(Problem::at(path, line, column, tidy(&message)).into())
        }
    }
}

/// The parser's message in words for a person with a text editor.
fn tidy(message: &str) -> String {
    let first = message.lines().next().unwrap_or(message);
    let first = first.rfind(" at line ").map_or(first, |end| &first[..end]);
    let known = [
        ("duplicate mapping key", "this key appears twice"),
        ("non-finite", "this must be a finite number"),
        ("budget", "the file is far too large or refers to itself too often"),
        ("alias", "references (`*name`) are not understood here"),
        ("recursive", "references (`*name`) are not understood here"),
        ("multiple", "the file must hold one document, without further `---` lines"),
    ];
    let found = known.iter().find(|(theirs, _)| first.contains(theirs));
    match (found, first.split_once(": ").map(|(_, rest)| rest)) {
        (Some((theirs, ours)), Some(rest)) if *theirs == "duplicate mapping key" => {
            let key = rest.split([',', ' ']).next().unwrap_or_default();
            format!("{ours}: {key}")
        }
        (Some((_, ours)), _) => (*ours).to_owned(),
        (None, _) => first.to_owned(),
    }
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let spanned = Spanned::<Value>::deserialize(deserializer)?;
        Ok(Node {
            line: spanned.referenced.line(),
            column: spanned.referenced.column(),
            value: spanned.value,
        })
    }
}

impl<'de> Deserialize<'de> for Value {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(AnyValue)
    }
}

struct AnyValue;

impl<'de> Visitor<'de> for AnyValue {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a YAML value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_none<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_some<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(AnyValue)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(Value::Number(value as f64))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(Value::Number(value as f64))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Value, E> {
        Ok(Value::Number(value))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::Text(value.to_owned()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = seq.next_element::<Node>()? {
            items.push(item);
        }
        Ok(Value::List(items))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let mut entries = Vec::new();
        while let Some(key) = map.next_key::<Spanned<String>>()? {
            let node = map.next_value::<Node>()?;
            entries.push(Entry {
                line: key.referenced.line(),
                column: key.referenced.column(),
                key: key.value,
                node,
            });
        }
        Ok(Value::Map(entries))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tree(text: &str) -> Node {
        parse(Path::new("t.yaml"), text).expect("valid YAML")
    }

    #[test]
    fn remembers_where_values_stood() {
        let node = tree("a: 1\nb:\n  - x\n  - { 10: 1.35, c: yes }\n");
        assert_eq!(node.place(&["a"]), (1, 4));
        assert_eq!(node.place(&["b", "0"]), (3, 5));
        assert_eq!(node.place(&["b", "1", "10"]), (4, 11));
        assert!(matches!(
            node.get("b").expect("b").value,
            Value::List(ref items) if items.len() == 2
        ));
    }

    #[test]
    fn refuses_a_key_that_stands_twice_and_says_where() {
        let problem = &parse(Path::new("t.yaml"), "a: 1\nb: 2\na: 3\n").expect_err("twice").0[0];
        assert_eq!(problem.line, 3, "{problem}");
        assert!(problem.what.contains("appears twice"), "{problem}");
    }

    #[test]
    fn refuses_an_alias_bomb() {
        let mut text = String::from("a0: &a0 [x, x, x, x, x, x, x, x, x]\n");
        for i in 1..9 {
            let list = vec![format!("*a{}", i - 1); 9].join(", ");
            text.push_str(&format!("a{i}: &a{i} [{list}]\n"));
        }
        assert!(parse(Path::new("t.yaml"), &text).is_err());
    }

    #[test]
    fn broken_text_is_a_problem_with_a_place() {
        let problem = &parse(Path::new("t.yaml"), "a: [1, 2\nb: 3\n").expect_err("broken").0[0];
        assert!(problem.line > 0, "{problem}");
    }
}
