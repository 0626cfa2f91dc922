//! A dyno's sheet as text: power or torque over engine speed.
//!
//! Titles say what a column is and in which unit; how the text is written is found out as for any
//! other log. Rows that cannot be used are counted.

use super::text::TextLog;
use super::units::{Quantity, Unit, from_text};
use super::{Encoding, TextForm};
use crate::ride::columns::ReadingReport;
use crate::ride::source::Title;
use crate::ride::{RideError, decode, delimited, median};
use crate::units::{KW_PER_HP, KW_PER_PS, NM_PER_LB_FT};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Where a power was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredAt {
    /// At the wheel.
    Wheel,
    /// At the crank, or reckoned back to it.
    Crank,
}

/// A dyno's sheet, read.
#[derive(Debug, Clone, PartialEq)]
pub struct DynoSheet {
    /// Engine speed and power of every row, 1/min and kW.
    pub rows: Vec<(f64, f64)>,
    /// The title of the column that was taken.
    pub title: String,
    /// Where it says that it was measured.
    pub measured_at: Option<MeasuredAt>,
    /// Whether its title says that it is corrected already.
    pub is_corrected: bool,
    /// Air, where it stands beside: °C, kPa and %, the median of the rows.
    pub air_temp_c: Option<f64>,
    /// See `air_temp_c`.
    pub pressure_kpa: Option<f64>,
    /// See `air_temp_c`.
    pub humidity_pct: Option<f64>,
    /// What was met while reading.
    pub reading: ReadingReport,
    /// The first field that could not be read, with its place.
    pub first_unreadable: Option<String>,
}

/// Why a row of a sheet is dropped, besides those at the door of a ride.
pub const SHEET_REASONS: [(&str, &str); 2] = [
    ("unreadable", "engine speed or power is no number"),
    ("impossible", "engine speed or power is missing or cannot be"),
];

/// Engine speeds that can be, 1/min.
const POSSIBLE_RPM: std::ops::RangeInclusive<f64> = 300.0..=25_000.0;
/// Powers that can be, kW.
const POSSIBLE_KW: std::ops::RangeInclusive<f64> = -100.0..=1000.0;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Holds {
    Rpm,
    /// Times the factor it is kW; none where the title tells no unit.
    Power(Option<f64>),
    /// Times the factor it is N m.
    Torque(Option<f64>),
    Air(Quantity, Unit),
}

/// Reads a sheet; `None` when the text has no titles of one: engine speed beside power or torque,
/// and no throttle, which makes a log of it.
///
/// # Errors
/// When it is one and cannot be used.
pub fn read(bytes: &[u8], wanted: Option<MeasuredAt>) -> Result<Option<DynoSheet>, RideError> {
    let mut text = decode::text(bytes, Encoding::Auto)?.into_owned();
    // A sheet is exported whole: its last line needs no end.
    text.push(b'\n');
    let is_sheet = |titles: &[Title]| {
        let holds: Vec<Option<Holds>> = titles.iter().map(holds).collect();
        let has = |is: &dyn Fn(&Holds) -> bool| holds.iter().flatten().any(is);
        has(&|h| *h == Holds::Rpm)
            && has(&|h| matches!(h, Holds::Power(_) | Holds::Torque(_)))
            && !titles.iter().any(|title| words(title).iter().any(|word| word == "throttle"))
    };
    let Some(log) = TextLog::open(&text, &TextForm::default(), &is_sheet) else { return Ok(None) };
    sheet(&log, wanted).map(Some)
}

