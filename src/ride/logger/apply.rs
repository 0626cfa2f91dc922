//! An open log and the mapping of a logger → the columns of the channels.

use super::clock;
use super::mapping::{ChannelColumn, Mapping, TimeForm};
use super::reading::Reading;
use super::sparse;
use super::units::{self, Unit};
use crate::ride::columns::{RawColumns, ReadingReport, SlotNames};
use crate::ride::source::{Cells, Found, ReadColumn, SourceLog, Stands, Title, Wanted, find};
use crate::ride::{Channel, RideError};
use std::collections::BTreeMap;

/// Whether a row of titles is one that the mapping speaks of: the time, where it names one, and at
/// least one channel.
pub(super) fn are_titles(titles: &[Title], mapping: &Mapping, has_own_times: bool) -> bool {
    let is_there = |title: &str| find(titles, title) != Found::Nowhere;
    let mut channels = mapping.channels();
    (has_own_times || mapping.time.as_ref().is_none_or(|time| is_there(&time.title)))
        && channels.any(|(_, column)| column.titles().iter().all(|title| is_there(title)))
}

/// Reads the channels of a log.
///
/// # Errors
/// What of the mapping the log contradicts, in words; that it has none of the mapped titles; and
/// what is wrong with the log itself.
pub(super) fn read(log: &dyn SourceLog, mapping: &Mapping, name: &str) -> Result<RawColumns, RideError> {
    let contradiction = |what: String| RideError::Logger { name: name.to_owned(), what };
    let plan = Plan::new(log, mapping).map_err(contradiction)?;
    if plan.wanted.len() == usize::from(plan.has_time) {
        return Err(RideError::NoLogger(super::shown(log.titles())));
    }
    let read = log.read(&plan.wanted)?;
    let mut report = read.report;
    if report.rows == 0 {
        return Err(RideError::NoSamples(String::new()));
    }
    let is_wanted = |i: usize| plan.wanted.iter().any(|wanted| wanted.position == i);
    let ignored =
        log.titles().iter().enumerate().filter(|(i, title)| !is_wanted(*i) && !title.text.is_empty());
    report.ignored_titles = ignored.map(|(_, title)| title.text.clone()).collect();
    report.notes.extend(plan.notes);
    let mut columns = read.columns;
    let time = match plan.has_time {
        true => Some(columns.remove(0)),
        false => None,
    };
    let mut rows = Rows::share(time, columns, mapping, &mut report);
    let mut places = plan.wanted.iter().skip(usize::from(plan.has_time)).map(|w| w.channel).enumerate();
    let mut by_channel: BTreeMap<Channel, Vec<usize>> = BTreeMap::new();
    places.by_ref().for_each(|(i, channel)| by_channel.entry(channel).or_default().push(i));
    let is_filled = rows.keep_rows_of(mapping, &by_channel, &mut report);
    let mut out = RawColumns { report, ..RawColumns::default() };
    let mut numbers: BTreeMap<Channel, Vec<f64>> = BTreeMap::new();
    for (channel, column) in mapping.channels() {
        let Some(places) = by_channel.get(&channel) else { continue };
        let sparse = mapping.sparse_of(channel, column).filter(|_| !is_filled);
        if channel == Channel::Slot {
            let mut names = rows.take_names(places[0]);
            if let Some(hold_s) = sparse.and_then(|s| s.hold_s) {
                sparse::hold_names(&mut names, &rows.times, hold_s);
            }
            let mut slots = SlotNames::default();
            names.iter().for_each(|name| slots.push(name.as_deref().unwrap_or_default().as_bytes()));
            out.slot = Some(slots);
            continue;
        }
        let mut parts = Vec::new();
        for place in places {
            let mut values = rows.take_numbers(*place);
            // Gauge pressures wait for the pressure of the air around.
            if !column.unit_of(channel).is_gauge() {
                in_native_unit(&mut values, column, channel, &[]);
            }
            if let Some(sparse) = sparse {
                sparse::fill(&mut values, &rows.times, sparse);
            }
            parts.push(values);
        }
        numbers.insert(channel, acting_together(parts));
    }
    let ambient = ambient_kpa(&numbers, mapping, rows.times.len());
    for (channel, column) in mapping.channels().filter(|(c, column)| column.unit_of(*c).is_gauge()) {
        if let Some(values) = numbers.get_mut(&channel) {
            in_native_unit(values, column, channel, &ambient);
        }
    }
    out.numbers = std::iter::once((Channel::TimeS, rows.times)).chain(numbers).collect();
    Ok(out)
}

