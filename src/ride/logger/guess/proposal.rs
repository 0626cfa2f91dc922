//! The proposal and its parts, as reports and scripts see them.

use super::ask;
use super::column::Spread;
use super::say::Say;
use super::trial::Trial;
use crate::ride::{Channel, RideError};
use schemars::JsonSchema;
use serde::Serialize;

/// What the proposal is made with besides the log.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// The logger's name, that of its file without the ending.
    pub name: String,
    /// The bike's fuel, where it is one known by name.
    pub fuel: Option<String>,
    /// The channel of the fuel table's load axis.
    pub load: Option<Channel>,
    /// The bike's slots.
    pub slots: Vec<String>,
    /// What the person said.
    pub says: Vec<Say>,
}

/// Something found out, and by what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Finding {
    /// What it is.
    pub what: String,
    /// By what it is known.
    pub why: String,
}

/// How far a line of the proposal can be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Confidence {
    /// One of name, unit and readings is all there is, or they disagree.
    Unsure,
    /// Two of name, unit and readings speak for it.
    Likely,
    /// Name, unit and readings speak for it, or the person said so.
    Sure,
}

impl Confidence {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Confidence::Unsure => "unsure",
            Confidence::Likely => "likely",
            Confidence::Sure => "sure",
        }
    }
}

/// A channel as it is proposed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct GuessedChannel {
    /// The channel.
    pub channel: &'static str,
    /// The title of its column; of several that act together, with ` + ` between them.
    pub title: String,
    /// The unit of the column, as a mapping writes it; none while it is asked for.
    pub unit: Option<&'static str>,
    /// Whether it stands in the mapping; what is asked for does not.
    pub is_mapped: bool,
    /// How far it can be trusted.
    pub confidence: Confidence,
    /// Why.
    pub reasons: Vec<String>,
    /// The least reading, in the unit of the log; none for a column of words.
    pub low: Option<f64>,
    /// One reading in twenty lies below.
    pub q05: Option<f64>,
    /// Half of the readings lie below.
    pub median: Option<f64>,
    /// One reading in twenty lies above.
    pub q95: Option<f64>,
    /// The highest reading.
    pub high: Option<f64>,
    /// The share of rows without a reading, 0 to 1.
    pub missing_share: Option<f64>,
    /// How many readings lie in each of equal parts of the range.
    pub bins: Vec<u64>,
}

impl GuessedChannel {
    /// One of which only the readings are known.
    pub(super) fn spread_as(spread: Option<&Spread>) -> Self {
        let of = |part: fn(&Spread) -> f64| spread.map(part);
        Self {
            channel: "",
            title: String::new(),
            unit: None,
            is_mapped: false,
            confidence: Confidence::Unsure,
            reasons: Vec::new(),
            low: of(|s| s.low),
            q05: of(|s| s.q05),
            median: of(|s| s.median),
            q95: of(|s| s.q95),
            high: of(|s| s.high),
            missing_share: of(|s| s.missing_share),
            bins: spread.map(|s| s.bins.clone()).unwrap_or_default(),
        }
    }

    /// A reading with as many decimals as the range has a use for.
    pub fn shown(&self, reading: f64) -> String {
        ask::short(reading, self.low.unwrap_or(reading), self.high.unwrap_or(reading))
    }
}

/// A possible answer to a question.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Answer {
    /// What is added to the command line.
    pub flag: String,
    /// What the readings are then.
    pub meaning: String,
}

/// Something that the log does not tell beyond doubt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Question {
    /// The channel it is about.
    pub channel: &'static str,
    /// The question, with what gives rise to it.
    pub text: String,
    /// Possible answers.
    pub answers: Vec<Answer>,
    /// Whether a wrong answer would ruin a map; nothing is written while such a question is open.
    pub is_needed: bool,
}

/// A column that feeds no channel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct UnusedColumn {
    /// Its title.
    pub title: String,
    /// What it holds.
    pub holds: String,
}

/// The proposal.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Guess {
    /// How the log is written.
    pub written_as: Vec<Finding>,
    /// The channels, the time first.
    pub channels: Vec<GuessedChannel>,
    /// Columns that feed no channel.
    pub unused: Vec<UnusedColumn>,
    /// What the log does not tell beyond doubt.
    pub questions: Vec<Question>,
    /// What else is worth knowing.
    pub remarks: Vec<String>,
    /// The text of the logger file, as far as it is settled.
    pub mapping: String,
    /// How the log reads through it.
    pub trial: Trial,
}

/// Why there is no proposal.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GuessError {
    /// The log cannot be used at all.
    #[error(transparent)]
    Log(#[from] RideError),
    /// Text without a table in it.
    #[error("this is no log that can be understood: {0}")]
    NoTable(String),
    /// Nothing to propose.
    #[error("its titles are the channels' own: it is read as it is, and no logger is asked")]
    OwnNames,
    /// An answer that does not fit the log.
    #[error("--say: {0}")]
    Said(String),
}
