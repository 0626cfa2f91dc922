//! `docs/mixtures.md` against the schema of a plan, and its example against the demo bike.
//!
//! `RIDELOOP_DOCS=write cargo test --test reference mixtures_page` writes the page's list of keys
//! anew from the schema.

use crate::loggers_page::{BEGIN, END, about, ways};
use rideloop::bike::Bike;
use rideloop::mixture_plan::{MixturePlan, schema};
use serde_json::Value;
use std::path::{Path, PathBuf};

fn page_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/mixtures.md")
}

fn page() -> String {
    std::fs::read_to_string(page_path()).expect("the page")
}

/// One row a key, in the order of the schema.
fn rows(at: &str, schema: &Value, rows: &mut Vec<String>) {
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, child) in schema["properties"].as_object().into_iter().flatten() {
        let must = if required.contains(&key.as_str()) { " (must be there)" } else { "" };
        rows.push(format!("| `{at}{key}`{must} | {} |", about(child)));
        ways(child).into_iter().for_each(|way| self::rows(&format!("{at}{key}."), way, rows));
    }
}

#[test]
fn the_page_lists_every_key_of_a_plan_as_the_schema_has_it() {
    let page = page();
    let (before, rest) = page.split_once(BEGIN).expect("the mark before the keys");
    let (keys, behind) = rest.split_once(END).expect("the mark behind the keys");
    let mut lines = Vec::new();
    rows("", &schema(), &mut lines);
    let wanted = format!("\n| key | what it says |\n|---|---|\n{}\n\n", lines.join("\n"));
    if std::env::var_os("RIDELOOP_DOCS").is_some_and(|what| what == "write") {
        std::fs::write(page_path(), format!("{before}{BEGIN}{wanted}{END}{behind}")).expect("written");
        return;
    }
    assert_eq!(keys, wanted, "RIDELOOP_DOCS=write cargo test --test reference mixtures_page writes it anew");
}

#[test]
fn the_page_s_example_is_a_plan_for_the_demo_bike() {
    let page = page();
    let example =
        page.split("```yaml\n").nth(1).and_then(|rest| rest.split("```").next()).expect("an example");
    let bike =
        Bike::parse(Path::new("bike.yaml"), include_str!("../../demo-bike/bike.yaml")).expect("a bike");
    let read = MixturePlan::parse(Path::new("mixtures/economy.yaml"), example, &bike).expect("a plan");
    assert!(read.warnings.is_empty(), "{read:?}");
}
