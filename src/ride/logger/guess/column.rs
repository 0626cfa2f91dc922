//! A column of the log as it looks: its title, what unit it tells, how its readings spread.

use super::super::apply;
use super::super::mapping::ChannelColumn;
use super::super::reading::Reading;
use super::super::units::{self, Unit};
use super::names::words_of;
use crate::ride::source::{Cells, SourceLog, Stands, Title, Wanted};
use crate::ride::{Channel, RideError};
use schemars::JsonSchema;
use serde::Serialize;

/// How the readings of a column spread, in the unit of the log.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Spread {
    /// The least reading.
    pub low: f64,
    /// One in twenty lies below.
    pub q05: f64,
    /// Half lie below.
    pub median: f64,
    /// One in twenty lies above.
    pub q95: f64,
    /// The highest reading.
    pub high: f64,
    /// The share of rows without a reading, 0 to 1.
    pub missing_share: f64,
    /// How many readings lie in each of equal parts of the range.
    pub bins: Vec<u64>,
}

/// Parts of the range that readings are counted in.
const BINS: usize = 64;

impl Spread {
    pub(super) fn of(values: &[f64]) -> Option<Self> {
        let mut there: Vec<f64> = values.iter().copied().filter(|value| !value.is_nan()).collect();
        there.sort_by(f64::total_cmp);
        let (low, high) = (*there.first()?, *there.last()?);
        let at = |share: f64| there[((there.len() - 1) as f64 * share).round() as usize];
        let mut bins = vec![0; BINS];
        for value in &there {
            let share = if high > low { (value - low) / (high - low) } else { 0.0 };
            bins[((share * BINS as f64) as usize).min(BINS - 1)] += 1;
        }
        let missing_share = 1.0 - there.len() as f64 / values.len() as f64;
        Some(Self { low, q05: at(0.05), median: at(0.5), q95: at(0.95), high, missing_share, bins })
    }

    /// Whether it never moves.
    pub fn is_still(&self) -> bool {
        self.low == self.high
    }
}

/// A column of the log.
#[derive(Debug)]
pub(super) struct Column {
    pub title: Title,
    /// Its position among the titles of the log.
    pub position: usize,
    /// The words of its name.
    pub words: Vec<String>,
    /// The unit it tells, in brackets, in a unit row or at the end of its name.
    pub told: Option<Unit>,
    /// That unit as it stands there, also where it is not known.
    pub told_text: Option<String>,
    /// The readings; missing and unreadable ones are NaN.
    pub values: Vec<f64>,
    /// The rows of the log in which they stand; without them, all.
    pub rows: Option<Vec<usize>>,
    /// None where there is not one number.
    pub spread: Option<Spread>,
    /// The first different texts of a column without numbers.
    pub texts: Vec<String>,
}

impl Column {
    /// The name in a mapping: without its unit where that is enough to find it.
    pub fn key(&self, all: &[Column]) -> String {
        let low = self.title.name.to_lowercase();
        let same = |column: &&Column| {
            column.title.name.to_lowercase() == low || column.title.text.to_lowercase() == low
        };
        match !low.is_empty() && all.iter().filter(same).count() == 1 {
            true => self.title.name.clone(),
            false => self.title.text.clone(),
        }
    }

    /// Whether all readings are whole numbers.
    pub fn is_whole(&self) -> bool {
        self.values.iter().all(|value| value.is_nan() || value.fract() == 0.0)
    }

    /// The readings that are there with the row of each.
    pub fn points(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        let row = move |i: usize| self.rows.as_ref().map_or(i, |rows| rows[i]);
        self.values.iter().enumerate().filter(|(_, v)| !v.is_nan()).map(move |(i, v)| (row(i), *v))
    }

    /// Its readings beside those that the other column held last, row by row.
    pub fn beside(&self, other: &Column) -> Vec<(f64, f64)> {
        let mut others = other.points().peekable();
        let mut held = f64::NAN;
        let mut pairs = Vec::new();
        for (row, value) in self.points() {
            while let Some((_, next)) = others.next_if(|(at, _)| *at <= row) {
                held = next;
            }
            if !held.is_nan() {
                pairs.push((value, held));
            }
        }
        pairs
    }
}

/// The times of a log whose columns keep their own, s from the first: every time of any of them is a
/// row, and each column is brought to its rows.
pub(super) fn share_rows(log: &dyn SourceLog, columns: &mut [Column]) -> Result<Vec<f64>, RideError> {
    let number = |position: usize| Wanted {
        position,
        channel: Channel::Rpm,
        reading: Reading::number(plain_column()),
    };
    let all: Vec<Wanted<'_>> = (0..columns.len()).map(number).collect();
    let read = log.read(&all)?.columns;
    let mut times = apply::all_times(&read);
    for (column, read) in columns.iter_mut().zip(&read) {
        let Stands::AtTimes(own) = &read.stands else { continue };
        let row = |time: &f64| times.binary_search_by(|row| row.total_cmp(time));
        let (rows, values) = own
            .iter()
            .zip(&column.values)
            .filter_map(|(time, value)| Some((row(time).ok()?, *value)))
            .unzip();
        (column.rows, column.values) = (Some(rows), values);
    }
    let first = times.first().copied().unwrap_or_default();
    times.iter_mut().for_each(|time| *time -= first);
    Ok(times)
}

