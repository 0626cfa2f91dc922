//! One cell through all revisions, as text.

use super::style::{Align, columns, strong};
use crate::operations::CellReport;
use crate::units;
use std::fmt::Write as _;

/// One cell through all revisions, newest first.
pub fn cell(report: &CellReport, width: usize) -> String {
    let unit = report.load_axis.unit();
    let mut text = format!(
        "{}, slot {}, wanted lambda {}\n",
        strong(&format!("{} rpm, {} {unit}", units::plain(report.rpm), units::plain(report.load))),
        report.slot,
        units::fixed(report.wanted_lambda, 3)
    );
    if let Some((rpm, load)) = report.asked {
        let _ =
            writeln!(text, "the cell nearest to {} rpm, {} {unit}", units::plain(rpm), units::plain(load));
    }
    if let Some(why) = &report.locked {
        let _ = writeln!(text, "locked: {why}");
    }
    if let (Some(stock), Some(total)) = (report.stock, report.total) {
        let _ = writeln!(
            text,
            "stock map {}, with today's trim {}",
            units::fixed(stock, 2),
            strong(&units::fixed(total, 2))
        );
    }
    // The wanted lambda stands above; in the rows it is shown where it ever was another one, and both
    // beside each other where there is spark.
    let has_spark = report.steps.iter().any(|step| step.spark_deg.is_some());
    let has_lambda =
        has_spark || report.steps.iter().any(|step| step.wanted_lambda != report.steps[0].wanted_lambda);
    let titles = ["rev", "kind", "value", "change", "lambda", "spark", "required", "s", "visits", "rides"];
    let is_shown = |title: &&&str| match **title {
        "spark" => has_spark,
        "lambda" => has_lambda,
        _ => true,
    };
    let titles = titles.iter().filter(is_shown).chain(&["held by, rides"]);
    let mut rows: Vec<Vec<String>> = vec![titles.map(|title| (*title).to_owned()).collect()];
    for step in &report.steps {
        let evidence = step.evidence.as_ref();
        let required = evidence.and_then(|e| Some((e.required?, e.std_error?)));
        let mut notes: Vec<String> = evidence.and_then(|e| e.held_by.clone()).into_iter().collect();
        notes.extend(step.rides.iter().map(|r| r.file.clone()));
        notes.extend(step.why.clone());
        let mut row = vec![
            step.revision.clone(),
            super::history::kind(step.kind),
            units::fixed(step.value, report.decimals),
            step.change_pct.map(|c| format!("{} %", units::signed(c, 1))).unwrap_or_default(),
        ];
        if has_lambda {
            row.push(step.wanted_lambda.map(|lambda| units::fixed(lambda, 3)).unwrap_or_default());
        }
        if has_spark {
            row.push(step.spark_deg.map(|deg| format!("{}°", units::fixed(deg, 1))).unwrap_or_default());
        }
        row.extend([
            required
                .map(|(q, se)| format!("{} ± {}", units::fixed(q, 2), units::fixed(se, 2)))
                .unwrap_or_default(),
            evidence.map(|e| units::fixed(e.weight_s, 1)).unwrap_or_default(),
            evidence.map(|e| e.dwells.to_string()).unwrap_or_default(),
            evidence.map(|e| e.rides.to_string()).unwrap_or_default(),
            notes.join(", "),
        ]);
        rows.push(row);
    }
    use Align::{Left, Right};
    let mut align = vec![Right; rows[0].len()];
    for left in [0, 1, rows[0].len() - 1] {
        align[left] = Left;
    }
    text.push('\n');
    text + &columns(rows, &align, width)
}
