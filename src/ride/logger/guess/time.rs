//! The column of the time: which one it is, and what it holds.

use super::super::clock;
use super::super::mapping::{TimeColumn, TimeForm};
use super::super::reading::Reading;
use super::super::units::Quantity;
use super::column::Column;
use super::names::{self, Rank};
use super::say::Answers;
use super::{Answer, Confidence, Question};
use crate::ride::Channel;
use crate::ride::source::{Cells, SourceLog, Wanted};
use crate::shell;
use crate::units::plain;

/// The time as it is proposed.
#[derive(Debug)]
pub(super) struct FoundTime {
    pub position: usize,
    pub column: TimeColumn,
    /// Seconds from the first row; NaN where a row has none.
    pub times: Vec<f64>,
    pub confidence: Confidence,
    pub reasons: Vec<String>,
}

/// Where the times of the rows come from.
pub(super) enum Times {
    /// From a column.
    Column(FoundTime),
    /// From the log itself, which keeps those of each channel; s from the first, ascending.
    Own(Vec<f64>),
    /// That is asked.
    Asked(Question),
}

impl Times {
    /// The time of each row, s; nothing while it is asked for.
    pub fn of_rows(&self) -> &[f64] {
        match self {
            Times::Column(found) => &found.times,
            Times::Own(times) => times,
            Times::Asked(_) => &[],
        }
    }

    /// The column.
    pub fn column(&self) -> Option<&FoundTime> {
        match self {
            Times::Column(found) => Some(found),
            Times::Own(_) | Times::Asked(_) => None,
        }
    }
}

impl From<Result<FoundTime, Question>> for Times {
    fn from(found: Result<FoundTime, Question>) -> Self {
        found.map_or_else(Times::Asked, Times::Column)
    }
}

/// The usual time between two rows lies within, s. Common practice, no source.
const INTERVAL_S: (f64, f64) = (0.001, 5.0);
/// A column of times may have a few rows that cannot be read.
const MOST: f64 = 0.9;

/// One column that may be the time.
struct Candidate<'c> {
    column: &'c Column,
    rank: Rank,
    extra: usize,
    forms: Vec<(TimeForm, Vec<f64>)>,
    told: bool,
}

/// Finds the time.
///
/// # Errors
/// The question to the person where nothing or several things are it.
pub(super) fn find(
    log: &dyn SourceLog,
    columns: &[Column],
    answers: &Answers,
    may_spread: bool,
) -> Result<FoundTime, Question> {
    let said = answers.titles.get(&Channel::TimeS).and_then(|titles| titles.first());
    let mut candidates: Vec<Candidate<'_>> = Vec::new();
    for column in columns.iter().filter(|column| said.is_none_or(|said| *said == column.position)) {
        let (rank, extra) = names::rank(Channel::TimeS, &column.words);
        let written = written_forms(log, column);
        let is_named = rank >= Rank::Partly || said.is_some();
        let (forms, told) = match written.is_empty() {
            true if !is_named => continue,
            true => counted_forms(column, answers.time_form),
            false => (written, true),
        };
        if !forms.is_empty() {
            candidates.push(Candidate { column, rank, extra, forms, told });
        }
    }
    // Of equal names the finest clock first: whole seconds tell little of what lies between.
    let is_coarse = |c: &Candidate<'_>| c.forms.first().is_some_and(|(_, times)| clock::is_coarse(times));
    candidates.sort_by_key(|c| (std::cmp::Reverse(c.rank), is_coarse(c), c.extra, c.column.position));
    let Some(best) = candidates.first() else { return Err(no_time(columns, said.is_some())) };
    let forms: Vec<&(TimeForm, Vec<f64>)> = match answers.time_form {
        Some(form) => best.forms.iter().filter(|(of, _)| *of == form).collect(),
        None => best.forms.iter().collect(),
    };
    let title = best.column.key(columns);
    let [(form, times)] = forms.as_slice() else { return Err(which_unit(&title, best, columns)) };
    let mut column = TimeColumn { title, form: *form, spread: false, wraps_at: wraps_at(best.column, *form) };
    let mut reasons = Vec::new();
    if best.rank == Rank::Wholly {
        reasons.push(format!("`{}` is a name of the time", best.column.title.name));
    }
    let mut times = times.clone();
    reasons.push(rhythm(&times));
    if let Some(end) = column.wraps_at {
        reasons.push(format!("it begins anew after {}", plain(end - 1.0)));
    }
    // In a log with one row a value, many rows of one time are the rule: the caller undoes it.
    if may_spread && clock::is_coarse(&times) && is_of_whole_seconds(&times) {
        column.spread = true;
        reasons.push("several rows bear the same whole second: they are spread inside it".to_owned());
    }
    clock::straighten(&mut times, &column);
    for other in candidates.iter().skip(1).take(3) {
        reasons.push(format!("`{}` tells the time too", other.column.title.text));
    }
    let is_sure = (best.rank == Rank::Wholly && best.told) || (said.is_some() && answers.time_form.is_some());
    let confidence = if is_sure { Confidence::Sure } else { Confidence::Likely };
    Ok(FoundTime { position: best.column.position, column, times, confidence, reasons })
}

