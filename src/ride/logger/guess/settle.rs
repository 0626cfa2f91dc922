//! In which unit a chosen column is: told, said, or beyond doubt; otherwise the question.
//!
//! A wrong unit ruins a map, so that nothing is taken that another unit explains as well, and an
//! unusual unit never from the readings alone.

use super::super::mapping::ChannelColumn;
use super::super::units::{Quantity, Unit};
use super::ask::{
    afr_answers, contradiction, factor, in_which, meaning, measured, misfit, place, raw, unknown,
};
use super::choose::Chosen;
use super::column::Column;
use super::fits::{self, Ride};
use super::names::{self, Rank};
use super::say::Answers;
use super::{Answer, Confidence, Question, Request, flag, is_needed, range_of};
use crate::ride::Channel;
use crate::units::plain;

/// A channel with its unit, or with the question for it.
#[derive(Debug)]
pub(super) struct Settled {
    /// Titles are filled in by the caller.
    pub mapped: ChannelColumn,
    pub unit: Option<Unit>,
    pub confidence: Confidence,
    pub reasons: Vec<String>,
    pub question: Option<Question>,
}

/// What the units are judged with.
pub(super) struct Scene<'a> {
    pub ride: Ride,
    pub answers: &'a Answers,
    pub request: &'a Request,
    /// The temperature unit that the log tells, where it tells one only.
    pub temperature: Option<Unit>,
}

/// Settles the unit of a chosen column.
pub(super) fn settle(chosen: &Chosen<'_>, scene: &Scene<'_>) -> Settled {
    let channel = chosen.channel;
    let column = chosen.columns[0];
    let mut settled = Settled {
        mapped: ChannelColumn::default(),
        unit: None,
        confidence: Confidence::Unsure,
        reasons: chosen.reasons.clone(),
        question: None,
    };
    if channel == Channel::Slot || column.spread.is_none() {
        words(channel, column, scene, &mut settled);
        return settled;
    }
    if let Some(line) = scene.answers.lines.get(&channel) {
        if line.is_volts {
            let points = line.points.iter().map(|(at, value)| (plain(*at), *value));
            settled.mapped.volts = Some(points.collect());
        } else {
            let (first, last) = (line.points[0], line.points[line.points.len() - 1]);
            settled.mapped.from = Some([first.0, last.0]);
            settled.mapped.to = Some([first.1, last.1]);
        }
        settled.reasons.push("you gave the line of its readings".to_owned());
        settled.confidence = Confidence::Sure;
        settled.unit = scene.answers.units.get(&channel).copied();
    } else if let Some(unit) = scene.answers.units.get(&channel) {
        settled.unit = Some(*unit);
        settled.reasons.push(format!("you said {}", unit.word()));
        settled.confidence = if chosen.rank == Rank::Wholly { Confidence::Sure } else { Confidence::Likely };
        if !fits::fits(channel, *unit, column, &scene.ride) {
            settled.confidence = Confidence::Unsure;
            settled.reasons.push(format!("but then it {}", meaning(channel, *unit, column)));
        }
    } else {
        by_itself(chosen, scene, &mut settled);
    }
    stoichiometry(chosen, scene, &mut settled);
    let is_needed = |unit: &Unit| *unit != Unit::native(channel) || unknown_unit(column).is_some();
    if let Some(unit) = settled.unit.filter(is_needed) {
        settled.mapped.unit = Some(unit);
    }
    settled
}

/// The unit that the log tells in words that nobody knows, or in words that do not agree.
fn unknown_unit(column: &Column) -> Option<&str> {
    let text = column.told_text.as_deref().filter(|_| column.told.is_none())?;
    (!super::super::units::is_of_no_unit(text)).then_some(text)
}

