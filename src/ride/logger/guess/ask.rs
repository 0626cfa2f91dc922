//! The questions about a column: what gives rise to each, and what its readings are by each answer.

use super::super::units::Unit;
use super::column::Column;
use super::fits;
use super::settle::{Scene, named_mixture};
use super::{Answer, Question, flag, is_needed, range_of};
use crate::physics::fuel;
use crate::ride::Channel;
use crate::units::{fixed, plain};

/// The figures that loggers stand on most, and the fuel of the bike.
pub(super) fn afr_answers(channel: Channel, column: &Column, scene: &Scene<'_>) -> Vec<Answer> {
    /// The round figure of most gauges. Common practice, no source.
    const OF_MOST_GAUGES: f64 = 14.7;
    /// No petrol engine runs richer for most of a ride. Common practice, no source.
    const RICHEST_PETROL_AFR: f64 = 11.0;
    let median = column.spread.as_ref().map_or(f64::NAN, |spread| spread.median);
    let answer = |detail: &str, stoich: f64, of: &str| Answer {
        flag: flag(channel, &format!("afr:{detail}")),
        meaning: format!(
            "{} at lambda 1{of}; its median {} is then lambda {}",
            fixed(stoich, 2),
            fixed(median, 2),
            fixed(median / stoich, 3)
        ),
    };
    let mut answers = vec![answer("14.7", OF_MOST_GAUGES, ", as most gauges show for petrol")];
    let own = scene.request.fuel.as_deref().and_then(|name| Some((name, fuel::known(name)?.stoich_afr())));
    let (name, stoich) =
        own.unwrap_or(("E10", fuel::known("E10").map_or(f64::NAN, |fuel| fuel.stoich_afr())));
    let of =
        if own.is_some() { ", where it is set to the bike's fuel" } else { ", where it is set to this fuel" };
    answers.push(answer(name, stoich, of));
    let e85 = fuel::known("E85").map_or(f64::NAN, |fuel| fuel.stoich_afr());
    if name != "E85" && median < RICHEST_PETROL_AFR {
        answers.push(answer("E85", e85, ", where it is set to this fuel"));
    }
    answers
}

pub(super) fn place(column: &Column) -> String {
    format!("column {} `{}`", column.position + 1, column.title.text)
}

/// What the readings are in a unit, in words.
pub(super) fn meaning(channel: Channel, unit: Unit, column: &Column) -> String {
    let Some(spread) = &column.spread else { return "has no readings".to_owned() };
    let native = fits::in_native(spread, unit);
    let sign = if unit == Unit::Afr { "AFR" } else { fits::sign(channel) };
    format!(
        "runs from {} to {} {sign}",
        short(native.low, native.low, native.high),
        short(native.high, native.low, native.high)
    )
}

/// A number with as many decimals as its range has a use for.
pub(super) fn short(value: f64, low: f64, high: f64) -> String {
    if low == high {
        return plain((value * 1e4).round() / 1e4);
    }
    let width = (high - low).abs().max(high.abs() / 100.0);
    let decimals = match width {
        w if w < 0.05 => 4,
        w if w < 0.2 => 3,
        w if w < 5.0 => 2,
        w if w < 50.0 => 1,
        _ => 0,
    };
    fixed(value, decimals)
}

pub(super) fn choices(channel: Channel, column: &Column, units: &[Unit], scene: &Scene<'_>) -> Vec<Answer> {
    let mut answers = Vec::new();
    for unit in units {
        match unit {
            Unit::Afr => answers.extend(afr_answers(channel, column, scene)),
            _ => answers.push(Answer {
                flag: flag(channel, unit.word()),
                meaning: format!("then it {}", meaning(channel, *unit, column)),
            }),
        }
    }
    answers
}

pub(super) fn in_which(channel: Channel, column: &Column, units: &[Unit], scene: &Scene<'_>) -> Question {
    let words: Vec<&str> = units.iter().map(|unit| unit.word()).collect();
    let words = match words.as_slice() {
        [one] => format!("is it {one}"),
        several => format!("is it {}", several.join(" or ")),
    };
    Question {
        channel: channel.name(),
        text: format!("{} runs from {}: {words}?", place(column), range_of(column)),
        answers: choices(channel, column, units, scene),
        is_needed: is_needed(channel),
    }
}

/// The log writes a unit that nobody knows, or two that do not agree.
pub(super) fn unknown(channel: Channel, column: &Column, told: &str, scene: &Scene<'_>) -> Question {
    let fitting = fits::fitting(channel, column, &scene.ride);
    let units = if fitting.is_empty() { vec![Unit::native(channel)] } else { fitting };
    Question {
        channel: channel.name(),
        text: format!(
            "{} is said to be in `{told}`, which tells no unit that is known; it runs from {}: which is it?",
            place(column),
            range_of(column)
        ),
        answers: choices(channel, column, &units, scene),
        is_needed: is_needed(channel),
    }
}