/// What is read of a log, and what of the mapping it lacks.
struct Plan<'m> {
    /// The time first, where the log has a column of it.
    wanted: Vec<Wanted<'m>>,
    has_time: bool,
    notes: Vec<String>,
}

impl<'m> Plan<'m> {
    fn new(log: &dyn SourceLog, mapping: &'m Mapping) -> Result<Self, String> {
        let titles = log.titles();
        let mut plan = Self { wanted: Vec::new(), has_time: !log.has_own_times(), notes: Vec::new() };
        if plan.has_time {
            let Some(time) = &mapping.time else {
                return Err("`time` is missing: only measurement files (MDF 4) need none".to_owned());
            };
            let position = match find(titles, &time.title) {
                Found::At(position) => position,
                Found::Nowhere => return Err(format!("the log lacks the time's title `{}`", time.title)),
                Found::Several => return Err(several(&time.title)),
            };
            check_time_unit(&titles[position], time.form)?;
            let reading = Reading::time(time.form);
            plan.wanted.push(Wanted { position, channel: Channel::TimeS, reading });
        }
        for (channel, column) in mapping.channels() {
            let mut positions = Vec::new();
            let mut lacking = Vec::new();
            for title in column.titles() {
                match find(titles, title) {
                    Found::At(position) => positions.push(position),
                    Found::Nowhere => lacking.push(format!("`{title}`")),
                    Found::Several => return Err(several(title)),
                }
            }
            if !lacking.is_empty() {
                let title = lacking.join(" and ");
                plan.notes.push(format!("the log lacks {title}, from which `{}` would come", channel.name()));
                continue;
            }
            for position in positions {
                check_unit(&titles[position], channel, column)?;
                let reading = match channel {
                    Channel::Slot => Reading::slot(column),
                    _ => Reading::number(column),
                };
                plan.wanted.push(Wanted { position, channel, reading });
            }
        }
        Ok(plan)
    }
}

fn several(title: &str) -> String {
    format!("the title `{title}` appears twice in the log, or in two units: name one in full")
}

/// Refuses a column whose title, or the unit row under it, says another unit than the mapping,
/// and one whose unit nobody knows: read in the channel's own it might be anything.
fn check_unit(title: &Title, channel: Channel, column: &ChannelColumn) -> Result<(), String> {
    let wanted = column.unit_of(channel);
    if !column.is_direct() || wanted == Unit::Number {
        return Ok(());
    }
    let told: Vec<(&str, Option<Unit>)> = [&title.unit, &title.other_unit]
        .into_iter()
        .filter_map(|text| text.as_deref())
        .filter(|text| !units::is_of_no_unit(text))
        .map(|text| (text, units::from_text(text)))
        .collect();
    let Some((text, told)) = told.iter().find(|(_, unit)| unit.is_none_or(|unit| !wanted.agrees_with(unit)))
    else {
        return Ok(());
    };
    let Some(told) = told else {
        if column.unit.is_some() {
            return Ok(());
        }
        return Err(format!(
            "the log says that `{}` is in `{text}`, a unit that is not known, and `{}` is mapped without one; \
             `unit:` with one of {} would say what it is",
            title.text,
            channel.name(),
            Unit::words_for(channel).join(", ")
        ));
    };
    let advice = if told.quantity() == wanted.quantity() {
        format!("`unit: {}` would say so", told.word())
    } else {
        "is it the right column?".to_owned()
    };
    Err(format!(
        "the log says that `{}` is in {text}, but `{}` is mapped as {}; {advice}",
        title.text,
        channel.name(),
        wanted.word()
    ))
}

fn check_time_unit(title: &Title, form: TimeForm) -> Result<(), String> {
    let Some(unit) = &title.unit else { return Ok(()) };
    let told = match unit.to_lowercase().as_str() {
        "s" | "sec" | "secs" | "second" | "seconds" => TimeForm::Seconds,
        "ms" | "msec" | "millisecond" | "milliseconds" => TimeForm::Milliseconds,
        "us" | "µs" | "μs" | "microseconds" => TimeForm::Microseconds,
        "min" | "minutes" => TimeForm::Minutes,
        _ => return Ok(()),
    };
    // A clock's column may well say that it shows seconds.
    if told == form || super::mapping::is_written_clock(form) {
        return Ok(());
    }
    let word = |form: TimeForm| serde_json::to_value(form).ok().and_then(|v| v.as_str().map(str::to_owned));
    Err(format!(
        "the log says that the time `{}` is in {unit}, but it is mapped as {}; `as: {}` would say so",
        title.text,
        word(form).unwrap_or_default(),
        word(told).unwrap_or_default()
    ))
}

