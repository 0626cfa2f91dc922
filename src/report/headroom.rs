//! What the fuel system has left, as text.

use super::style::{Align, columns, paragraph, strong, warning};
use crate::operations::{AirCase, CellDuty, HeadroomReport, RideDuty};
use crate::table::LoadAxis;
use crate::units;
use std::fmt::Write as _;

/// So many cells near the limit are named.
const SHOWN: usize = 6;

/// Duty, margins, rides, and what a power takes.
pub fn headroom(report: &HeadroomReport, width: usize) -> String {
    let limits = &report.limits;
    let mut text = paragraph(
        &format!(
            "{}, {}: {} of {} cm³/min at {} kPa, {} cm³/min at the {} kPa on the bike; limit {} % duty; {} V \
             ({}), dead time {} ms",
            strong(&report.slot),
            report.revision,
            units::counted(limits.count as usize, "injector"),
            units::plain(limits.rated_cc_min),
            units::plain(limits.rated_kpa),
            units::fixed(limits.rail_cc_min, 0),
            units::plain(limits.rail_kpa),
            units::plain(limits.duty_limit_pct),
            units::fixed(limits.battery_v, 1),
            if limits.battery_from_rides { "from the rides" } else { "presumed" },
            units::fixed(limits.dead_time_ms, 2)
        ),
        width,
    );
    match (&report.map, &report.map_untold) {
        (Some(map), _) => {
            let head =
                ["the map in", "duty", "at", "fits yet", "limit at", "fuel"].map(str::to_owned).to_vec();
            let rows = [(&map.reference, "reference"), (&map.cold, "cold")]
                .map(|(case, name)| case_row(case, name, report.load_axis));
            let aligns = [Align::Left; 6];
            let table = columns([head].into_iter().chain(rows).collect(), &aligns, width);
            let _ = write!(text, "\n{table}");
            text.push_str(&near(&map.near, report, width));
            let cold = &map.cold;
            text.push_str(&paragraph(
                &format!(
                    "1 V less: {} % duty in cold air; were it not made up for, {} % leaner at full load",
                    units::fixed(cold.sag_duty_pct, 1),
                    units::fixed(cold.sag_lean_pct, 1)
                ),
                width,
            ));
        }
        (None, untold) => {
            let why = untold.as_deref().unwrap_or("the map does not tell the duty");
            let _ = write!(text, "\n{}", paragraph(why, width));
        }
    }
    text.push_str(&rides(report, width));
    text.push_str(&supply(report, width));
    for note in &report.notes {
        text.push_str(&paragraph(&format!("note: {note}"), width));
    }
    if is_short(report) {
        text.push_str(&paragraph(
            &format!(
                "{}: an injector at its limit cannot give more, and the engine runs lean at full power. Stay off \
                 full load at those speeds until injectors or pressure are larger.",
                warning("caution")
            ),
            width,
        ));
    }
    text
}

fn case_row(case: &AirCase, name: &str, axis: LoadAxis) -> Vec<String> {
    vec![
        format!("{name} air ({} °C, {} kPa)", units::plain(case.air_temp_c), units::plain(case.baro_kpa)),
        format!("{} %", units::fixed(case.highest.duty_pct, 1)),
        point(&case.highest, axis),
        format!("{} %", units::signed(case.more_fuel_pct, 0)),
        format!("{} 1/min", units::fixed(case.limit_rpm, 0)),
        format!("{} g/s", units::fixed(case.fuel_g_s, 2)),
    ]
}

fn point(cell: &CellDuty, axis: LoadAxis) -> String {
    format!("{} 1/min, {}", units::plain(cell.rpm), axis.named(cell.load))
}

