//! A dyno's sheet as text: power or torque over engine speed.
//!
//! Titles say what a column is and in which unit; how the text is written is found out as for any
//! other log. Rows that cannot be used are counted, with the place of the first.

mod both;
mod rows;

use self::both::{BothRow, Told, Written, contradiction};
use self::rows::{SheetRow, order_remarks, wild};
use super::text::TextLog;
use super::units::{Quantity, Unit, from_text};
use super::{Encoding, TextForm};
use crate::physics::air::{MEASURED_KPA, MEASURED_TEMP_C, doubtful_humidity};
use crate::ride::columns::ReadingReport;
use crate::ride::source::Title;
use crate::ride::{RideError, decode, delimited, median};
use crate::units::{KW_PER_HP, KW_PER_PS, NM_PER_LB_FT};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
    /// The first row that was dropped for each reason: its place, and what stands there.
    pub first_dropped: BTreeMap<&'static str, String>,
    /// What else is worth knowing of what it says.
    pub remarks: Vec<String>,
}

/// Why a row of a sheet is dropped, besides those at the door of a ride.
pub const SHEET_REASONS: [(&str, &str); 5] = [
    (UNREADABLE, "engine speed or power is no number"),
    (MISSING, "engine speed or power is missing"),
    (IMPOSSIBLE, "engine speed or power cannot be"),
    (NOT_PULLING, "power or torque is not above zero, as it is in a pull"),
    (WILD, "power or torque lies far from the rows around it"),
];
const UNREADABLE: &str = "unreadable";
const MISSING: &str = "missing";
const IMPOSSIBLE: &str = "impossible";
const NOT_PULLING: &str = "not_pulling";
const WILD: &str = "wild";
/// Of these only a few may be there, or the sheet is believed no longer.
const NOT_TO_BE_BELIEVED: [&str; 3] = [IMPOSSIBLE, NOT_PULLING, WILD];
/// So few. Common practice, no source.
const FAIR_SHARE: f64 = 0.25;