fn in_native_unit(values: &mut [f64], column: &ChannelColumn, channel: Channel, ambient_kpa: &[f64]) {
    let to_native = column.unit_of(channel).to_native(column.stoich_afr());
    for (i, value) in values.iter_mut().enumerate() {
        *value = to_native.apply(*value, ambient_kpa.get(i).copied().unwrap_or(f64::NAN));
    }
}

/// Trims that act one after the other multiply; a single column is itself.
///
/// Units: %. Where one is missing, nothing is known.
fn acting_together(mut parts: Vec<Vec<f64>>) -> Vec<f64> {
    let mut all = parts.remove(0);
    for part in parts {
        for (sum, trim) in all.iter_mut().zip(part) {
            *sum = ((1.0 + *sum / 100.0) * (1.0 + trim / 100.0) - 1.0) * 100.0;
        }
    }
    all
}

/// The pressure of the air around in each row: logged, or as the mapping says, kPa.
fn ambient_kpa(numbers: &BTreeMap<Channel, Vec<f64>>, mapping: &Mapping, rows: usize) -> Vec<f64> {
    let told = mapping.ambient_kpa.unwrap_or(f64::NAN);
    match numbers.get(&Channel::BaroKpa) {
        Some(logged) => logged.iter().map(|kpa| if kpa.is_nan() { told } else { *kpa }).collect(),
        None => vec![told; rows],
    }
}

/// Every time at which a column has a value of its own, ascending, s.
pub(super) fn all_times(columns: &[ReadColumn]) -> Vec<f64> {
    let own = |column: &ReadColumn| match &column.stands {
        Stands::AtTimes(times) => times.clone(),
        _ => Vec::new(),
    };
    let mut times: Vec<f64> = columns.iter().flat_map(own).filter(|time| time.is_finite()).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    times
}

/// The samples: their times, and the columns brought to them.
struct Rows {
    times: Vec<f64>,
    cells: Vec<Cells>,
}

impl Rows {
    /// Gives all columns the same rows.
    fn share(
        time: Option<ReadColumn>,
        columns: Vec<ReadColumn>,
        mapping: &Mapping,
        report: &mut ReadingReport,
    ) -> Self {
        let mut times = match time.map(|column| column.cells) {
            Some(Cells::Numbers(times)) => times,
            _ => Vec::new(),
        };
        if let Some(time) = mapping.time.as_ref().filter(|_| !times.is_empty()) {
            if !time.spread && clock::is_coarse(&times) && !columns.iter().any(is_in_rows) {
                report.notes.push(
                    "many rows bear the same time; where the clock shows whole seconds only, `spread: true` in \
                     `time` spreads them"
                        .to_owned(),
                );
            }
            clock::straighten(&mut times, time);
        }
        if columns.iter().any(|column| matches!(column.stands, Stands::AtTimes(_))) {
            return Self::at_all_times(columns, report);
        }
        if columns.iter().any(is_in_rows) {
            return Self::merged(&times, columns, report);
        }
        Self { times, cells: columns.into_iter().map(|column| column.cells).collect() }
    }

    /// Rows of one value each become rows of all values of the same time.
    fn merged(times: &[f64], columns: Vec<ReadColumn>, report: &mut ReadingReport) -> Self {
        let mut is_used = vec![false; times.len()];
        for column in &columns {
            if let Stands::InRows(rows) = &column.stands {
                rows.iter().for_each(|row| is_used[*row] = true);
            }
        }
        let mut merged = Vec::new();
        let mut place = vec![0; times.len()];
        for (row, time) in times.iter().enumerate().filter(|(row, _)| is_used[*row]) {
            if merged.last() != Some(time) {
                merged.push(*time);
            }
            place[row] = merged.len() - 1;
        }
        let dropped: usize = report.dropped.values().sum();
        report.rows = merged.len() + dropped;
        let cells = columns.into_iter().map(|column| {
            let mut values = vec![f64::NAN; merged.len()];
            if let (Stands::InRows(rows), Cells::Numbers(own)) = (&column.stands, column.cells) {
                for (row, value) in rows.iter().zip(own) {
                    // Of two values of one time the later stands.
                    values[place[*row]] = value;
                }
            }
            Cells::Numbers(values)
        });
        let cells = cells.collect();
        Self { times: merged, cells }
    }