fn sheet(log: &TextLog<'_>, wanted: Option<MeasuredAt>) -> Result<DynoSheet, RideError> {
    let columns: Vec<(usize, &Title, Holds)> =
        log.titles.iter().enumerate().filter_map(|(i, title)| Some((i, title, holds(title)?))).collect();
    let rpm = columns.iter().find(|c| c.2 == Holds::Rpm).map_or(0, |c| c.0);
    let says = |title: &Title| wanted.is_none_or(|wanted| measured_at(title).is_none_or(|at| at == wanted));
    // At the wheel, not corrected, power before torque.
    let order = |c: &&(usize, &Title, Holds)| {
        let at_crank = measured_at(c.1) == Some(MeasuredAt::Crank);
        (at_crank, is_corrected(c.1), matches!(c.2, Holds::Torque(_)))
    };
    let told = |c: &&(usize, &Title, Holds)| matches!(c.2, Holds::Power(_) | Holds::Torque(_)) && says(c.1);
    let Some((taken, title, what)) = columns.iter().filter(told).min_by_key(order) else {
        return Err(RideError::Implausible(
            "no power or torque in it was measured where --at says".to_owned(),
        ));
    };
    let Some((factor, is_torque)) = (match what {
        Holds::Power(factor) => factor.map(|f| (f, false)),
        Holds::Torque(factor) => factor.map(|f| (f, true)),
        Holds::Rpm | Holds::Air(..) => None,
    }) else {
        return Err(RideError::Implausible(format!(
            "the title `{}` tells no unit: write kW, W, PS or hp (mechanical), Nm or lb-ft in brackets behind it",
            title.text
        )));
    };
    let air: Vec<(usize, Quantity, Unit)> = columns
        .iter()
        .filter_map(|(i, _, holds)| match holds {
            Holds::Air(quantity, unit) => Some((*i, *quantity, *unit)),
            _ => None,
        })
        .collect();
    let positions: Vec<usize> = [rpm, *taken].into_iter().chain(air.iter().map(|a| a.0)).collect();
    let mut reading = ReadingReport::default();
    let mut rows = Vec::new();
    let mut airs: Vec<Vec<f64>> = vec![Vec::new(); air.len()];
    let mut first_unreadable = None;
    let decimal = log.dialect.decimal;
    log.each_row(&positions, &mut reading, &mut |line, fields, reading| {
        let values: Vec<Option<f64>> = fields.iter().map(|f| delimited::number(f, decimal)).collect();
        let (Some(rpm), Some(value)) = (values[0], values[1]) else {
            let at = usize::from(values[0].is_some());
            first_unreadable.get_or_insert_with(|| {
                let shown: String = String::from_utf8_lossy(fields[at]).chars().take(24).collect();
                format!("line {line}, column {}: `{shown}`", positions[at] + 1)
            });
            return reading.drop_row("unreadable");
        };
        let value = value * factor;
        let kw = if is_torque { kw_of_torque(value, rpm) } else { value };
        if !POSSIBLE_RPM.contains(&rpm) || !POSSIBLE_KW.contains(&kw) {
            return reading.drop_row("impossible");
        }
        rows.push((rpm, kw));
        for (values_of, value) in airs.iter_mut().zip(&values[2..]) {
            values_of.push(value.unwrap_or(f64::NAN));
        }
    });
    const FEWEST_ROWS: usize = 3;
    if rows.len() < FEWEST_ROWS {
        return Err(RideError::NoSamples(format!(
            ": {} of {} rows hold an engine speed and a power",
            rows.len(),
            reading.rows
        )));
    }
    let air_of = |wanted: Quantity| {
        let at = air.iter().position(|(_, quantity, _)| *quantity == wanted)?;
        let value = median(&airs[at])?;
        Some(air[at].2.to_native(1.0).apply(value, f64::NAN)).filter(|value| value.is_finite())
    };
    Ok(DynoSheet {
        rows,
        title: title.text.clone(),
        measured_at: wanted.or(measured_at(title)),
        is_corrected: is_corrected(title),
        air_temp_c: air_of(Quantity::Temperature),
        pressure_kpa: air_of(Quantity::Pressure),
        humidity_pct: air_of(Quantity::Share),
        reading,
        first_unreadable,
    })
}

fn kw_of_torque(nm: f64, rpm: f64) -> f64 {
    nm * rpm * std::f64::consts::TAU / 60.0 / 1000.0
}

/// The words of a title, without its unit in brackets, in lower case.
fn words(title: &Title) -> Vec<String> {
    let low = title.name.to_lowercase();
    low.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).map(str::to_owned).collect()
}

fn is_corrected(title: &Title) -> bool {
    let all = words(title);
    ["sae", "din", "ece", "iso", "eec", "corrected", "corr"].iter().any(|w| all.iter().any(|word| word == w))
}

fn measured_at(title: &Title) -> Option<MeasuredAt> {
    let mut all = words(title);
    all.extend(title.unit.iter().map(|unit| unit.to_lowercase()));
    let has = |wanted: &[&str]| all.iter().any(|word| wanted.contains(&word.as_str()));
    if has(&["wheel", "rear", "whp", "road"]) {
        return Some(MeasuredAt::Wheel);
    }
    // Brake horsepower is the engine's own; from memory.
    has(&["crank", "crankshaft", "flywheel", "engine", "bhp"]).then_some(MeasuredAt::Crank)
}

