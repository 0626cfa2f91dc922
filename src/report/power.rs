//! Power and torque for people: each curve's numbers, a plot of them all, and what changed.

use super::documentation::wrap;
use super::style::{Align, columns, faint, strong, warning};
use crate::operations::PowerReport;
use crate::operations::power::{CurveKind, From, PowerComparison, PowerCurve, UsedInput, reason_words};
use crate::power::{Correction, Gain, ScaleFrom};
use crate::ride::logger::dyno_sheet::MeasuredAt;
use crate::units::{counted, fixed, plain, signed};
use std::fmt::Write as _;

/// Size of the plot, characters.
const PLOT_ROWS: usize = 14;
const PLOT_COLUMNS: usize = 64;
/// Room of its scale at the left.
const SCALE: usize = 6;
/// Most rows of the table of a curve.
const TABLE_ROWS: usize = 24;

/// The report as text.
pub fn power(report: &PowerReport, width: usize) -> String {
    let mut text = String::new();
    for (i, curve) in report.curves.iter().enumerate() {
        text.push_str(&head(report, curve, letter(i), width));
    }
    let _ = write!(text, "{}\n{}", strong("Power, kW, over engine speed, 1/min"), plot(report));
    let _ = write!(text, "\n{}", table(report, width));
    for comparison in &report.comparisons {
        text.push_str(&changed(comparison, width));
    }
    for curve in &report.curves {
        for note in &curve.notes {
            let _ = write!(text, "\n{}\n", wrap(&format!("note: {}: {note}", curve.file.display()), width));
        }
    }
    for note in &report.notes {
        let _ = write!(text, "\n{}\n", wrap(&format!("note: {note}"), width));
    }
    for caution in &report.cautions {
        let _ = write!(text, "\n{}\n", wrap(&format!("{}: {caution}", warning("caution")), width));
    }
    if !report.vehicle.is_empty() {
        let _ = write!(
            text,
            "\n{}\n",
            faint(&wrap(&format!("worked out with {}", inputs(&report.vehicle)), width))
        );
    }
    text
}

/// The letter that stands for a curve.
fn letter(i: usize) -> char {
    char::from(b'a' + u8::try_from(i % 26).unwrap_or_default())
}

fn inputs(inputs: &[UsedInput]) -> String {
    let one = |input: &UsedInput| {
        let from = match input.from {
            From::Flag => "",
            From::BikeYaml => " (bike.yaml)",
            From::Log => " (log)",
            From::Usual => " (usual)",
        };
        let value = plain((input.known.value * 1e4).round() / 1e4);
        format!("{} {value}±{}{from}", input.name, plain(input.known.error))
    };
    inputs.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn head(report: &PowerReport, curve: &PowerCurve, letter: char, width: usize) -> String {
    let place = match curve.measured_at {
        Some(MeasuredAt::Wheel) => "at the wheel",
        Some(MeasuredAt::Crank) => "at the crank",
        None => "wheel or crank not told",
    };
    let kind = match curve.kind {
        CurveKind::Ride => counted(curve.pulls.len(), "pull"),
        CurveKind::Dyno => "dyno sheet".to_owned(),
    };
    let mut text = format!("{} {} ({kind}, {place})\n", strong(&letter.to_string()), curve.file.display());
    let peak = &curve.peak;
    let best = curve.points.iter().max_by(|a, b| a.torque_nm.total_cmp(&b.torque_nm)).unwrap_or(peak);
    let _ = writeln!(
        text,
        "  {} ± {} kW at {} 1/min; {} ± {} Nm at {} 1/min",
        strong(&fixed(peak.power_kw, 1)),
        fixed(peak.band_kw, 1),
        plain(peak.rpm),
        fixed(best.torque_nm, 1),
        fixed(best.band_nm, 1),
        plain(best.rpm),
    );
    let mut more = Vec::new();
    for pull in &curve.pulls {
        let gear = pull.gear.map(|gear| format!(" in gear {gear}")).unwrap_or_default();
        more.push(format!(
            "pull at {} s: {} to {} 1/min in {} s{gear}",
            fixed(pull.begins_s, 1),
            fixed(pull.from_rpm, 0),
            fixed(pull.to_rpm, 0),
            fixed(pull.lasts_s, 1),
        ));
    }
    if let Some(speed) = &curve.speed {
        let by = if speed.by_rpm { "engine speed" } else { "the logged speed" };
        let scale = match (speed.by_rpm, speed.scale) {
            (false, _) => "",
            (true, ScaleFrom::Speed) => ", scaled to the logged speed",
            (true, ScaleFrom::Gearing) => ", scaled by the gearing of bike.yaml",
        };
        let other = speed.other_noise_pct.filter(|noise| noise.is_finite());
        let other =
            other.map(|noise| format!(" against {} % of the other", fixed(noise, 3))).unwrap_or_default();
        more.push(format!("road speed by {by}{scale}: its noise is {} %{other}", fixed(speed.noise_pct, 3)));
    }
    let unused: usize = curve.unused.values().sum();
    let reasons: Vec<String> =
        curve.unused.iter().map(|(reason, n)| format!("{n}: {}", reason_words(reason))).collect();
    let reasons = if unused > 0 { format!(" ({})", reasons.join("; ")) } else { String::new() };
    more.push(format!("{} of {} rows used{reasons}", curve.used, curve.rows));
    if !curve.day.is_empty() {
        more.push(format!("day: {}", inputs(&curve.day)));
    }
    if report.correction != Correction::None && curve.correction_factor != 1.0 {
        more.push(format!("times {} by {}", fixed(curve.correction_factor, 4), report.correction.words()));
    }
    let parts = curve.uncertainty.iter().take(4);
    let parts: Vec<String> =
        parts.map(|part| format!("{} {}", part.cause.words(), fixed(part.band_kw, 2))).collect();
    more.push(format!("the ± kW at the peak come of {}", parts.join(", ")));
    for line in more {
        for line in wrap(&line, width.saturating_sub(2)).lines() {
            let _ = writeln!(text, "  {line}");
        }
    }
    text.push('\n');
    text
}

/// The curves as letters; `*` where several meet.
fn plot(report: &PowerReport) -> String {
    let points = || report.curves.iter().flat_map(|curve| &curve.points);
    let (low, high) = points().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p.rpm), h.max(p.rpm)));
    let top = points().map(|p| p.power_kw).fold(1.0, f64::max);
    let mut grid = vec![vec![' '; PLOT_COLUMNS]; PLOT_ROWS];
    let place =
        |share: f64, cells: usize| ((share * (cells - 1) as f64).round().max(0.0) as usize).min(cells - 1);
    for (i, curve) in report.curves.iter().enumerate() {
        for point in &curve.points {
            let column = place((point.rpm - low) / (high - low).max(1.0), PLOT_COLUMNS);
            let row = PLOT_ROWS - 1 - place(point.power_kw / top, PLOT_ROWS);
            let cell = &mut grid[row][column];
            *cell = if *cell == ' ' || *cell == letter(i) { letter(i) } else { '*' };
        }
    }
    let mut text = String::new();
    for (row, cells) in grid.iter().enumerate() {
        let kw = top * (PLOT_ROWS - 1 - row) as f64 / (PLOT_ROWS - 1) as f64;
        let scale = if row % 3 == 1 { fixed(kw, 0) } else { String::new() };
        let line: String = cells.iter().collect();
        let _ = writeln!(text, "{scale:>SCALE$} |{}", line.trim_end());
    }
    let _ = writeln!(text, "{:>SCALE$} +{}", "", "-".repeat(PLOT_COLUMNS));
    let (low, high) = (plain(low), plain(high));
    let gap = PLOT_COLUMNS.saturating_sub(low.len() + high.len());
    let _ = writeln!(text, "{:>SCALE$}  {low}{}{high}", "", " ".repeat(gap));
    text
}

