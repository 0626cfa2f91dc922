//! `docs/loggers.md` against what it describes: the schema of a logger file, and the folders of
//! `tests/fixtures/logs`.
//!
//! `RIDELOOP_DOCS=write cargo test --test reference loggers_page` writes the page's list of keys
//! anew from the schema.

use crate::logs::{folder, quirks};
use rideloop::ride::Channel;
use rideloop::ride::logger::schema;
use serde_json::Value;
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub const BEGIN: &str = "<!-- keys -->\n";
pub const END: &str = "<!-- end of keys -->";

fn page_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/loggers.md")
}

fn page() -> String {
    std::fs::read_to_string(page_path()).expect("the page")
}

/// The schemas that one may be: itself, or the alternatives that are more than `null`.
pub fn ways(schema: &Value) -> Vec<&Value> {
    for key in ["anyOf", "oneOf"] {
        if let Some(all) = schema[key].as_array() {
            return all.iter().filter(|way| way["type"] != "null").collect();
        }
    }
    vec![schema]
}

/// What a key says of itself, with its range and its words.
pub fn about(schema: &Value) -> String {
    let mut text = schema["description"].as_str().unwrap_or_default().replace('\n', " ");
    for way in ways(schema) {
        let words: Vec<String> = ways(way)
            .into_iter()
            .filter_map(|word| {
                Some(format!("`{}`: {}", word["const"].as_str()?, word["description"].as_str()?))
            })
            .collect();
        if !words.is_empty() {
            write!(text, "<br>{}", words.join("<br>").replace('|', "\\|")).expect("a text");
        }
        if let (Some(least), Some(most)) = (way["minimum"].as_f64(), way["maximum"].as_f64()) {
            const LONG: f64 = 1e9;
            let most = if most < LONG { most.to_string() } else { format!("{most:e}") };
            write!(text, " From {least} to {most}.").expect("a text");
        }
    }
    text
}

/// One row a key, in the order of the schema; the keys of the channels only once.
fn rows(at: &str, schema: &Value, rows: &mut Vec<String>) {
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, child) in schema["properties"].as_object().into_iter().flatten() {
        let is_channel = Channel::from_title(key).is_some() && at == "channels.";
        if is_channel {
            if key == Channel::Rpm.name() {
                ways(child).into_iter().for_each(|way| self::rows("channels.NAME.", way, rows));
            }
            continue;
        }
        // What one of several ways needs, the file need not have.
        let is_one_way = at == "layout.";
        let must = if required.contains(&key.as_str()) && !is_one_way { " (must be there)" } else { "" };
        rows.push(format!("| `{at}{key}`{must} | {} |", about(child)));
        let below = format!("{at}{key}.");
        ways(child).into_iter().for_each(|way| self::rows(&below, way, rows));
    }
}

fn list_of_keys() -> String {
    let mut lines = Vec::new();
    rows("", &schema(), &mut lines);
    format!("\n| key | what it says |\n|---|---|\n{}\n\n", lines.join("\n"))
}

#[test]
fn the_page_lists_every_key_as_the_schema_has_it() {
    let page = page();
    let (before, rest) = page.split_once(BEGIN).expect("the mark before the keys");
    let (keys, behind) = rest.split_once(END).expect("the mark behind the keys");
    let wanted = list_of_keys();
    if std::env::var_os("RIDELOOP_DOCS").is_some_and(|what| what == "write") {
        std::fs::write(page_path(), format!("{before}{BEGIN}{wanted}{END}{behind}")).expect("written");
        return;
    }
    assert_eq!(keys, wanted, "RIDELOOP_DOCS=write cargo test --test reference loggers_page writes it anew");
}

#[test]
fn the_page_and_the_folders_name_the_same_quirks() {
    const LINK: &str = "](../tests/fixtures/logs/";
    let page = page();
    let mut named: Vec<&str> =
        page.split(LINK).skip(1).map(|rest| rest.split(')').next().unwrap_or_default()).collect();
    named.sort_unstable();
    assert_eq!(named, quirks(), "docs/loggers.md and {}", folder().display());
}

/// The mapping that the page begins with.
#[test]
fn the_page_s_example_is_a_logger() {
    let page = page();
    let example =
        page.split("```yaml\n").nth(1).and_then(|rest| rest.split("```").next()).expect("an example");
    let read = rideloop::ride::logger::Mapping::parse(Path::new("loggers/box.yaml"), example);
    assert!(read.is_ok(), "{read:?}");
}
