//! What every format of a foreign log gives: columns with titles, of which some are read.
//!
//! A format implements [`SourceLog`]; the mapping of a logger does the rest, whatever the format.

use super::columns::ReadingReport;
use super::logger::Reading;
use super::{Channel, RideError};

/// The title of a column as it stands, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Title {
    /// All of it, without blanks around.
    pub text: String,
    /// Without the unit in brackets.
    pub name: String,
    /// The unit: in brackets, in a row under the titles, or as the format keeps it.
    pub unit: Option<String>,
    /// A second unit, where the row under the titles tells another one than the brackets.
    pub other_unit: Option<String>,
}

impl Title {
    /// Takes a title such as `Engine speed [1/min]` apart.
    pub fn new(text: &str) -> Self {
        let text = text.trim();
        let (name, unit) = bracketed(text).unwrap_or((text, None));
        Self { text: text.to_owned(), name: name.to_owned(), unit: unit.map(str::to_owned), other_unit: None }
    }

    /// A title whose unit the format keeps elsewhere; where the title's own brackets tell another
    /// one, both stand.
    pub fn with_unit(mut self, unit: &str) -> Self {
        let unit = unit.trim();
        let unit =
            bracketed(unit).and_then(|(before, inner)| inner.filter(|_| before.is_empty())).unwrap_or(unit);
        match &self.unit {
            _ if unit.is_empty() => {}
            None => self.unit = Some(unit.to_owned()),
            Some(own) if own.eq_ignore_ascii_case(unit) => {}
            Some(_) => self.other_unit = Some(unit.to_owned()),
        }
        self
    }
}

/// A text that ends in brackets: what stands before them, and in them.
fn bracketed(text: &str) -> Option<(&str, Option<&str>)> {
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some(inside) = text.strip_suffix(close)
            && let Some(at) = inside.rfind(open)
        {
            let inner = inside[at + 1..].trim();
            return Some((inside[..at].trim_end(), (!inner.is_empty()).then_some(inner)));
        }
    }
    None
}

/// Where a title is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// Nowhere.
    Nowhere,
    /// At one position.
    At(usize),
    /// At several.
    Several,
}

/// Finds the column that a mapping means: by the whole title, in any case, without its unit;
/// the first of these that gives any.
pub(super) fn find(titles: &[Title], wanted: &str) -> Found {
    let wanted = wanted.trim();
    let low = wanted.to_lowercase();
    let ways: [&dyn Fn(&Title) -> bool; 3] =
        [&|title| title.text == wanted, &|title| title.text.to_lowercase() == low, &|title| {
            title.name.to_lowercase() == low
        }];
    for way in ways {
        let mut positions = titles.iter().enumerate().filter(|(_, title)| way(title)).map(|(i, _)| i);
        match (positions.next(), positions.next()) {
            (Some(at), None) => return Found::At(at),
            (Some(_), Some(_)) => return Found::Several,
            (None, _) => {}
        }
    }
    Found::Nowhere
}

/// A column that is to be read.
pub(super) struct Wanted<'m> {
    /// Its position among the titles.
    pub position: usize,
    /// The channel it feeds, for what is said of unreadable values.
    pub channel: Channel,
    /// How its fields become values.
    pub reading: Reading<'m>,
}

/// The values of a column.
#[derive(Debug)]
pub(super) enum Cells {
    /// Missing is NaN.
    Numbers(Vec<f64>),
    /// Names of slots.
    Texts(Vec<Option<String>>),
}

/// Where the values of a column stand.
#[derive(Debug)]
pub(super) enum Stands {
    /// One in every row of the log, the time column among them.
    InEveryRow,
    /// In these rows of the log, ascending.
    InRows(Vec<usize>),
    /// At times of their own, s from a moment that all columns of the log share, ascending.
    AtTimes(Vec<f64>),
}

/// A column, read.
#[derive(Debug)]
pub(super) struct ReadColumn {
    /// Its values.
    pub cells: Cells,
    /// Where they stand.
    pub stands: Stands,
}

/// What was read of a log.
#[derive(Debug)]
pub(super) struct ReadLog {
    /// The columns, as they were wanted.
    pub columns: Vec<ReadColumn>,
    /// What was met on the way.
    pub report: ReadingReport,
}

/// A foreign log that is open.
pub(super) trait SourceLog {
    /// The titles of its columns.
    fn titles(&self) -> &[Title];

    /// Whether its columns carry their times, so that no column of the time is needed.
    fn has_own_times(&self) -> bool {
        false
    }

    /// Reads some of its columns.
    ///
    /// # Errors
    /// When the log cannot be used at all; single values and rows are counted.
    fn read(&self, wanted: &[Wanted<'_>]) -> Result<ReadLog, RideError>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_is_taken_apart_and_found_again() {
        let titles: Vec<Title> =
            ["Time", "Engine speed [1/min]", "Oil (°C)", "oil", "Speed [km/h]", "Speed [mph]", "(x)"]
                .map(Title::new)
                .into();
        assert_eq!((titles[1].name.as_str(), titles[1].unit.as_deref()), ("Engine speed", Some("1/min")));
        assert_eq!(find(&titles, "engine speed"), Found::At(1));
        assert_eq!(find(&titles, "Engine speed [1/min] "), Found::At(1));
        // The whole title goes before the one without its unit.
        assert_eq!(find(&titles, "Oil"), Found::At(3));
        assert_eq!(find(&titles, "Speed"), Found::Several);
        assert_eq!(find(&titles, "SPEED [MPH]"), Found::At(5));
        assert_eq!(find(&titles, "Gear"), Found::Nowhere);
        assert_eq!(Title::new("a").with_unit(" [kPa] ").unit.as_deref(), Some("kPa"));
        assert_eq!(Title::new("a [psi]").with_unit("kPa").unit.as_deref(), Some("psi"));
    }
}