    /// Columns with times of their own: every time of any of them is a row.
    fn at_all_times(columns: Vec<ReadColumn>, report: &mut ReadingReport) -> Self {
        let own = |column: &ReadColumn| match &column.stands {
            Stands::AtTimes(times) => times.clone(),
            _ => Vec::new(),
        };
        let mut times = all_times(&columns);
        report.rows = times.len();
        let cells = columns.into_iter().map(|column| {
            let places =
                own(&column).into_iter().map(|t| times.binary_search_by(|row| row.total_cmp(&t)).ok());
            match column.cells {
                Cells::Numbers(own) => {
                    let mut values = vec![f64::NAN; times.len()];
                    places.zip(own).for_each(|(place, value)| {
                        if let Some(place) = place {
                            values[place] = value;
                        }
                    });
                    Cells::Numbers(values)
                }
                Cells::Texts(own) => {
                    let mut names = vec![None; times.len()];
                    places.zip(own).for_each(|(place, name)| {
                        if let Some(place) = place {
                            names[place] = name;
                        }
                    });
                    Cells::Texts(names)
                }
            }
        });
        let cells = cells.collect();
        let first = times.first().copied().unwrap_or_default();
        times.iter_mut().for_each(|t| *t -= first);
        Self { times, cells }
    }

    /// Fills the other channels up and leaves only the rows where `rows_of` has its own value;
    /// tells whether it did.
    fn keep_rows_of(
        &mut self,
        mapping: &Mapping,
        by_channel: &BTreeMap<Channel, Vec<usize>>,
        report: &mut ReadingReport,
    ) -> bool {
        let Some(channel) = mapping.rows_of() else { return false };
        let Some(places) = by_channel.get(&channel) else { return false };
        // Filled before rows go: what lies between two samples belongs to the line between them.
        for (other, column) in mapping.channels().filter(|(c, _)| *c != channel) {
            let Some(sparse) = mapping.sparse_of(other, column) else { continue };
            for place in by_channel.get(&other).into_iter().flatten() {
                match &mut self.cells[*place] {
                    Cells::Numbers(values) => sparse::fill(values, &self.times, sparse),
                    Cells::Texts(names) => {
                        if let Some(hold_s) = sparse.hold_s {
                            sparse::hold_names(names, &self.times, hold_s);
                        }
                    }
                }
            }
        }
        let has_own = |i: usize| {
            places.iter().all(|place| match &self.cells[*place] {
                Cells::Numbers(values) => !values[i].is_nan(),
                Cells::Texts(names) => names[i].is_some(),
            })
        };
        let keep: Vec<bool> = (0..self.times.len()).map(has_own).collect();
        let gone = keep.iter().filter(|k| !**k).count();
        report.rows -= gone.min(report.rows);
        report.notes.push(format!(
            "{} of {} times are samples: those at which `{}` has a value of its own",
            keep.len() - gone,
            keep.len(),
            channel.name()
        ));
        let mut kept = keep.iter();
        self.times.retain(|_| *kept.next().unwrap_or(&true));
        for cells in &mut self.cells {
            let mut kept = keep.iter();
            match cells {
                Cells::Numbers(values) => values.retain(|_| *kept.next().unwrap_or(&true)),
                Cells::Texts(names) => names.retain(|_| *kept.next().unwrap_or(&true)),
            }
        }
        true
    }

    fn take_numbers(&mut self, place: usize) -> Vec<f64> {
        match &mut self.cells[place] {
            Cells::Numbers(values) => std::mem::take(values),
            Cells::Texts(_) => vec![f64::NAN; self.times.len()],
        }
    }

    fn take_names(&mut self, place: usize) -> Vec<Option<String>> {
        match &mut self.cells[place] {
            Cells::Texts(names) => std::mem::take(names),
            Cells::Numbers(values) => vec![None; values.len()],
        }
    }
}

fn is_in_rows(column: &ReadColumn) -> bool {
    matches!(column.stands, Stands::InRows(_))
}