/// Engine speeds that can be, 1/min.
const POSSIBLE_RPM: std::ops::RangeInclusive<f64> = 300.0..=25_000.0;
/// The most power that can be, kW.
const POSSIBLE_KW: f64 = 1000.0;

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
    // What the taken column is held against: torque beside power, power beside torque.
    let beside = columns.iter().find_map(|(i, other, holds)| {
        let factor = match holds {
            Holds::Power(factor) if is_torque => (*factor)?,
            Holds::Torque(factor) if !is_torque => (*factor)?,
            _ => return None,
        };
        let elsewhere = measured_at(title).zip(measured_at(other)).is_some_and(|(a, b)| a != b);
        let comparable = !elsewhere && is_corrected(other) == is_corrected(title);
        comparable.then(|| (*i, Told { title: other.text.clone(), factor }))
    });
    let air: Vec<(usize, Quantity, Unit)> = columns
        .iter()
        .filter_map(|(i, _, holds)| match holds {
            Holds::Air(quantity, unit) => Some((*i, *quantity, *unit)),
            _ => None,
        })
        .collect();
    let mut positions: Vec<usize> = [rpm, *taken].into_iter().chain(air.iter().map(|a| a.0)).collect();
    let beside_at = positions.len();
    positions.extend(beside.iter().map(|(i, _)| *i));
    let mut reading = ReadingReport::default();
    let mut rows: Vec<SheetRow> = Vec::new();
    let mut both: Vec<BothRow> = Vec::new();
    let mut shown: Vec<String> = Vec::new();
    let mut airs: Vec<Vec<f64>> = vec![Vec::new(); air.len()];
    let mut first_dropped: BTreeMap<&'static str, String> = BTreeMap::new();
    let decimal = log.dialect.decimal;
    log.each_row(&positions, &mut reading, &mut |line, fields, reading| {
        let values: Vec<Option<f64>> = fields.iter().map(|f| delimited::number(f, decimal)).collect();
        let place = |at: usize| {
            let shown: String = String::from_utf8_lossy(fields[at]).chars().take(24).collect();
            format!("line {line}, column {}: `{shown}`", positions[at] + 1)
        };
        let mut drop_row = |reason, at| {
            first_dropped.entry(reason).or_insert_with(|| place(at));
            reading.drop_row(reason);
        };
        let (Some(rpm), Some(value)) = (values[0], values[1]) else {
            return drop_row(UNREADABLE, usize::from(values[0].is_some()));
        };
        if rpm.is_nan() || value.is_nan() {
            return drop_row(MISSING, usize::from(!rpm.is_nan()));
        }
        let kw = if is_torque { kw_of_torque(value * factor, rpm) } else { value * factor };
        if !POSSIBLE_RPM.contains(&rpm) {
            return drop_row(IMPOSSIBLE, 0);
        }
        if kw > POSSIBLE_KW {
            return drop_row(IMPOSSIBLE, 1);
        }
        if kw <= 0.0 {
            return drop_row(NOT_PULLING, 1);
        }
        rows.push(SheetRow { line, rpm, kw });
        shown.push(place(1));
        for (values_of, value) in airs.iter_mut().zip(&values[2..beside_at]) {
            values_of.push(value.unwrap_or(f64::NAN));
        }
        if let Some(other) = values.get(beside_at).copied().flatten().filter(|other| *other > 0.0) {
            let written = |at: usize, value: f64| Written::of(value, fields[at], decimal);
            let (value, other) = (written(1, value), written(beside_at, other));
            let (power, torque) = if is_torque { (other, value) } else { (value, other) };
            both.push(BothRow { line, rpm: written(0, rpm), power, torque });
        }
    });
    let is_wild = wild(&rows);
    for (row, place) in shown.into_iter().enumerate().filter(|(row, _)| is_wild[*row]) {
        first_dropped.entry(WILD).or_insert(place);
        reading.drop_row(WILD);
        both.retain(|both| both.line != rows[row].line);
    }
    let mut kept = is_wild.iter().map(|wild| !wild);
    rows.retain(|_| kept.next().unwrap_or(true));
    const FEWEST_ROWS: usize = 3;
    if rows.len() < FEWEST_ROWS {
        return Err(RideError::NoSamples(format!(
            ": {} of {} rows hold an engine speed and a power{}",
            rows.len(),
            reading.rows,
            dropped_in_words(&reading, &first_dropped),
        )));
    }
    let count = |reason: &&str| reading.dropped.get(reason).copied().unwrap_or_default();
    let bad: usize = NOT_TO_BE_BELIEVED.iter().map(count).sum();
    if bad as f64 > FAIR_SHARE * (bad + rows.len()) as f64 {
        return Err(RideError::Implausible(format!(
            "{bad} of {} rows cannot be of a pull, so the others are not believed either{}: look at what the columns \
             hold, and leave only the pull in the sheet, without coasting down",
            bad + rows.len(),
            dropped_in_words(&reading, &first_dropped),
        )));
    }
    let air_of = |wanted: Quantity| {
        let at = air.iter().position(|(_, quantity, _)| *quantity == wanted)?;
        let value = median(&airs[at])?;
        Some(air[at].2.to_native(1.0).apply(value, f64::NAN)).filter(|value| value.is_finite())
    };
    let mut remarks = order_remarks(&rows);
    if let Some((_, other)) = beside {
        let taken = Told { title: title.text.clone(), factor };
        let (power, torque) = if is_torque { (&other, &taken) } else { (&taken, &other) };
        remarks.extend(contradiction(&both, power, torque, !is_torque));
    }
    let mut air_within = |wanted: Quantity, of: (&str, &str), [least, most]: [f64; 2]| {
        let value = air_of(wanted)?;
        if (least..=most).contains(&value) {
            return Some(value);
        }
        let ((what, unit), value) = (of, crate::units::plain(value));
        remarks.push(format!(
            "its {what} is left out: {value} {unit} is no air that engines run in, {least} to {most} is believed"
        ));
        None
    };
    let air_temp_c = air_within(Quantity::Temperature, ("air temperature", "°C"), MEASURED_TEMP_C);
    let pressure_kpa = air_within(Quantity::Pressure, ("air pressure", "kPa"), MEASURED_KPA);
    let mut humidity_pct = air_of(Quantity::Share);
    if let Some(doubt) = humidity_pct.and_then(doubtful_humidity) {
        remarks.push(format!("its humidity is left out: {doubt}"));
        humidity_pct = None;
    }
    Ok(DynoSheet {
        rows: rows.iter().map(|row| (row.rpm, row.kw)).collect(),
        title: title.text.clone(),
        measured_at: wanted.or(measured_at(title)),
        is_corrected: is_corrected(title),
        air_temp_c,
        pressure_kpa,
        humidity_pct,
        reading,
        first_dropped,
        remarks,
    })
}

