//! `knock`, as text.

use super::by_hand::by_hand;
use super::style::{Align, columns, faint, warning};
use crate::operations::KnockReport;
use crate::units;
use std::fmt::Write as _;

/// What knocked, cell by cell beside the wanted mixture, and the change of the spark table.
///
/// `command` is how the user called the program, so that advice can be copied.
pub fn knock(report: &KnockReport, width: usize, command: &str) -> String {
    use Align::{Left, Right};
    let mut text = String::new();
    for ride in &report.rides {
        let said = match &ride.trouble {
            Some(why) => faint(why),
            None if ride.unplaced_events > 0.0 => format!(
                "{}, {} more without a place on this slot",
                units::counted(ride.events.round() as usize, "event"),
                units::plain(ride.unplaced_events.round())
            ),
            None => units::counted(ride.events.round() as usize, "event"),
        };
        let _ = writeln!(text, "{}: {said}", ride.file);
    }
    if !report.cells.is_empty() {
        let deg = |value: f64| units::fixed(value, report.decimals);
        let titles = [
            "rpm",
            report.load_axis.unit(),
            "events",
            "rides",
            "knocks at",
            "spark",
            "becomes",
            "lambda",
            "",
        ];
        let mut rows = vec![titles.map(str::to_owned).to_vec()];
        for cell in &report.cells {
            rows.push(vec![
                units::plain(cell.rpm),
                units::plain(cell.load),
                units::plain(cell.events.round()),
                cell.rides.to_string(),
                cell.knocks_at_deg.map(|at| format!("{}°", deg(at))).unwrap_or_default(),
                format!("{}°", deg(cell.before_deg)),
                if cell.stays.is_none() { format!("{}°", deg(cell.after_deg)) } else { String::new() },
                units::fixed(cell.wanted_lambda, 3),
                cell.stays.clone().unwrap_or_default(),
            ]);
        }
        text.push('\n');
        text += &columns(rows, &[Right, Right, Right, Right, Right, Right, Right, Right, Left], width);
        let _ = writeln!(
            text,
            "\n{}",
            warning(
                "caution: knock breaks pistons. Find its cause (fuel, heat, a lean mixture, deposits) before it is \
                 ridden hard again; spark is only ever advanced by hand"
            )
        );
    }
    text.push('\n');
    text + &by_hand(&report.change, width, command)
}
