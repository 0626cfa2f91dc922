//! Which column is which channel: by name, by the unit it tells, by what its readings can be.
//!
//! Columns enter; for each channel one column leaves, or the question which of several it is.

use super::super::units::{Quantity, Unit};
use super::column::Column;
use super::fits::{self, Ride};
use super::names::{self, Rank, Trim};
use super::say::Answers;
use super::{Answer, Question, flag, is_needed, range_of};
use crate::ride::Channel;
use crate::shell;
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// The columns of a channel, with what speaks for them.
#[derive(Debug)]
pub(super) struct Chosen<'c> {
    pub channel: Channel,
    /// One, or for trims several that act together.
    pub columns: Vec<&'c Column>,
    pub rank: Rank,
    /// The person named it.
    pub is_said: bool,
    pub reasons: Vec<String>,
}

/// What was found for a channel.
#[derive(Debug)]
pub(super) enum Choice<'c> {
    Nothing,
    /// A column that bears the name but serves nothing, in words.
    Useless(String),
    One(Chosen<'c>),
    Several(Question),
}

/// The channels in the order in which they take their columns; the one with the clearest names first.
pub(super) const ORDER: [Channel; 17] = [
    Channel::ThrottlePct,
    Channel::MapKpa,
    Channel::LambdaTarget,
    Channel::Lambda,
    Channel::Lambda2,
    Channel::EngineTempC,
    Channel::AirTempC,
    Channel::BaroKpa,
    Channel::TrimPct,
    Channel::PulseWidthMs,
    Channel::SparkDeg,
    Channel::SpeedKph,
    Channel::BatteryV,
    Channel::Gear,
    Channel::FuelCut,
    Channel::KnockCount,
    Channel::Slot,
];

struct Candidate<'c> {
    column: &'c Column,
    rank: Rank,
    extra: usize,
    fits: bool,
    /// It tells a unit of something else, such as volts: it needs a line.
    is_raw: bool,
}

impl Candidate<'_> {
    fn key(&self) -> (bool, Rank, Reverse<usize>) {
        (self.fits && !self.is_raw, self.rank, Reverse(self.extra))
    }
}

/// Chooses the column of a channel among those that are not taken yet.
pub(super) fn choose<'c>(
    channel: Channel,
    columns: &'c [Column],
    taken: &BTreeSet<usize>,
    ride: &Ride,
    answers: &Answers,
) -> Choice<'c> {
    if answers.left_out.contains(&channel) {
        return Choice::Nothing;
    }
    if let Some(positions) = answers.titles.get(&channel) {
        let columns: Vec<&Column> =
            columns.iter().filter(|column| positions.contains(&column.position)).collect();
        let reasons = vec!["you named it".to_owned()];
        return Choice::One(Chosen { channel, columns, rank: Rank::Wholly, is_said: true, reasons });
    }
    let free = columns.iter().filter(|column| !taken.contains(&column.position));
    if channel == Channel::TrimPct {
        return trims(free.collect());
    }
    let mut candidates: Vec<Candidate<'c>> =
        free.filter_map(|column| candidate(channel, column, ride)).collect();
    // A column that never moves serves only where nothing else does.
    let still = |c: &Candidate<'_>| c.column.spread.as_ref().is_some_and(|spread| spread.is_still());
    if let [only] = candidates.as_slice()
        && still(only)
        && !may_stand_still(channel, only.column)
    {
        let value = only.column.spread.as_ref().map_or(0.0, |spread| spread.low);
        return Choice::Useless(format!(
            "`{}` would be `{}`, but holds nothing but {value}",
            only.column.title.text,
            channel.name()
        ));
    }
    candidates.retain(|c| !still(c) || may_stand_still(channel, c.column));
    candidates.sort_by_key(|c| Reverse(c.key()));
    let Some(best) = candidates.first() else { return Choice::Nothing };
    let rivals: Vec<&Candidate<'_>> = candidates.iter().filter(|c| c.key() == best.key()).collect();
    let best = match rivals.as_slice() {
        [_] => best,
        several => match same_thing(several) {
            Some(one) => one,
            None => return Choice::Several(which(channel, several)),
        },
    };
    let mut reasons = vec![name_reason(channel, best)];
    let others = candidates.iter().filter(|c| c.column.position != best.column.position && c.fits);
    let others: Vec<String> =
        others.take(3).map(|c| format!("`{}` ({})", c.column.title.text, range_of(c.column))).collect();
    if !others.is_empty() {
        reasons.push(format!("weaker candidates: {}", others.join(", ")));
    }
    Choice::One(Chosen { channel, columns: vec![best.column], rank: best.rank, is_said: false, reasons })
}