/// Reads all columns of a log.
pub(super) fn read_all(log: &dyn SourceLog) -> Result<Vec<Column>, RideError> {
    let plain = ChannelColumn::default();
    let wanted =
        |position: usize, reading: Reading<'static>| Wanted { position, channel: Channel::Rpm, reading };
    let all: Vec<usize> = (0..log.titles().len()).collect();
    let number = || Reading::number(plain_column());
    let numbers: Vec<Wanted<'_>> = all.iter().map(|at| wanted(*at, number())).collect();
    let mut columns = Vec::new();
    let read = match log.read(&numbers) {
        Ok(read) => read.columns.into_iter().map(|column| Some((column.cells, column.stands))).collect(),
        // A column that holds no numbers at all must not hide the others.
        Err(_) => all
            .iter()
            .map(|at| {
                let mut read = log.read(&[wanted(*at, number())]).ok()?.columns;
                read.pop().map(|column| (column.cells, column.stands))
            })
            .collect::<Vec<_>>(),
    };
    for (position, (title, read)) in log.titles().iter().zip(read).enumerate() {
        let (values, rows) = match read {
            Some((Cells::Numbers(values), Stands::InRows(rows))) => (values, Some(rows)),
            Some((Cells::Numbers(values), _)) => (values, None),
            _ => (Vec::new(), None),
        };
        let spread = Spread::of(&values);
        let (told_text, told, name) = told(title);
        columns.push(Column {
            title: title.clone(),
            position,
            words: words_of(&name),
            told,
            told_text,
            values,
            rows,
            spread,
            texts: Vec::new(),
        });
    }
    let names: Vec<usize> =
        columns.iter().filter(|column| is_mostly_text(column)).map(|column| column.position).collect();
    for position in names {
        let slot = Wanted { position, channel: Channel::Rpm, reading: Reading::slot(&plain) };
        let Ok(read) = log.read(&[slot]) else { continue };
        if let Some(Cells::Texts(texts)) = read.columns.into_iter().next().map(|column| column.cells) {
            columns[position].texts = first_different(texts);
        }
    }
    Ok(columns)
}

/// A column of a mapping that says nothing.
fn plain_column() -> &'static ChannelColumn {
    static PLAIN: std::sync::LazyLock<ChannelColumn> = std::sync::LazyLock::new(ChannelColumn::default);
    &PLAIN
}

fn is_mostly_text(column: &Column) -> bool {
    const MOSTLY: f64 = 0.5;
    column.spread.as_ref().is_none_or(|spread| spread.missing_share > MOSTLY)
}

fn first_different(texts: Vec<Option<String>>) -> Vec<String> {
    /// A log with one row a value has few names; a column of remarks many texts.
    const MOST: usize = 400;
    let mut seen = std::collections::HashSet::new();
    let texts = texts.into_iter().flatten();
    texts.filter(|text| seen.len() < MOST && seen.insert(text.clone())).collect()
}

/// The unit that a title tells: its text, the unit where it is known, and the name without it.
fn told(title: &Title) -> (Option<String>, Option<Unit>, String) {
    if let Some(text) = &title.unit {
        // A degree sign that went through a wrong encoding.
        let repaired: String = text.chars().filter(|c| !matches!(c, 'Â' | '\u{fffd}')).collect();
        let unit = units::from_text(&repaired);
        // Two units that do not agree tell none.
        return match title.other_unit.as_deref().filter(|other| !units::is_of_no_unit(other)) {
            Some(other) if units::from_text(other) != unit => {
                (Some(format!("{text} and {other}")), None, title.name.clone())
            }
            _ => (Some(text.clone()), unit, title.name.clone()),
        };
    }
    let name = title.name.trim();
    let Some(at) = name.rfind([' ', '_', '.', '-', ',']) else { return (None, None, name.to_owned()) };
    let (before, last) = (name[..at].trim_end_matches([' ', '_', '.', '-', ',']), &name[at + 1..]);
    let words = words_of(before);
    let of_temperature = || {
        let marks = ["temp", "coolant", "ect", "clt", "iat", "oil", "water", "cht", "mat", "kuhlmittel"];
        words
            .iter()
            .any(|word| marks.iter().any(|mark| word.starts_with(mark) || word.ends_with("temperatur")))
    };
    let unit = units::from_text(last).filter(|unit| match last.to_lowercase().as_str() {
        // One letter may number sensors as well.
        "c" | "f" | "k" => of_temperature(),
        "v" => !words.is_empty(),
        "rpm" | "lambda" | "λ" | "afr" | "phi" | "volt" | "volts" | "deg" | "kn" | "hz" => false,
        _ => !words.is_empty() && *unit != Unit::Number,
    });
    match unit {
        Some(unit) => (Some(last.to_owned()), Some(unit), before.to_owned()),
        None => (None, None, name.to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_tells_its_unit_in_brackets_or_at_its_end() {
        let told_of = |text: &str| told(&Title::new(text)).1;
        assert_eq!(told_of("Coolant [Â°C]"), Some(Unit::Celsius));
        assert_eq!(told_of("Coolant temp F"), Some(Unit::Fahrenheit));
        assert_eq!(told_of("map_kpa"), Some(Unit::Kpa));
        assert_eq!(told_of("Throttle position C"), None);
        assert_eq!(told_of("THROTTLE ()"), None);
    }

    #[test]
    fn the_spread_counts_what_is_there() {
        let values: Vec<f64> = (0..=100).map(f64::from).chain([f64::NAN]).collect();
        let spread = Spread::of(&values).expect("numbers");
        assert_eq!(
            (spread.low, spread.q05, spread.median, spread.q95, spread.high),
            (0.0, 5.0, 50.0, 95.0, 100.0)
        );
        assert_eq!(spread.bins.iter().sum::<u64>(), 101);
        assert!((spread.missing_share - 1.0 / 102.0).abs() < 1e-12);
        assert!(Spread::of(&[f64::NAN]).is_none());
    }
}