/// The cells near the limit or beyond it.
fn near(cells: &[CellDuty], report: &HeadroomReport, width: usize) -> String {
    let limit = report.limits.duty_limit_pct;
    if cells.is_empty() {
        return paragraph("no cell comes within 5 points of the limit", width);
    }
    let over = cells.iter().filter(|cell| cell.duty_pct >= limit).count();
    let rows = cells.iter().take(SHOWN).map(|cell| {
        let state = if cell.duty_pct >= limit { warning("over") } else { "near".to_owned() };
        vec![point(cell, report.load_axis), format!("{} %", units::fixed(cell.duty_pct, 1)), state]
    });
    let aligns = [Align::Left, Align::Right, Align::Left];
    let mut text = format!(
        "\n{}\n{}",
        strong(&format!("{over} over the limit, {} within 5 points of it, in cold air", cells.len() - over)),
        columns(rows.collect(), &aligns, width)
    );
    if cells.len() > SHOWN {
        let _ = writeln!(text, "  and {} more", cells.len() - SHOWN);
    }
    text
}

fn rides(report: &HeadroomReport, width: usize) -> String {
    let told: Vec<(&RideDuty, f64)> =
        report.rides.iter().filter_map(|ride| Some((ride, ride.duty_pct?))).collect();
    let silent = report.rides.len() - told.len();
    let highest = told.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let mut text = match highest {
        Some((ride, duty)) => {
            let over: f64 = told.iter().map(|(ride, _)| ride.over_limit_s).sum();
            let load = ride.load.map(|load| format!(", {}", report.load_axis.named(load.round())));
            let volts = ride.battery_v.map(|v| format!(", {} V", units::fixed(v, 1)));
            paragraph(
                &format!(
                    "ridden: at most {} % duty, at {} 1/min{}{} ({}, {} s); {} s at the limit or beyond in {}",
                    units::fixed(*duty, 1),
                    ride.rpm.map_or_else(String::new, |rpm| units::fixed(rpm, 0)),
                    load.unwrap_or_default(),
                    volts.unwrap_or_default(),
                    ride.file,
                    ride.time_s.map_or_else(String::new, |t| units::fixed(t, 1)),
                    units::fixed(over, 1),
                    units::counted(told.len(), "ride")
                ),
                width,
            )
        }
        None => paragraph("ridden: no ride logged `pulse_width_ms`", width),
    };
    if silent > 0 && highest.is_some() {
        text.push_str(&paragraph(
            &format!("{} more without pulses or passed over", units::counted(silent, "ride")),
            width,
        ));
    }
    format!("\n{text}")
}

fn supply(report: &HeadroomReport, width: usize) -> String {
    let supply = &report.supply;
    let mut text = paragraph(
        &format!(
            "below the limit at {} 1/min: {} g/s, {} l/h from the pump at {} kPa, enough for about {} kW at \
             {} g/kWh (that figure: common practice, no source)",
            units::plain(supply.rpm),
            units::fixed(supply.fuel_g_s, 2),
            units::fixed(supply.pump_l_h, 1),
            units::plain(report.limits.rail_kpa),
            units::fixed(supply.power_kw, 0),
            units::fixed(supply.fuel_g_kwh, 0)
        ),
        width,
    );
    if let Some(target) = &report.target {
        let size = match target.injector_cc_min {
            Some(size) => format!("injectors of {} cm³/min at the rated pressure", units::fixed(size, 0)),
            None => "no injector, since the dead time fills the limit".to_owned(),
        };
        text.push_str(&paragraph(
            &format!(
                "{} kW take {} g/s, {} l/h from the pump and {size}: {}",
                units::plain(target.power_kw),
                units::fixed(target.fuel_g_s, 2),
                units::fixed(target.pump_l_h, 1),
                if target.enough { "today's are enough" } else { "today's are too small" }
            ),
            width,
        ));
    }
    format!("\n{text}")
}

/// Whether map or rides come to the limit.
fn is_short(report: &HeadroomReport) -> bool {
    let limit = report.limits.duty_limit_pct;
    let map = report.map.as_ref().is_some_and(|map| map.cold.highest.duty_pct >= limit);
    map || report.rides.iter().any(|ride| ride.duty_pct.is_some_and(|duty| duty >= limit))
}