/// What the log itself tells of the unit.
fn by_itself(chosen: &Chosen<'_>, scene: &Scene<'_>, settled: &mut Settled) {
    let (channel, column) = (chosen.channel, chosen.columns[0]);
    let native = Unit::native(channel);
    let quantity = native.quantity();
    if quantity == Quantity::Number {
        let fits = fits::fits(channel, native, column, &scene.ride);
        settled.unit = Some(native);
        if fits {
            settled.reasons.push(format!("{} are what it may hold", range_of(column)));
            settled.confidence =
                if chosen.rank == Rank::Wholly { Confidence::Sure } else { Confidence::Likely };
        } else {
            settled.question = Some(misfit(channel, column, "what it holds", scene));
        }
        return;
    }
    let told = column.told.filter(|told| told.quantity() == quantity);
    let is_angle_of_temperature = quantity == Quantity::Temperature && column.told == Some(Unit::Degrees);
    if let Some(other) = column.told.filter(|_| told.is_none() && !is_angle_of_temperature) {
        settled.question = Some(raw(channel, column, other));
        return;
    }
    if let Some(text) = unknown_unit(column) {
        settled.question = Some(unknown(channel, column, text, scene));
        return;
    }
    if quantity == Quantity::Mixture
        && chosen.rank == Rank::Partly
        && names::parameter(&column.words).is_none()
    {
        settled.question = Some(measured(channel, column, scene));
        return;
    }
    if channel == Channel::TrimPct
        && told.is_none_or(|told| told == Unit::Percent)
        && let Some(whole) = column.spread.as_ref().and_then(fits::trim_factor)
    {
        settled.question = Some(factor(column, whole));
        return;
    }
    let fitting: Vec<Unit> = fits::fitting(channel, column, &scene.ride);
    if told.is_some() {
        let text = column.told_text.clone().unwrap_or_default();
        match fitting.as_slice() {
            [unit] => take_told(chosen, *unit, &text, settled),
            [] => settled.question = Some(contradiction(channel, column, &text, scene)),
            several => match by_words(column, several) {
                Some(unit) => take_told(chosen, unit, &text, settled),
                None => settled.question = Some(in_which(channel, column, several, scene)),
            },
        }
        return;
    }
    // The one word that says it all.
    if let Some(unit) = named_mixture(column).filter(|_| quantity == Quantity::Mixture) {
        match fits::fits(channel, unit, column, &scene.ride) {
            true => {
                settled.unit = Some(unit);
                settled.reasons.push(format!(
                    "its name says {}, and its readings are such: {}",
                    unit.word(),
                    range_of(column)
                ));
                settled.confidence =
                    if chosen.rank == Rank::Wholly { Confidence::Sure } else { Confidence::Likely };
            }
            false => settled.question = Some(contradiction(channel, column, unit.word(), scene)),
        }
        return;
    }
    if let Some(unit) =
        scene.temperature.filter(|unit| quantity == Quantity::Temperature && fitting.contains(unit))
    {
        settled.unit = Some(unit);
        settled.confidence = Confidence::Likely;
        settled.reasons.push(format!(
            "the log's other temperatures are in {}, and so it {}",
            unit.word(),
            meaning(channel, unit, column)
        ));
        return;
    }
    match fitting.as_slice() {
        [unit] if *unit == native || *unit == Unit::Fahrenheit => {
            settled.unit = Some(*unit);
            settled.confidence =
                if chosen.rank == Rank::Wholly { Confidence::Likely } else { Confidence::Unsure };
            settled.reasons.push(format!(
                "no unit is told; of all units only {} fits: it {}",
                unit.word(),
                meaning(channel, *unit, column)
            ));
        }
        [] => settled.question = Some(misfit(channel, column, "its unit", scene)),
        several => settled.question = Some(in_which(channel, column, several, scene)),
    }
}

fn take_told(chosen: &Chosen<'_>, unit: Unit, text: &str, settled: &mut Settled) {
    settled.unit = Some(unit);
    settled
        .reasons
        .push(format!("the log says {text}, and its readings are such: {}", range_of(chosen.columns[0])));
    settled.confidence = if chosen.rank >= Rank::Partly { Confidence::Sure } else { Confidence::Likely };
}

/// Lambda, AFR or phi, where the name says so.
pub(super) fn named_mixture(column: &Column) -> Option<Unit> {
    let has = |word: &str| column.words.iter().any(|w| w == word);
    let found: Vec<Unit> = [("lambda", Unit::Lambda), ("afr", Unit::Afr), ("phi", Unit::Phi)]
        .into_iter()
        .filter(|(word, _)| has(word))
        .map(|(_, unit)| unit)
        .chain((has("lambdawert") || has("luftzahl")).then_some(Unit::Lambda))
        .chain(
            (has("air") && has("fuel") && has("ratio") && !has("equivalence") && !has("equiv"))
                .then_some(Unit::Afr),
        )
        .chain(has("richesse").then_some(Unit::Phi))
        .collect();
    match found.as_slice() {
        [one] => Some(*one),
        _ => None,
    }
}

