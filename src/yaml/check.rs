//! A located YAML tree checked against a JSON Schema.
//!
//! The schemas come from `schemars`, derived from the settings' types, with
//! everything inlined. Only the keywords those types produce are understood:
//! `type`, `properties`, `required`, `additionalProperties`, `items`,
//! `minItems`, `maxItems`, `minimum`, `maximum`, `exclusiveMinimum`, `enum`,
//! `const`, `oneOf` and `anyOf`.

use super::node::{Node, Value};
use crate::problem::{Problem, nearest};
use crate::units;
use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde_json::Value as Json;
use std::path::Path;

/// The JSON Schema of a settings type, with nested types written in place.
pub fn schema_of<T: JsonSchema>() -> Json {
    let settings = SchemaSettings::draft2020_12().with(|s| s.inline_subschemas = true);
    settings.into_generator().into_root_schema_for::<T>().to_value()
}

/// Every place where the tree does not fit the schema.
pub fn check(path: &Path, node: &Node, schema: &Json) -> Vec<Problem> {
    let mut found = Vec::new();
    Checker { path, found: &mut found }.value(WHOLE, node, schema);
    found
}

/// What the outermost value is called.
const WHOLE: &str = "the file";

struct Checker<'a> {
    path: &'a Path,
    found: &'a mut Vec<Problem>,
}

impl Checker<'_> {
    fn say(&mut self, node: &Node, what: String) {
        self.found.push(Problem::at(self.path, node.line, node.column, what));
    }

    fn value(&mut self, name: &str, node: &Node, schema: &Json) {
        if let Some(choices) = choices_of(schema) {
            return self.choice(name, node, &choices);
        }
        if !fits_kind(node, schema) {
            let allowed = describe(schema);
            let found = shown(node);
            return self.say(node, format!("{name} must be {allowed}, got {found}"));
        }
        match &node.value {
            Value::Number(n) => self.number(name, node, *n, schema),
            Value::Text(t) => self.text(name, node, t, schema),
            Value::List(items) => self.list(name, node, items, schema),
            Value::Map(_) => self.map(name, node, schema),
            Value::Null | Value::Bool(_) => {}
        }
    }

    fn choice(&mut self, name: &str, node: &Node, choices: &[&Json]) {
        let words: Vec<&str> = choices.iter().filter_map(|c| c["const"].as_str()).collect();
        if let Value::Text(text) = &node.value
            && !words.is_empty()
        {
            if !words.contains(&text.as_str()) {
                self.unknown_word(name, node, text, &words);
            }
            return;
        }
        match choices.iter().find(|c| fits_kind(node, c)) {
            Some(schema) => self.value(name, node, schema),
            None => {
                let allowed: Vec<String> = choices.iter().map(|c| describe(c)).collect();
                let found = shown(node);
                self.say(node, format!("{name} must be {}, got {found}", allowed.join(" or ")));
            }
        }
    }

    fn unknown_word(&mut self, name: &str, node: &Node, text: &str, words: &[&str]) {
        let what = format!("{name} must be one of {}, got `{text}`", words.join(", "));
        let mut problem = Problem::at(self.path, node.line, node.column, what);
        if let Some(near) = nearest(text, words.iter().copied()) {
            problem = problem.with_hint(format!("did you mean `{near}`?"));
        }
        self.found.push(problem);
    }

    fn number(&mut self, name: &str, node: &Node, n: f64, schema: &Json) {
        if !n.is_finite() {
            return self.say(node, format!("{name} must be a finite number, got {n}"));
        }
        if is_type(schema, "integer") && !is_type(schema, "number") && n.fract() != 0.0 {
            return self.say(node, format!("{name} must be a whole number, got {n}"));
        }
        let (min, max) = (schema["minimum"].as_f64(), schema["maximum"].as_f64());
        let above = schema["exclusiveMinimum"].as_f64();
        let too_small = min.is_some_and(|m| n < m) || above.is_some_and(|m| n <= m);
        if too_small || max.is_some_and(|m| n > m) {
            let allowed = bounds(schema);
            let hint = unit_hint(name);
            let what = format!("{name} must be {allowed}, got {}", units::plain(n));
            let mut problem = Problem::at(self.path, node.line, node.column, what);
            problem.hint = hint;
            self.found.push(problem);
        }
    }

    fn text(&mut self, name: &str, node: &Node, text: &str, schema: &Json) {
        if let Some(words) = schema["enum"].as_array() {
            let words: Vec<&str> = words.iter().filter_map(Json::as_str).collect();
            if !words.contains(&text) {
                self.unknown_word(name, node, text, &words);
            }
        }
        if schema["minLength"].as_u64().is_some_and(|min| (text.len() as u64) < min) {
            self.say(node, format!("{name} must not be empty"));
        }
    }

    fn list(&mut self, name: &str, node: &Node, items: &[Node], schema: &Json) {
        let (min, max) = (schema["minItems"].as_u64(), schema["maxItems"].as_u64());
        let n = items.len() as u64;
        if min.is_some_and(|m| n < m) || max.is_some_and(|m| n > m) {
            let allowed = match (min, max) {
                (Some(a), Some(b)) if a == b => format!("exactly {a} values"),
                (Some(a), Some(b)) => format!("{a} to {b} values"),
                (Some(a), None) => format!("at least {a} value(s)"),
                _ => format!("at most {} values", max.unwrap_or_default()),
            };
            self.say(node, format!("{name} must hold {allowed}, got {n}"));
        }
        for (i, item) in items.iter().enumerate() {
            let item_schema = schema["prefixItems"].get(i).unwrap_or(&schema["items"]);
            if item_schema.is_object() {
                let item_name = match name {
                    WHOLE => format!("entry {}", i + 1),
                    _ => format!("{name} (value {})", i + 1),
                };
                self.value(&item_name, item, item_schema);
            }
        }
    }

    fn map(&mut self, name: &str, node: &Node, schema: &Json) {
        let Value::Map(entries) = &node.value else { return };
        let none = serde_json::Map::new();
        let known = schema["properties"].as_object().unwrap_or(&none);
        let free = &schema["additionalProperties"];
        for entry in entries {
            let key_name = format!("`{}`", entry.key);
            match known.get(&entry.key) {
                Some(child) => self.value(&key_name, &entry.node, child),
                None if free.is_object() => self.value(&key_name, &entry.node, free),
                None => self.unknown_key(&entry.key, entry.line, entry.column, known),
            }
        }
        for key in schema["required"].as_array().into_iter().flatten() {
            let key = key.as_str().unwrap_or_default();
            if node.get(key).is_none() {
                let inside = if name == WHOLE { String::new() } else { format!(" in {name}") };
                self.say(node, format!("`{key}` is missing{inside}"));
            }
        }
    }

    fn unknown_key(&mut self, key: &str, line: u64, column: u64, known: &serde_json::Map<String, Json>) {
        let names: Vec<&str> = known.keys().map(String::as_str).collect();
        let allowed = if names.is_empty() {
            "no settings are known here".to_owned()
        } else {
            format!("known here: {}", names.join(", "))
        };
        let what = format!("unknown key `{key}`; {allowed}");
        let mut problem = Problem::at(self.path, line, column, what);
        if let Some(near) = nearest(key, names.iter().copied()) {
            problem = problem.with_hint(format!("did you mean `{near}`?"));
        }
        self.found.push(problem);
    }
}