/// Clocks and dates: the forms in which nearly all fields can be read.
fn written_forms(log: &dyn SourceLog, column: &Column) -> Vec<(TimeForm, Vec<f64>)> {
    if column.texts.is_empty() {
        return Vec::new();
    }
    let mut forms: Vec<(TimeForm, Vec<f64>)> = Vec::new();
    for form in [TimeForm::Clock, TimeForm::DateTime, TimeForm::DateTimeMonthFirst] {
        let wanted =
            Wanted { position: column.position, channel: Channel::TimeS, reading: Reading::time(form) };
        let Some(Cells::Numbers(times)) =
            log.read(&[wanted]).ok().and_then(|mut read| read.columns.pop()).map(|column| column.cells)
        else {
            continue;
        };
        let there = times.iter().filter(|time| !time.is_nan()).count();
        if there > 1 && there as f64 > MOST * times.len() as f64 && ascends(&times) {
            forms.push((form, times));
        }
    }
    // Day or month first: what makes the log shorter, and where both do, it is one day.
    let span = |times: &[f64]| {
        let there = times.iter().copied().filter(|time| !time.is_nan());
        there.clone().fold(f64::NEG_INFINITY, f64::max) - there.fold(f64::INFINITY, f64::min)
    };
    forms
        .into_iter()
        .reduce(|best, next| if span(&next.1) < span(&best.1) { next } else { best })
        .into_iter()
        .collect()
}

/// Counters: the units in which the rows follow each other as those of a log do.
fn counted_forms(column: &Column, said: Option<TimeForm>) -> (Vec<(TimeForm, Vec<f64>)>, bool) {
    let Some(spread) = &column.spread else { return (Vec::new(), false) };
    let is_other = column.told.is_some_and(|told| told.quantity() != Quantity::Duration);
    if is_other || spread.is_still() || !ascends(&column.values) {
        return (Vec::new(), false);
    }
    let told = said.or_else(|| told_form(column));
    let rows = column.values.iter().filter(|value| !value.is_nan()).count();
    // A counter that begins anew has no span; the usual step has.
    let mut steps: Vec<f64> =
        column.values.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    let usual = &steps[..steps.len() - steps.len() / 50];
    let step = usual.iter().sum::<f64>() / usual.len().max(1) as f64;
    // Rows that bear the time of the one above count as well.
    let mean = step * steps.len() as f64 / (rows.max(2) - 1) as f64;
    let units = [
        (TimeForm::Seconds, 1.0),
        (TimeForm::Milliseconds, 1e-3),
        (TimeForm::Microseconds, 1e-6),
        (TimeForm::Minutes, 60.0),
    ];
    let is_it = |(form, unit_s): &(TimeForm, f64)| match told {
        Some(told) => told == *form,
        // Minutes are taken only where the log says so.
        None => *form != TimeForm::Minutes && (INTERVAL_S.0..=INTERVAL_S.1).contains(&(mean * unit_s)),
    };
    let forms = units.into_iter().filter(is_it);
    let forms = forms.map(|(form, unit_s)| (form, column.values.iter().map(|v| v * unit_s).collect()));
    (forms.collect(), told.is_some())
}