/// Gauge or absolute, where the name says so.
fn by_words(column: &Column, units: &[Unit]) -> Option<Unit> {
    let has = |words: &[&str]| column.words.iter().any(|word| words.contains(&word.as_str()));
    let wanted: &dyn Fn(&Unit) -> bool = match () {
        () if has(&["vacuum", "depression"]) => &|unit| *unit == Unit::InhgVacuum,
        () if has(&["gauge", "boost", "relative", "rel"]) => {
            &|unit| unit.is_gauge() && *unit != Unit::InhgVacuum
        }
        () if has(&["absolute", "abs"]) => &|unit| !unit.is_gauge(),
        () => return None,
    };
    let mut found = units.iter().filter(|unit| wanted(unit));
    match (found.next(), found.next()) {
        (Some(one), None) => Some(*one),
        _ => None,
    }
}

/// What a logger shows at lambda 1 is known to its maker only.
fn stoichiometry(chosen: &Chosen<'_>, scene: &Scene<'_>, settled: &mut Settled) {
    let channel = chosen.channel;
    if settled.unit != Some(Unit::Afr) || settled.question.is_some() {
        return;
    }
    if let Some(name) = scene.answers.fuel.get(&channel) {
        settled.mapped.fuel = Some(name.clone());
        return;
    }
    if let Some(ratio) = scene.answers.stoich_afr.get(&channel) {
        settled.mapped.stoich_afr = Some(*ratio);
        return;
    }
    let column = chosen.columns[0];
    settled.question = Some(Question {
        channel: channel.name(),
        text: format!(
            "{} is an air-fuel ratio ({}): what does the logger show at lambda 1? Its manual or its settings tell",
            place(column),
            range_of(column)
        ),
        answers: afr_answers(channel, column, scene),
        is_needed: is_needed(channel),
    });
}

/// Columns that hold words or the names of slots.
fn words(channel: Channel, column: &Column, scene: &Scene<'_>, settled: &mut Settled) {
    /// Pairs of words for yes and no. Common practice, no source.
    const PAIRS: [(&str, &str); 8] = [
        ("on", "off"),
        ("true", "false"),
        ("yes", "no"),
        ("active", "inactive"),
        ("ein", "aus"),
        ("ja", "nein"),
        ("oui", "non"),
        ("si", "no"),
    ];
    let shown = column.texts.iter().take(4).cloned().collect::<Vec<_>>().join(", ");
    if channel == Channel::FuelCut {
        let is = |wanted: &str| column.texts.iter().find(|text| text.to_lowercase() == wanted);
        let pair = PAIRS.iter().find_map(|(yes, no)| Some((is(yes)?, is(no)?)));
        if let (Some((yes, no)), 2) = (pair, column.texts.len()) {
            settled.mapped.words = [(yes.clone(), 1.0), (no.clone(), 0.0)].into();
            settled.confidence = Confidence::Likely;
            settled.unit = Some(Unit::Number);
            settled.reasons.push(format!("it says {shown}"));
            return;
        }
    }
    if channel == Channel::Slot {
        let slots = &scene.request.slots;
        if !scene.answers.slots.is_empty() {
            settled.mapped.slots = scene.answers.slots.clone();
            settled.confidence = Confidence::Sure;
            return;
        }
        if !column.texts.is_empty() && column.texts.iter().all(|text| slots.contains(text)) {
            settled.confidence = Confidence::Sure;
            settled.reasons.push(format!("it names the bike's slots: {shown}"));
            return;
        }
    }
    let shown = if shown.is_empty() { range_of(column) } else { shown };
    let first = scene.request.slots.first().map_or("power", String::as_str);
    let answer = match channel {
        Channel::Slot => Answer {
            flag: flag(channel, &format!("1:{first},2:economy")),
            meaning: "readings with their slots; your figures".to_owned(),
        },
        _ => Answer {
            flag: flag(channel, "none"),
            meaning: "leave it out, and write `words` by hand".to_owned(),
        },
    };
    settled.question = Some(Question {
        channel: channel.name(),
        text: format!("{} holds {shown}: what do they mean?", place(column)),
        answers: vec![answer],
        is_needed: is_needed(channel),
    });
}