/// The alternatives of a schema that is a choice.
fn choices_of(schema: &Json) -> Option<Vec<&Json>> {
    let list = schema["oneOf"].as_array().or(schema["anyOf"].as_array())?;
    // One level of nesting: an optional choice is `anyOf [oneOf […], null]`.
    let flat = list.iter().flat_map(|s| choices_of(s).unwrap_or_else(|| vec![s]));
    Some(flat.collect())
}

fn is_type(schema: &Json, name: &str) -> bool {
    match &schema["type"] {
        Json::String(t) => t == name,
        Json::Array(list) => list.iter().any(|t| t == name),
        _ => false,
    }
}

fn fits_kind(node: &Node, schema: &Json) -> bool {
    if schema["type"].is_null() && schema["const"].is_null() && schema["enum"].is_null() {
        return true;
    }
    match node.value {
        Value::Null => is_type(schema, "null"),
        Value::Bool(_) => is_type(schema, "boolean"),
        Value::Number(_) => is_type(schema, "number") || is_type(schema, "integer"),
        Value::Text(_) => is_type(schema, "string") || schema["const"].is_string(),
        Value::List(_) => is_type(schema, "array"),
        Value::Map(_) => is_type(schema, "object"),
    }
}

/// What a schema allows, in words.
fn describe(schema: &Json) -> String {
    if let Some(word) = schema["const"].as_str() {
        return format!("`{word}`");
    }
    if let Some(words) = schema["enum"].as_array() {
        let words: Vec<&str> = words.iter().filter_map(Json::as_str).collect();
        return format!("one of {}", words.join(", "));
    }
    if let Some(choices) = schema["oneOf"].as_array() {
        let words: Vec<&str> = choices.iter().filter_map(|c| c["const"].as_str()).collect();
        if !words.is_empty() {
            return format!("one of {}", words.join(", "));
        }
    }
    let kinds = [
        ("integer", "a whole number"),
        ("number", "a number"),
        ("string", "text"),
        ("boolean", "true or false"),
        ("array", "a list"),
        ("object", "a mapping"),
    ];
    let named: Vec<&str> =
        kinds.iter().filter(|(t, _)| is_type(schema, t)).map(|(_, words)| *words).collect();
    if named.is_empty() { "nothing".to_owned() } else { named.join(" or ") }
}