fn may_stand_still(channel: Channel, column: &Column) -> bool {
    let is_told = column.told.is_some_and(|told| told.quantity() == Unit::native(channel).quantity());
    // Nothing but zeros is what many loggers write for what they do not have.
    let is_zero = column.spread.as_ref().is_some_and(|spread| spread.high == 0.0);
    match channel {
        _ if is_zero => false,
        Channel::BaroKpa | Channel::LambdaTarget | Channel::Slot => true,
        Channel::AirTempC | Channel::BatteryV => is_told,
        _ => false,
    }
}

fn candidate<'c>(channel: Channel, column: &'c Column, ride: &Ride) -> Option<Candidate<'c>> {
    let (rank, extra) = names::rank(channel, &column.words);
    if column.spread.is_none() {
        let takes_words = matches!(channel, Channel::FuelCut | Channel::Slot);
        let is_one = takes_words && rank >= Rank::Partly && !column.texts.is_empty();
        return is_one.then_some(Candidate { column, rank, extra, fits: true, is_raw: false });
    }
    let quantity = Unit::native(channel).quantity();
    let is_told = column.told.is_some_and(|told| told.quantity() == quantity);
    let is_raw = column.told.is_some_and(|told| {
        // `deg` after a temperature is no angle.
        told.quantity() != quantity
            && quantity != Quantity::Number
            && !(quantity == Quantity::Temperature && told == Unit::Degrees)
    });
    let factor = || channel == Channel::TrimPct;
    let fits = factor() || !fits::fitting(channel, column, ride).is_empty();
    let is_its_unit = is_told && matches!(channel, Channel::Rpm | Channel::Lambda);
    let is_one = match rank {
        Rank::Wholly => {
            !is_raw
                || matches!(
                    channel,
                    Channel::ThrottlePct | Channel::Lambda | Channel::Lambda2 | Channel::MapKpa
                )
        }
        Rank::Partly => fits && !is_raw,
        Rank::Weakly => {
            fits && (is_told || fits::fits(channel, Unit::native(channel), column, ride)) && !is_raw
        }
        Rank::Not => fits && is_its_unit && !is_second(column),
    };
    // A narrow-band sensor tells rich from lean and no more.
    let is_narrow =
        is_raw && column.told == Some(Unit::Volts) && column.spread.as_ref().is_some_and(|s| s.high < 1.3);
    let is_mixture = quantity == Quantity::Mixture;
    (is_one && !(is_mixture && is_narrow)).then_some(Candidate { column, rank, extra, fits, is_raw })
}

/// What bears a unit of the mixture may be a second sensor or a target.
fn is_second(column: &Column) -> bool {
    names::rank(Channel::Lambda2, &column.words).0 > Rank::Not
        || names::rank(Channel::LambdaTarget, &column.words).0 > Rank::Not
        || column
            .words
            .iter()
            .any(|word| ["2", "b", "target", "soll", "limit", "max", "average"].contains(&word.as_str()))
}

