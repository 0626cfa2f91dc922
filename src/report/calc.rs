//! What a workshop sum gives, for people.

use super::documentation::wrap;
use super::style::{Align, columns, faint, strong, warning};
use crate::operations::calc::{Figure, Sum, SumReport};
use crate::units::fixed;
use std::fmt::Write as _;

/// The sums, a line each.
pub fn sum_list(sums: &[&Sum], width: usize) -> String {
    let rows = sums.iter().map(|sum| vec![sum.name.to_owned(), sum.about.to_owned()]).collect();
    let list = columns(rows, &[Align::Left, Align::Left], width);
    format!(
        "{}\n{list}\n`rideloop calc SUM --help` tells what it needs; `--explain` shows formula and source.\n",
        strong("Workshop sums")
    )
}

/// The numbers, each with its unit and what it is; then what they were worked out from.
pub fn sum(report: &SumReport, explain: bool, width: usize) -> String {
    let shown = &report.shown;
    let rows = shown.results.iter().map(|(figure, value)| {
        vec![fixed(*value, figure.decimals), figure.unit.to_owned(), figure.about.to_owned()]
    });
    let mut text = columns(rows.collect(), &[Align::Right, Align::Left, Align::Left], width);
    if !shown.rows.is_empty() {
        let _ = write!(text, "\n{}", lines(shown.columns, &shown.rows, width));
    }
    for caution in &report.cautions {
        let _ = write!(text, "\n{}\n", wrap(&format!("{}: {caution}", warning("caution")), width));
    }
    for note in &report.notes {
        let _ = write!(text, "\n{}\n", wrap(&format!("note: {note}"), width));
    }
    text.push('\n');
    if !shown.given.is_empty() {
        let _ = writeln!(text, "{}", faint(&wrap(&format!("from {}", shown.given.join(" ")), width)));
    }
    if !shown.assumed.is_empty() {
        let _ = writeln!(text, "{}", faint(&wrap(&format!("assumed {}", shown.assumed.join(" ")), width)));
    }
    if explain {
        let _ = write!(text, "\n{}\n", strong("How"));
        for line in &report.formula {
            let _ = writeln!(text, "  {line}");
        }
        let _ = writeln!(text, "\n{}", wrap(&format!("Source: {}.", report.source), width));
    }
    text
}

/// The lines of a sum over a range.
fn lines(figures: &[Figure], rows: &[Vec<f64>], width: usize) -> String {
    let head = figures.iter().map(|figure| format!("{}, {}", figure.about, figure.unit)).collect();
    let body = rows.iter().map(|row| figures.iter().zip(row).map(|(f, v)| fixed(*v, f.decimals)).collect());
    let all = [head].into_iter().chain(body).collect();
    columns(all, &vec![Align::Right; figures.len()], width)
}