/// What a title says that its column holds; a unit may be the last word of it, as in `power_kw`.
fn holds(title: &Title) -> Option<Holds> {
    let all = words(title);
    let has = |wanted: &[&str]| all.iter().any(|word| wanted.contains(&word.as_str()));
    let mut written: Vec<String> = title.unit.iter().map(|unit| plain(unit)).collect();
    written.extend(all.last().cloned());
    if all.len() > 1 {
        written.push(all[all.len() - 2..].concat());
    }
    let kw = written.iter().find_map(|unit| kw_per(unit));
    let nm = written.iter().find_map(|unit| nm_per(unit));
    if has(&["power"]) || kw.is_some() {
        return Some(Holds::Power(kw));
    }
    if has(&["torque"]) || nm.is_some() {
        return Some(Holds::Torque(nm));
    }
    let unit = title.unit.iter().chain(all.last()).find_map(|unit| from_text(unit));
    let turns = unit == Some(Unit::PerMinute) || has(&["rpm"]);
    if (turns || (has(&["speed"]) && has(&["engine", "crank"]))) && !has(&["wheel", "roller", "drum"]) {
        return Some(Holds::Rpm);
    }
    let air = has(&["air", "ambient", "room", "cell"]);
    let unit = unit?;
    match unit.quantity() {
        Quantity::Temperature if air => Some(Holds::Air(Quantity::Temperature, unit)),
        Quantity::Pressure if (air || has(&["baro", "barometer", "barometric"])) && !unit.is_gauge() => {
            Some(Holds::Air(Quantity::Pressure, unit))
        }
        Quantity::Share if has(&["humidity", "rh"]) => Some(Holds::Air(Quantity::Share, unit)),
        _ => None,
    }
}

fn plain(unit: &str) -> String {
    unit.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect()
}

fn kw_per(unit: &str) -> Option<f64> {
    match unit {
        "kw" => Some(1.0),
        "w" | "watt" | "watts" => Some(1e-3),
        "hp" | "bhp" | "whp" => Some(KW_PER_HP),
        "ps" | "cv" => Some(KW_PER_PS),
        _ => None,
    }
}

fn nm_per(unit: &str) -> Option<f64> {
    match unit {
        "nm" => Some(1.0),
        "lbft" | "ftlb" | "ftlbs" | "ftlbf" | "lbfft" => Some(NM_PER_LB_FT),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(text: &str) -> DynoSheet {
        read(text.as_bytes(), None).expect("read").expect("a sheet")
    }

    #[test]
    fn units_and_places_are_told_by_titles_as_dynos_write_them() {
        let native = sheet("rpm,power_kw\n4000,20\n5000,25\n6000,30\n");
        assert_eq!((native.rows[0], native.measured_at), ((4000.0, 20.0), None));
        let german = sheet(
            "Protokoll 7;;\n\nEngine speed [1/min];Wheel power [PS];Air temp [°C]\n4000;20,5;21\n5000;25,5;21\n6000;30;22",
        );
        assert!((german.rows[0].1 - 20.5 * 0.735_498_75).abs() < 1e-9);
        assert_eq!((german.measured_at, german.air_temp_c), (Some(MeasuredAt::Wheel), Some(21.0)));
        assert_eq!(german.rows.len(), 3, "the last line needs no end");
        let torque = sheet(
            "Engine RPM\tTorque (lb-ft)\tBaro (inHg)\n4000\t30\t29.9\n5000\t31\t29.9\n6000\t30\t29.9\n",
        );
        // 30 lb-ft at 4000 1/min: 30·4000/5252.113 hp, the handbook constant, from memory.
        let hp = torque.rows[0].1 / KW_PER_HP;
        assert!((hp - 30.0 * 4000.0 / 5252.113).abs() < 1e-3, "{hp}");
        assert!((torque.pressure_kpa.expect("a pressure") - 101.25).abs() < 0.01);
        let crank = sheet("rpm,SAE bhp\n4000,20\n5000,25\n6000,30\n");
        assert_eq!((crank.measured_at, crank.is_corrected), (Some(MeasuredAt::Crank), true));
        let under = sheet("RPM,Power,Torque\n1/min,kW,Nm\n4000,20,47\n5000,25,47\n6000,30,47\n");
        assert_eq!(under.rows[2], (6000.0, 30.0));
    }

    #[test]
    fn rows_that_cannot_be_used_are_counted_and_the_first_is_named() {
        let read = sheet("rpm,torque_nm\n4000,47\nx,47\n0,47\n5000,-\n6000\n6500,45\n7000,44\n");
        let dropped: Vec<_> = read.reading.dropped.iter().map(|(k, n)| (*k, *n)).collect();
        assert_eq!(dropped, [("impossible", 2), ("unreadable", 1), ("wrong_field_count", 1)]);
        assert_eq!(read.first_unreadable.as_deref(), Some("line 3, column 1: `x`"));
        assert_eq!(read.rows.len(), 3);
    }

    #[test]
    fn what_is_no_sheet_or_tells_no_unit_is_said() {
        assert_eq!(read(b"time_s,rpm,throttle_pct,torque_nm\n0,1,2,3\n", None), Ok(None));
        assert_eq!(read(b"time_s,rpm\n0,1\n", None), Ok(None));
        let error = read(b"rpm,power\n4000,20\n5000,25\n", None).expect_err("no unit");
        assert!(error.to_string().contains("tells no unit"), "{error}");
        let error = read(b"rpm,power_kw\n4000,x\n", None).expect_err("no rows");
        assert!(error.to_string().contains("0 of 1 rows"), "{error}");
    }
}