/// The bounds of a number in words, for messages and documentation.
fn bounds(schema: &Json) -> String {
    let text = |key: &str| schema[key].as_f64().map(units::plain);
    match (text("minimum"), text("exclusiveMinimum"), text("maximum")) {
        (Some(a), _, Some(b)) => format!("between {a} and {b}"),
        (None, Some(a), Some(b)) => format!("above {a} and at most {b}"),
        (Some(a), _, None) => format!("at least {a}"),
        (None, Some(a), None) => format!("above {a}"),
        (None, None, Some(b)) => format!("at most {b}"),
        (None, None, None) => "any number".to_owned(),
    }
}

/// What a schema allows, with bounds, for documentation.
pub fn allowed(schema: &Json) -> String {
    let number = is_type(schema, "number") || is_type(schema, "integer");
    let bounded = ["minimum", "maximum", "exclusiveMinimum"].iter().any(|k| !schema[*k].is_null());
    match (number && bounded, schema["items"].is_object()) {
        (true, _) if is_type(schema, "integer") => format!("a whole number {}", bounds(schema)),
        (true, _) => format!("a number {}", bounds(schema)),
        (false, true) => {
            let of = describe(&schema["items"]);
            format!("{} of {}", describe(schema), if of == "a number" { "numbers" } else { of.as_str() })
        }
        (false, false) => describe(schema),
    }
}

fn shown(node: &Node) -> String {
    match &node.value {
        Value::Text(t) => format!("`{t}`"),
        Value::Number(n) => units::plain(*n),
        Value::Bool(b) => format!("`{b}`"),
        _ => node.kind().to_owned(),
    }
}

fn unit_hint(name: &str) -> Option<String> {
    let name = name.trim_matches('`');
    let unit = [
        ("_temp_c", "temperatures are in °C"),
        ("_kpa", "pressures are in kPa"),
        ("_pct", "this is in percent"),
        ("_s", "times are in seconds"),
        ("_cc", "volumes are in cubic centimetres"),
        ("_ml", "volumes are in millilitres"),
    ];
    let found = unit.iter().find(|(suffix, _)| name.ends_with(suffix));
    found.map(|(_, hint)| (*hint).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::yaml::read;
    use serde::{Deserialize, Serialize};

    #[derive(Debug, Serialize, Deserialize, JsonSchema)]
    #[serde(deny_unknown_fields)]
    #[allow(dead_code, reason = "only the checks are under test")]
    struct Warm {
        /// Engine is warm from here on.
        #[schemars(range(min = -40.0, max = 200.0))]
        engine_temp_c: f64,
        #[serde(default)]
        settle: Option<Settle>,
        #[serde(default)]
        window: Option<[f64; 2]>,
    }

    #[derive(Debug, Serialize, Deserialize, JsonSchema)]
    #[serde(rename_all = "snake_case")]
    enum Settle {
        /// Briefly.
        Short,
        /// Long.
        Long,
    }

    fn messages(text: &str) -> Vec<String> {
        match read::<Warm>(Path::new("p.yaml"), text) {
            Ok(_) => Vec::new(),
            Err(problems) => problems.0.iter().map(Problem::to_string).collect(),
        }
    }

    #[test]
    fn says_the_bound_the_place_and_the_value() {
        let found = messages("engine_temp_c: 700\n");
        assert_eq!(found, ["p.yaml:1:16: `engine_temp_c` must be between -40 and 200, got 700"]);
        assert!(messages("engine_temp_c: -40\n").is_empty());
    }

    #[test]
    fn finds_every_problem_of_a_file_at_once() {
        let found = messages("engin_temp_c: 70\nsettle: medium\nwindow: [1, 2, 3]\n");
        assert_eq!(found.len(), 4, "{found:#?}");
        assert!(found[0].contains("unknown key `engin_temp_c`"), "{found:#?}");
        assert!(found[1].contains("one of short, long"), "{found:#?}");
        assert!(found[2].contains("exactly 2 values"), "{found:#?}");
        assert!(found[3].contains("`engine_temp_c` is missing"), "{found:#?}");
    }

    #[test]
    fn refuses_numbers_that_are_not_finite() {
        let found = messages("engine_temp_c: .nan\n");
        assert!(found[0].contains("finite"), "{found:#?}");
        let found = messages("engine_temp_c: warm\n");
        assert!(found[0].contains("must be a number, got `warm`"), "{found:#?}");
    }
}