/// One of several columns that hold the same: alike, or as lambda and as AFR.
fn same_thing<'a, 'c>(rivals: &[&'a Candidate<'c>]) -> Option<&'a Candidate<'c>> {
    const ALIKE: f64 = 0.015;
    let first = rivals.first()?;
    let steady = |other: &&&Candidate<'_>| {
        let pairs = first.column.beside(other.column);
        let mut ratios: Vec<f64> = pairs.iter().filter(|(_, b)| *b != 0.0).map(|(a, b)| a / b).collect();
        ratios.sort_by(f64::total_cmp);
        let at = |share: f64| ratios.get((ratios.len() as f64 * share) as usize).copied().unwrap_or(f64::NAN);
        let is_mixture = (at(0.5) > 5.0 && at(0.5) < 20.0) || (1.0 / at(0.5) > 5.0 && 1.0 / at(0.5) < 20.0);
        let is_alike = (at(0.5) - 1.0).abs() < 1e-9;
        (is_alike || is_mixture) && (at(0.95) - at(0.05)).abs() < ALIKE * at(0.5).abs()
    };
    if !rivals.iter().skip(1).all(|other| steady(&other)) {
        return None;
    }
    let median = |c: &Candidate<'_>| c.column.spread.as_ref().map_or(f64::INFINITY, |spread| spread.median);
    rivals.iter().copied().min_by(|a, b| median(a).total_cmp(&median(b)))
}

fn which(channel: Channel, rivals: &[&Candidate<'_>]) -> Question {
    let names: Vec<String> =
        rivals.iter().map(|c| format!("`{}` ({})", c.column.title.text, range_of(c.column))).collect();
    let answers = rivals.iter().map(|c| Answer {
        flag: flag(channel, &shell::word(&c.column.title.text)),
        meaning: format!("column {}", c.column.position + 1),
    });
    Question {
        channel: channel.name(),
        text: format!("several columns may be `{}`: {}; which one is it?", channel.name(), names.join(", ")),
        answers: answers.collect(),
        is_needed: is_needed(channel),
    }
}

fn name_reason(channel: Channel, candidate: &Candidate<'_>) -> String {
    let name = &candidate.column.title.name;
    if names::parameter(&candidate.column.words).is_some() {
        return format!("`{name}` is its name in SAE J1979");
    }
    match candidate.rank {
        Rank::Wholly => format!("`{name}` is one of its names"),
        Rank::Partly => format!("`{name}` speaks of it, among other words or as a second choice"),
        Rank::Weakly => format!("`{name}` may name it"),
        Rank::Not => format!("its unit is one of `{}`", channel.name()),
    }
}

fn named_trim<'c>(columns: Vec<&'c Column>, reason: &str) -> Chosen<'c> {
    let reasons = vec![reason.to_owned()];
    Chosen { channel: Channel::TrimPct, rank: Rank::Wholly, is_said: false, reasons, columns }
}

fn trims(free: Vec<&Column>) -> Choice<'_> {
    let of = |kind: Trim| -> Vec<&Column> {
        let is_it = |column: &&&Column| names::trim(&column.words) == Some(kind) && column.spread.is_some();
        free.iter().filter(is_it).copied().collect()
    };
    let (short, long, single) = (of(Trim::Short), of(Trim::Long), of(Trim::Single));
    match (short.as_slice(), long.as_slice(), single.as_slice()) {
        ([], [], []) => Choice::Nothing,
        ([short], [long], _) => {
            Choice::One(named_trim(vec![*short, *long], "short and long term trim act one after the other"))
        }
        ([short], [], []) => Choice::One(named_trim(vec![*short], "it is named as the short term trim")),
        ([], [long], []) => Choice::One(named_trim(vec![*long], "it is named as the long term trim")),
        ([], [], [single]) => {
            Choice::One(named_trim(vec![*single], "it is named as a trim of the closed loop"))
        }
        _ => {
            let all: Vec<Candidate<'_>> = [short, long, single]
                .concat()
                .into_iter()
                .map(|column| Candidate { column, rank: Rank::Wholly, extra: 0, fits: true, is_raw: false })
                .collect();
            let mut question = which(Channel::TrimPct, &all.iter().collect::<Vec<_>>());
            question.text.push_str(" Two that act together are named with a plus: `trim_pct=\"A+B\"`.");
            Choice::Several(question)
        }
    }
}