/// A name beside which something else stands may be of a set point, a factor or a correction.
pub(super) fn measured(channel: Channel, column: &Column, scene: &Scene<'_>) -> Question {
    let fitting = fits::fitting(channel, column, &scene.ride);
    let units = if fitting.is_empty() { vec![Unit::native(channel)] } else { fitting };
    Question {
        channel: channel.name(),
        text: format!(
            "{} runs from {}: is it what a wideband sensor measured, and not a factor, a set point or a \
             correction of the controller?",
            place(column),
            range_of(column)
        ),
        answers: choices(channel, column, &units, scene),
        is_needed: is_needed(channel),
    }
}

pub(super) fn contradiction(channel: Channel, column: &Column, told: &str, scene: &Scene<'_>) -> Question {
    let others: Vec<Unit> = Unit::all_for(channel)
        .filter(|unit| *unit != Unit::Hpa && fits::fits(channel, *unit, column, &scene.ride))
        .collect();
    let native = Unit::native(channel);
    let told_unit = column.told.filter(|told| told.quantity() == native.quantity()).or(named_mixture(column));
    let units: Vec<Unit> =
        others.iter().copied().filter(|unit| Some(*unit) != told_unit).chain(told_unit).collect();
    let doubt = match others.as_slice() {
        [] => "which no unit explains".to_owned(),
        some => format!(
            "which looks like {}",
            some.iter().map(|unit| unit.word()).collect::<Vec<_>>().join(" or ")
        ),
    };
    Question {
        channel: channel.name(),
        text: format!(
            "{} is said to be in {told}, but runs from {}, {doubt}: which is it?",
            place(column),
            range_of(column)
        ),
        answers: choices(channel, column, &units, scene),
        is_needed: is_needed(channel),
    }
}

/// Readings that no unit explains.
pub(super) fn misfit(channel: Channel, column: &Column, what: &str, scene: &Scene<'_>) -> Question {
    let line = Answer {
        flag: flag(channel, "line:READING=VALUE,READING=VALUE"),
        meaning: format!("two readings with what they mean, in {}", native_words(channel)),
    };
    let none = Answer { flag: flag(channel, "none"), meaning: "leave it out".to_owned() };
    let own = match Unit::native(channel) {
        Unit::Number => Vec::new(),
        unit => choices(channel, column, &[unit], scene),
    };
    Question {
        channel: channel.name(),
        text: format!(
            "{} runs from {}, which no unit of `{}` explains: what is {what}?",
            place(column),
            range_of(column),
            channel.name()
        ),
        answers: own.into_iter().chain([line, none]).collect(),
        is_needed: is_needed(channel),
    }
}

pub(super) fn native_words(channel: Channel) -> &'static str {
    match fits::sign(channel) {
        "" => "the channel's numbers",
        sign => sign,
    }
}

/// Volts or another reading of the sensor itself.
pub(super) fn raw(channel: Channel, column: &Column, told: Unit) -> Question {
    let (word, range) = (told.word(), range_of(column));
    let example = match channel {
        Channel::ThrottlePct => "line:0.5=0,4.5=100",
        Channel::MapKpa => "volts:0.5=20,4.5=105",
        _ => "volts:0=0.68,5=1.36",
    };
    let line = Answer {
        flag: flag(channel, example),
        meaning: format!("readings with what they mean in {}; your figures", native_words(channel)),
    };
    let none = Answer { flag: flag(channel, "none"), meaning: "leave it out".to_owned() };
    Question {
        channel: channel.name(),
        text: format!(
            "{} is in {word} ({range}): which line makes `{}` of it?",
            place(column),
            channel.name()
        ),
        answers: vec![line, none],
        is_needed: is_needed(channel),
    }
}

pub(super) fn factor(column: &Column, whole: f64) -> Question {
    let channel = Channel::TrimPct;
    let word = if whole > 1.0 { "factor:100" } else { "factor" };
    let asked = Answer { flag: flag(channel, word), meaning: format!("{whole} adds nothing") };
    let percent = Answer { flag: flag(channel, "percent"), meaning: "0 adds nothing".to_owned() };
    Question {
        channel: channel.name(),
        text: format!(
            "{} runs from {}: is it a factor about {whole}, or what is added in percent?",
            place(column),
            range_of(column)
        ),
        answers: vec![asked, percent],
        is_needed: true,
    }
}
