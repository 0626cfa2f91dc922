//! Columns as they come out of a file, and the door where they are cleaned.

use super::delimited::is_missing;
use super::registered::{Registered, known_channel};
use super::{Channel, RideError};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};

/// A value that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct BadValue {
    /// One-based line in the file.
    pub line: u64,
    /// One-based field in the line.
    pub column: u64,
    /// The channel it belongs to.
    #[serde(deserialize_with = "known_channel")]
    pub channel: Registered,
    /// What stood there, shortened.
    pub value: String,
}

/// What was met while reading a log.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadingReport {
    /// Sample rows in the file.
    pub rows: usize,
    /// Rows that were dropped at the door, by reason.
    pub dropped: BTreeMap<&'static str, usize>,
    /// The first values that could not be read.
    pub unparsable: Vec<BadValue>,
    /// How many could not be read, by channel.
    pub unparsable_by_channel: BTreeMap<&'static str, usize>,
    /// Titles that are no channel.
    pub ignored_titles: Vec<String>,
    /// What else is worth knowing of how it was read.
    pub notes: Vec<String>,
}

impl ReadingReport {
    /// How many unreadable values are kept to be shown.
    pub const SHOWN: usize = 20;

    /// How many values could not be read in all.
    pub fn unparsable_total(&self) -> usize {
        self.unparsable_by_channel.values().sum()
    }

    /// Counts a value that could not be read.
    pub fn bad_value(&mut self, line: u64, column: u64, channel: Channel, value: &str) {
        const LONGEST: usize = 24;
        *self.unparsable_by_channel.entry(channel.name()).or_default() += 1;
        if self.unparsable.len() < Self::SHOWN {
            let value = value.chars().take(LONGEST).collect();
            self.unparsable.push(BadValue { line, column, channel: channel.name(), value });
        }
    }

    /// How many rows were dropped, and why, in brackets; empty when none was.
    fn dropped_in_words(&self) -> String {
        let about = |key: &str| DOOR_REASONS.iter().find(|(k, _)| *k == key).map_or("", |(_, about)| *about);
        let parts: Vec<String> =
            self.dropped.iter().map(|(key, n)| format!("{n} rows: {}", about(key))).collect();
        if parts.is_empty() { String::new() } else { format!(" ({})", parts.join("; ")) }
    }

    /// Counts a row that is dropped.
    pub fn drop_row(&mut self, reason: &'static str) {
        *self.dropped.entry(reason).or_default() += 1;
    }
}

/// Why a row is dropped at the door, for documentation.
pub const DOOR_REASONS: [(&str, &str); 6] = [
    ("time_jumps", "the row's time lies ahead of the rows after it"),
    ("no_time", "the row has no time that can be read"),
    ("duplicate_time", "the row has the same time as the one before"),
    ("time_goes_back", "the row's time lies before an earlier one"),
    ("wrong_field_count", "the row has more or fewer fields than the header"),
    ("half_written_line", "the file ends in the middle of this line"),
];

/// The slot that each row names. A ride knows few of them, so each name is kept once.
#[derive(Debug, Clone, Default)]
pub(super) struct SlotNames {
    names: Vec<String>,
    by_name: HashMap<String, usize>,
    /// Row by row, which of `names`; `None` where the row names none.
    rows: Vec<Option<usize>>,
}

impl SlotNames {
    /// Adds a row whose field holds `text`.
    pub fn push(&mut self, text: &[u8]) {
        let last = self.rows.last().copied().flatten();
        if let Some(same) = last.filter(|i| self.names[*i].as_bytes() == text) {
            return self.rows.push(Some(same));
        }
        let row = (!is_missing(text)).then(|| self.place(&String::from_utf8_lossy(text)));
        self.rows.push(row);
    }

    fn place(&mut self, name: &str) -> usize {
        self.by_name.get(name).copied().unwrap_or_else(|| {
            self.names.push(name.to_owned());
            self.by_name.insert(name.to_owned(), self.names.len() - 1);
            self.names.len() - 1
        })
    }

    /// Whether any row names a slot.
    pub fn any(&self) -> bool {
        self.rows.iter().any(Option::is_some)
    }

    /// The names row by row.
    pub fn iter(&self) -> impl Iterator<Item = Option<&str>> {
        self.rows.iter().map(|row| row.map(|i| self.names[i].as_str()))
    }
}

/// The channels of a ride, behind the door: as many values in each, in
/// strictly ascending time.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    /// Numeric channels, `time_s` among them; missing is NaN.
    pub numbers: Vec<(Channel, Vec<f64>)>,
    /// The slot channel.
    pub slot: Option<SlotNames>,
}

/// Channels as read, row by row, before cleaning.
#[derive(Debug, Default)]
pub(super) struct RawColumns {
    /// Numeric channels; missing is NaN.
    pub numbers: Vec<(Channel, Vec<f64>)>,
    /// The slot channel.
    pub slot: Option<SlotNames>,
    /// What was met so far.
    pub report: ReadingReport,
}

impl RawColumns {
    /// Checks the set of channels before any row is read.
    pub fn check_channels(channels: &[Channel]) -> Result<(), RideError> {
        for (i, channel) in channels.iter().enumerate() {
            if channels[..i].contains(channel) {
                return Err(RideError::DoubleChannel(channel.name()));
            }
        }
        if !channels.contains(&Channel::TimeS) {
            return Err(RideError::MissingChannel(Channel::TimeS.name()));
        }
        Ok(())
    }

    /// Drops rows whose time cannot serve.
    pub fn through_the_door(mut self) -> Result<(Columns, ReadingReport), RideError> {
        let time = self.numbers.iter().find(|(c, _)| *c == Channel::TimeS);
        let time = time.map(|(_, v)| v.as_slice()).unwrap_or_default();
        let mut dropped = Vec::new();
        let mut last = f64::NEG_INFINITY;
        for (i, t) in time.iter().enumerate() {
            // A single time far ahead of all that follow is the odd one.
            let next = time.get(i + 1).copied().unwrap_or(f64::NAN);
            let reason = match *t {
                t if t.is_nan() => "no_time",
                t if t == last => "duplicate_time",
                t if t < last => "time_goes_back",
                t if last.is_finite() && next > last && next < t => "time_jumps",
                t => {
                    last = t;
                    continue;
                }
            };
            self.report.drop_row(reason);
            dropped.push(i);
        }
        if time.len() == dropped.len() {
            return Err(RideError::NoSamples(self.report.dropped_in_words()));
        }
        if !dropped.is_empty() {
            self.numbers.iter_mut().for_each(|(_, values)| drop_rows(values, &dropped));
            if let Some(slots) = &mut self.slot {
                drop_rows(&mut slots.rows, &dropped);
            }
        }
        Ok((Columns { numbers: self.numbers, slot: self.slot }, self.report))
    }
}

/// Drops the rows at ascending positions.
fn drop_rows<T>(values: &mut Vec<T>, dropped: &[usize]) {
    let mut dropped = dropped.iter().copied().peekable();
    let mut row = 0;
    values.retain(|_| {
        row += 1;
        dropped.next_if_eq(&(row - 1)).is_none()
    });
}
