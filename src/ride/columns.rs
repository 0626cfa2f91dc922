//! Columns as they come out of a file, and the door where they are cleaned.

use super::registered::{Registered, known_channel};
use super::{Channel, RideError};
use polars::prelude::{Column, DataFrame};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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

/// Channels as read, row by row, before cleaning.
#[derive(Debug, Default)]
pub(super) struct RawColumns {
    /// Numeric channels; missing is NaN.
    pub numbers: Vec<(Channel, Vec<f64>)>,
    /// The slot channel.
    pub slot: Option<Vec<Option<String>>>,
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

    /// Drops rows whose time cannot serve and makes the frame.
    pub fn into_frame(mut self) -> Result<(DataFrame, ReadingReport), RideError> {
        let time = self.numbers.iter().find(|(c, _)| *c == Channel::TimeS);
        let time = time.map(|(_, v)| v.as_slice()).unwrap_or_default();
        let mut keep = Vec::with_capacity(time.len());
        let mut last = f64::NEG_INFINITY;
        for (i, t) in time.iter().enumerate() {
            // A single time far ahead of all that follow is the odd one.
            let next = time.get(i + 1).copied().unwrap_or(f64::NAN);
            let reason = match *t {
                t if t.is_nan() => Some("no_time"),
                t if t == last => Some("duplicate_time"),
                t if t < last => Some("time_goes_back"),
                t if last.is_finite() && next > last && next < t => Some("time_jumps"),
                _ => None,
            };
            keep.push(reason.is_none());
            match reason {
                Some(reason) => self.report.drop_row(reason),
                None => last = *t,
            }
        }
        let kept = keep.iter().filter(|k| **k).count();
        if kept == 0 {
            return Err(RideError::NoSamples(self.report.dropped_in_words()));
        }
        let mut columns = Vec::with_capacity(self.numbers.len() + 1);
        for (channel, mut values) in self.numbers {
            retain(&mut values, &keep);
            columns.push(Column::new(channel.name().into(), values));
        }
        if let Some(mut slots) = self.slot {
            retain(&mut slots, &keep);
            columns.push(Column::new(Channel::Slot.name().into(), slots));
        }
        let frame =
            DataFrame::new(kept, columns).expect("columns of one length under distinct names make a frame");
        Ok((frame, self.report))
    }
}

fn retain<T>(values: &mut Vec<T>, keep: &[bool]) {
    let mut i = 0;
    values.retain(|_| {
        i += 1;
        keep[i - 1]
    });
}