/// How many rows were dropped for which reason and where the first is, in brackets.
fn dropped_in_words(reading: &ReadingReport, first: &BTreeMap<&'static str, String>) -> String {
    let words = |reason: &str| {
        SHEET_REASONS
            .iter()
            .find(|(key, _)| *key == reason)
            .map_or(reason.to_owned(), |(_, words)| (*words).to_owned())
    };
    let part = |(reason, place): (&&'static str, &String)| {
        let n = reading.dropped.get(reason).copied().unwrap_or_default();
        format!("{n}: {}, first in {place}", words(reason))
    };
    let parts: Vec<String> = first.iter().map(part).collect();
    if parts.is_empty() { String::new() } else { format!(" ({})", parts.join("; ")) }
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
    use proptest::prelude::*;

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
        let read = sheet(
            "rpm,torque_nm\n4000,47\nx,47\n0,47\n5000,-\n6000\n6500,45\n7000,44\n7200,-3\n7250,44\n7300,44\n7350,455\n\
             7400,44\n7500,43\n7600,43\n7700,42\n7800,42\n",
        );
        let dropped: Vec<_> = read.reading.dropped.iter().map(|(k, n)| (*k, *n)).collect();
        let counts = [("impossible", 1), ("missing", 1), ("not_pulling", 1), ("unreadable", 1)];
        assert_eq!(dropped, [&counts[..], &[("wild", 1), ("wrong_field_count", 1)]].concat());
        let places: Vec<&str> = read.first_dropped.values().map(String::as_str).collect();
        let at = ["line 4, column 1: `0`", "line 5, column 2: `-`", "line 9, column 2: `-3`"];
        assert_eq!(places, [&at[..], &["line 3, column 1: `x`", "line 12, column 2: `455`"]].concat());
        assert_eq!(read.rows.len(), 10);
        assert!(read.rows.iter().all(|(_, kw)| (10.0..50.0).contains(kw)), "{:?}", read.rows);
    }

    #[test]
    fn a_sheet_of_which_too_much_cannot_be_is_refused_with_the_places() {
        let text = "rpm,torque_nm\n4000,47\n4500,-47\n5000,48\n5500,-48\n6000,47\n6500,46\n";
        let error = read(text.as_bytes(), None).expect_err("every third row drags").to_string();
        assert!(error.contains("2 of 6 rows cannot be of a pull"), "{error}");
        assert!(
            error.contains("2: power or torque is not above zero") && error.contains("line 3, column 2"),
            "{error}"
        );
        assert!(error.contains("without coasting down"), "{error}");
    }

    #[test]
    fn power_and_torque_that_contradict_each_other_and_a_share_of_humidity_are_told() {
        let text = "rpm;power [kW];torque [Nm];air humidity [%]\n4000;20,9;36,9;0,5\n5000;26,2;36,9;0,5\n\
                    6000;31,4;36,9;0,5\n7000;36,7;36,9;0,5\n";
        let read = sheet(text);
        assert_eq!((read.rows[0], read.humidity_pct), ((4000.0, 20.9), None));
        assert!(read.remarks[0].contains("torque is in lb-ft, not in Nm"), "{:?}", read.remarks);
        assert!(read.remarks[1].contains("did you mean 50?"), "{:?}", read.remarks);
        // Crank beside wheel, or corrected beside measured, are no contradiction.
        let apart =
            sheet(&text.replace("power [kW]", "wheel power [kW]").replace("torque [", "crank torque ["));
        assert_eq!(apart.remarks.len(), 1, "{:?}", apart.remarks);
        assert!(sheet(&text.replace("36,9", "50,0").replace("0,5\n", "50\n")).remarks.is_empty());
    }

    proptest! {
        /// No bytes are too bad for it, and every row is taken or counted.
        #[test]
        fn any_text_reads_as_a_sheet_or_says_why_not(
            head in "(rpm|Engine speed \\[1/min\\])[,;\t](power_kw|torque_nm|Wheel power \\[PS\\]|torque \\[lb-ft\\])([,;](torque|power|air temp \\[F\\]|humidity_pct))?",
            body in "([-0-9.,;e]{0,16}\n|[0-9]{2,5}[,;][-]?[0-9]{1,3}[.,]?[0-9]?([,;][0-9]{1,2})?\n|\\PC{0,10}\n){0,24}",
            bytes in proptest::collection::vec(any::<u8>(), 0..40),
        ) {
            let _ = read(&bytes, None);
            let text = format!("{head}\n{body}");
            for wanted in [None, Some(MeasuredAt::Crank)] {
                let Ok(Some(sheet)) = read(&[text.as_bytes(), &bytes].concat(), wanted) else { continue };
                let dropped: usize = sheet.reading.dropped.values().sum();
                prop_assert_eq!(sheet.reading.rows, sheet.rows.len() + dropped);
                prop_assert!(sheet.rows.iter().all(|(rpm, kw)| POSSIBLE_RPM.contains(rpm) && *kw > 0.0 && *kw <= POSSIBLE_KW));
            }
        }
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