/// Whether nearly no row lies before the one above it.
fn ascends(times: &[f64]) -> bool {
    let backwards = times.windows(2).filter(|pair| pair[1] < pair[0]).count();
    backwards as f64 <= (1.0 - MOST) * times.len() as f64
}

fn told_form(column: &Column) -> Option<TimeForm> {
    let of_word = |word: &str| match word {
        "s" | "sec" | "secs" | "second" | "seconds" => Some(TimeForm::Seconds),
        "ms" | "msec" | "millis" | "milliseconds" | "millisecond" => Some(TimeForm::Milliseconds),
        "us" | "µs" | "μs" | "microseconds" => Some(TimeForm::Microseconds),
        "min" | "minutes" => Some(TimeForm::Minutes),
        _ => None,
    };
    let in_unit = column.told_text.as_deref().and_then(|unit| of_word(unit.trim().to_lowercase().as_str()));
    in_unit.or_else(|| column.words.iter().rev().find_map(|word| of_word(word)))
}

fn is_of_whole_seconds(times: &[f64]) -> bool {
    times.iter().all(|time| time.is_nan() || time.fract() == 0.0)
}

/// Where a counter begins anew: at a power of two that its readings come near.
fn wraps_at(column: &Column, form: TimeForm) -> Option<f64> {
    if super::super::mapping::is_written_clock(form) {
        return None;
    }
    let high = column.spread.as_ref()?.high;
    let falls = column.values.windows(2).any(|pair| pair[0] - pair[1] > high / 2.0);
    let ends = [65_536.0, 4_294_967_296.0];
    ends.into_iter().find(|end| falls && high < *end && high > 0.95 * end)
}

fn rhythm(times: &[f64]) -> String {
    let mut steps: Vec<f64> =
        times.windows(2).map(|pair| pair[1] - pair[0]).filter(|step| *step > 0.0).collect();
    steps.sort_by(f64::total_cmp);
    let usual = steps.get(steps.len() / 2).copied().unwrap_or_default();
    format!("it ascends, usually by {} s", plain((usual * 1e4).round() / 1e4))
}

fn flag(answer: &str) -> String {
    super::flag(Channel::TimeS, answer)
}

fn which_unit(title: &str, candidate: &Candidate<'_>, columns: &[Column]) -> Question {
    let column = candidate.column;
    let range =
        column.spread.as_ref().map(|spread| format!("{} to {}", plain(spread.low), plain(spread.high)));
    let rows = columns.first().map_or(0, |column| column.values.len());
    let text = format!(
        "the time `{title}` runs from {} in {rows} rows: in which unit?",
        range.unwrap_or_else(|| "nowhere".to_owned())
    );
    let forms = [("seconds", 1.0), ("milliseconds", 1e-3), ("microseconds", 1e-6)];
    let span = column.spread.as_ref().map_or(0.0, |spread| spread.high - spread.low);
    let answers = forms.map(|(word, unit_s)| Answer {
        flag: flag(word),
        meaning: format!("the log lasts {}", crate::units::duration(span * unit_s)),
    });
    Question { channel: Channel::TimeS.name(), text, answers: answers.into(), is_needed: true }
}

fn no_time(columns: &[Column], was_said: bool) -> Question {
    let ascending = |column: &&Column| {
        let is_moving =
            column.spread.as_ref().is_some_and(|spread| !spread.is_still() && spread.missing_share < 0.5);
        is_moving
            && column.values.windows(2).all(|pair| pair[1] >= pair[0] || pair.iter().any(|t| t.is_nan()))
    };
    let text = match was_said {
        true => "the column that was named for the time holds no times that can be read: which one does?",
        false => "no column bears a name of the time: which one is it?",
    };
    let found: Vec<Answer> = columns
        .iter()
        .filter(ascending)
        .take(4)
        .map(|column| Answer {
            flag: flag(&shell::word(&column.key(columns))),
            meaning: "it never goes back".to_owned(),
        })
        .collect();
    let answers = match found.is_empty() {
        true => vec![Answer { flag: flag("\"TITLE\""), meaning: "the title of the time".to_owned() }],
        false => found,
    };
    Question { channel: Channel::TimeS.name(), text: text.to_owned(), answers, is_needed: true }
}