fn table(report: &PowerReport, width: usize) -> String {
    let mut rpms: Vec<f64> = report.curves.iter().flat_map(|c| c.points.iter().map(|p| p.rpm)).collect();
    rpms.sort_by(f64::total_cmp);
    rpms.dedup();
    let every = rpms.len().div_ceil(TABLE_ROWS).max(1);
    let mut head = vec!["1/min".to_owned()];
    for i in 0..report.curves.len() {
        head.extend([format!("{} kW", letter(i)), "±".to_owned(), format!("{} Nm", letter(i))]);
    }
    for i in 0..report.comparisons.len() {
        head.push(format!("gain {} %", i + 1));
        head.push("±".to_owned());
    }
    let aligns = vec![Align::Right; head.len()];
    let mut rows = vec![head];
    for rpm in rpms.into_iter().step_by(every) {
        let mut row = vec![plain(rpm)];
        for curve in &report.curves {
            match curve.points.iter().find(|p| p.rpm == rpm) {
                Some(p) => row.extend([fixed(p.power_kw, 1), fixed(p.band_kw, 1), fixed(p.torque_nm, 1)]),
                None => row.extend([const { String::new() }; 3]),
            }
        }
        for comparison in &report.comparisons {
            match comparison.says.points.iter().find(|p| p.rpm == rpm) {
                Some(p) => row.extend([signed(p.gain.gain_pct, 1), fixed(p.gain.band_pct, 1)]),
                None => row.extend([const { String::new() }; 2]),
            }
        }
        rows.push(row);
    }
    columns(rows, &aligns, width)
}

fn changed(comparison: &PowerComparison, width: usize) -> String {
    let says = &comparison.says;
    let row = |what: &str, gain: &Gain, unit: &str| {
        vec![
            what.to_owned(),
            format!("{} → {} {unit}", fixed(gain.before, 1), fixed(gain.after, 1)),
            format!("{} ± {} %", signed(gain.gain_pct, 1), fixed(gain.band_pct, 1)),
            gain.in_words().to_owned(),
        ]
    };
    let rows = vec![
        row("most power", &says.peak_power, "kW"),
        row("most torque", &says.peak_torque, "Nm"),
        row("area (mean power)", &says.area, "kW"),
    ];
    let mut text = format!(
        "\n{}\n",
        strong(&format!(
            "{} against {}, {} to {} 1/min",
            comparison.after.display(),
            comparison.before.display(),
            plain(says.from_rpm),
            plain(says.to_rpm)
        ))
    );
    text.push_str(&columns(rows, &[Align::Left, Align::Right, Align::Right, Align::Left], width));
    if !says.shared.is_empty() {
        let shared: Vec<&str> = says.shared.iter().map(|cause| cause.words()).collect();
        let line = format!("the same in both, so that it cancels nearly: {}", shared.join(", "));
        let _ = writeln!(text, "{}", faint(&wrap(&line, width)));
    }
    text
}
