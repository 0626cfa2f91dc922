//! `docs/sums.md` against the registry of workshop sums that it lists.
//!
//! `RIDELOOP_DOCS=write cargo test --test reference sums_page` writes the list anew.

use rideloop::operations::calc::quantity::quantities;
use rideloop::operations::calc::{FUEL_WAYS, Sum, registry};
use std::fmt::Write;
use std::path::{Path, PathBuf};

const BEGIN: &str = "<!-- sums -->\n";
const END: &str = "<!-- end of sums -->";

fn page_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/sums.md")
}

/// The part of one sum.
fn part(sum: &Sum) -> String {
    let mut text = format!(
        "## {}\n\n{}\n\n    rideloop calc {} {}\n\n| flag | is | allowed | without it |\n|---|---|---|---|\n",
        sum.name, sum.about, sum.name, sum.example
    );
    for input in sum.inputs {
        let in_group = sum.one_of.iter().any(|names| names.contains(&input.name));
        let without = match input.default {
            Some(default) => default,
            None if in_group => "one of these",
            None if input.optional => "left out",
            None => "needed",
        };
        let _ =
            writeln!(text, "| `--{}` | {} | {} | {without} |", input.flag(), input.about, input.allowed());
    }
    text.push_str("\n| gives | unit | is |\n|---|---|---|\n");
    for figure in sum.gives {
        let _ = writeln!(text, "| `{}` | {} | {} |", figure.name, figure.unit, figure.about);
    }
    let _ = write!(text, "\n```text\n{}\n```\n\nSource: {}.\n\n", sum.formula.join("\n"), sum.source);
    text
}

fn list_of_sums() -> String {
    let mut text = String::from("\n");
    for sum in registry() {
        text.push_str(&part(sum));
    }
    text.push_str("## Fuels\n\n| `--fuel` | is |\n|---|---|\n");
    for (example, about) in FUEL_WAYS {
        let _ = writeln!(text, "| `{example}` | {about} |");
    }
    text.push_str("\n## Units\n\nThe first is that of bare numbers.\n\n| quantity | units |\n|---|---|\n");
    for quantity in quantities() {
        let known = quantity.known();
        if !known.is_empty() {
            let _ = writeln!(text, "| {} | {known} |", quantity.name);
        }
    }
    text.push('\n');
    text
}

#[test]
fn the_page_lists_every_sum_as_the_registry_has_it() {
    let page = std::fs::read_to_string(page_path()).expect("the page");
    let (before, rest) = page.split_once(BEGIN).expect("the mark before the sums");
    let (sums, behind) = rest.split_once(END).expect("the mark behind the sums");
    let wanted = list_of_sums();
    if std::env::var_os("RIDELOOP_DOCS").is_some_and(|what| what == "write") {
        std::fs::write(page_path(), format!("{before}{BEGIN}{wanted}{END}{behind}")).expect("written");
        return;
    }
    assert_eq!(sums, wanted, "RIDELOOP_DOCS=write cargo test --test reference sums_page writes it anew");
}
