//! A log of another make → a proposal how to read it, with its reasons and its questions.
//!
//! The bytes of a log enter with what is known of the bike and what the person said; the text of a
//! logger file leaves, with why each line of it is there, how the columns spread, what is left to
//! ask, and how the log reads through it.

mod ask;
mod choose;
mod column;
mod fits;
mod layout;
mod names;
mod open;
mod proposal;
mod relations;
mod rhythm;
mod say;
mod settle;
#[cfg(test)]
mod tests;
mod time;
mod trial;
mod words;
mod write;

pub use column::Spread;
pub use proposal::{
    Answer, Confidence, Finding, Guess, GuessError, GuessedChannel, Question, Request, UnusedColumn,
};
pub use say::Say;
pub use trial::Trial;

use super::mapping::{ChannelColumn, Layout, TimeForm};
use super::units::{Quantity, Unit};
use crate::ride::{Channel, Format, RideError, compressed};
use choose::{Choice, Chosen};
use column::Column;
use open::Opened;
use say::Answers;
use settle::{Scene, Settled};
use std::collections::BTreeSet;
use std::path::Path;
use time::Times;

/// `--say CHANNEL=ANSWER`.
fn flag(channel: Channel, answer: &str) -> String {
    format!("--say {}={answer}", channel.name())
}

/// Whether a map rests on the channel.
fn is_needed(channel: Channel) -> bool {
    use Channel::{BatteryV, FuelCut, Gear, KnockCount, Slot, SparkDeg, SpeedKph};
    !matches!(channel, BatteryV | FuelCut | Gear | KnockCount | Slot | SparkDeg | SpeedKph)
}

/// `0.68 to 1.32, median 0.98`.
fn range_of(column: &Column) -> String {
    match &column.spread {
        Some(spread) => {
            let short = |value: f64| ask::short(value, spread.low, spread.high);
            format!("{} to {}, median {}", short(spread.low), short(spread.high), short(spread.median))
        }
        None if column.texts.is_empty() => "nothing".to_owned(),
        None => column.texts.iter().take(3).cloned().collect::<Vec<_>>().join(", "),
    }
}

/// A channel that found its column, its unit settled or asked for.
struct Proposal<'c> {
    chosen: Chosen<'c>,
    settled: Settled,
}

/// Proposes how a log of another make is read.
///
/// # Errors
/// When it is no log, when it needs no logger, and when an answer does not fit it.
pub fn guess(path: &Path, bytes: &[u8], request: &Request) -> Result<Guess, GuessError> {
    let unpacked = compressed::unpack(path, bytes, compressed::LARGEST_UNPACKED)?;
    let of_time: Vec<Say> =
        request.says.iter().filter(|say| say.channel == Channel::TimeS).cloned().collect();
    let blame_the_cut = |error: GuessError| match error {
        GuessError::Log(error) => unpacked.blame_the_cut(error).into(),
        GuessError::NoTable(what) if unpacked.is_cut => {
            unpacked.blame_the_cut(RideError::NotText(format!(": {what}"))).into()
        }
        error => error,
    };
    let opened = match Format::of(&unpacked.path) {
        Format::Parquet => Some(open::parquet(&unpacked.bytes, &of_time)),
        Format::Measurement => Some(open::measurement(&unpacked.bytes, &of_time)),
        Format::Text => None,
    };
    if let Some(opened) = opened {
        return propose(path, bytes, request, &opened.map_err(blame_the_cut)?);
    }
    let (text, encoding) = open::decoded(&unpacked.bytes).map_err(blame_the_cut)?;
    let opened = open::text(&text, encoding, &of_time).map_err(blame_the_cut)?;
    propose(path, bytes, request, &opened)
}

fn propose(path: &Path, bytes: &[u8], request: &Request, opened: &Opened<'_>) -> Result<Guess, GuessError> {
    let is_long = opened.layout != Layout::Wide;
    let says: Vec<Say> = request.says.iter().filter(|say| say.channel != Channel::TimeS).cloned().collect();
    let answers = Answers::new(&says, opened.log.titles()).map_err(GuessError::Said)?;
    let columns = &opened.columns;
    let times = opened.time.of_rows();
    let mut taken: BTreeSet<usize> = BTreeSet::new();
    if let (Some(time), false) = (opened.time.column(), is_long) {
        taken.insert(time.position);
    }
    taken.extend(answers.titles.values().flatten());
    let mut proposals: Vec<Proposal<'_>> = Vec::new();
    let mut questions: Vec<Question> = match &opened.time {
        Times::Asked(question) => vec![question.clone()],
        _ => Vec::new(),
    };
    let mut remarks = Vec::new();
    let temperature = temperature_told(columns);
    let mut scene = Scene { ride: fits::Ride::default(), answers: &answers, request, temperature };
    for channel in std::iter::once(Channel::Rpm).chain(choose::ORDER) {
        if is_long && channel == Channel::Slot {
            continue;
        }
        match choose::choose(channel, columns, &taken, &scene.ride, &answers) {
            Choice::Nothing => {}
            Choice::Useless(words) => remarks.push(words),
            Choice::Several(question) => questions.push(question),
            Choice::One(chosen) => {
                taken.extend(chosen.columns.iter().map(|column| column.position));
                let settled = settle::settle(&chosen, &scene);
                // One logger writes all temperatures alike.
                if channel == Channel::EngineTempC && settled.question.is_none() {
                    scene.temperature = scene.temperature.or(settled.unit);
                }
                questions.extend(settled.question.clone());
                proposals.push(Proposal { chosen, settled });
            }
        }
        if channel == Channel::Rpm {
            scene.ride = ride_of(&proposals, times);
        }
    }
    ask_for_the_air(&mut proposals, &answers, &mut questions);
    let chosen: Vec<(Channel, Vec<&Column>)> =
        proposals.iter().map(|p| (p.chosen.channel, p.chosen.columns.clone())).collect();
    for relation in relations::find(&chosen) {
        for proposal in proposals.iter_mut().filter(|p| p.chosen.channel == relation.channel) {
            proposal.settled.reasons.push(relation.words.clone());
            if relation.is_doubt && !proposal.chosen.is_said {
                proposal.settled.confidence = Confidence::Unsure;
            }
        }
    }
    let rhythm = rhythm::find(&chosen, times, is_long);
    for proposal in &mut proposals {
        proposal.settled.mapped.sparse = rhythm.own.get(&proposal.chosen.channel).copied();
        name_columns(&mut proposal.settled.mapped, &proposal.chosen, columns);
    }
    proposals.sort_by_key(|p| p.chosen.channel);
    remarks.extend(lacking(&proposals, &questions, request));
    remarks.extend(rhythm.reasons.iter().cloned());
    let mapping = write::text(&write::Parts {
        path,
        form: &opened.form,
        layout: &opened.layout,
        time: &opened.time,
        rhythm: &rhythm,
        ambient_kpa: answers.ambient_kpa,
        proposals: &proposals,
        questions: &questions,
    });
    let trial = trial::read_back(path, bytes, &request.name, &mapping);
    let unused = columns.iter().filter(|column| !taken.contains(&column.position));
    let unused =
        unused.map(|column| UnusedColumn { title: column.title.text.clone(), holds: range_of(column) });
    let unused = unused.collect();
    let time = guessed_time(&opened.time, columns, is_long);
    let channels = time.into_iter().chain(proposals.iter().map(guessed)).collect();
    Ok(Guess { written_as: opened.findings.clone(), channels, unused, questions, remarks, mapping, trial })
}

/// The unit of the log's temperatures, where it tells one and no other.
fn temperature_told(columns: &[Column]) -> Option<Unit> {
    let told = columns.iter().filter_map(|column| column.told);
    let found: BTreeSet<&str> =
        told.clone().filter(|unit| unit.quantity() == Quantity::Temperature).map(Unit::word).collect();
    let mut told = told.filter(|unit| unit.quantity() == Quantity::Temperature);
    if found.len() == 1 { told.next() } else { None }
}

/// What the engine speed says of the ride.
fn ride_of(proposals: &[Proposal<'_>], times: &[f64]) -> fits::Ride {
    const TURNS_RPM: f64 = 500.0;
    /// Above any idle.
    const REVVED_RPM: f64 = 2200.0;
    let Some(rpm) = proposals.first().filter(|p| p.chosen.channel == Channel::Rpm) else {
        return fits::Ride::default();
    };
    let unit_rpm = if rpm.settled.unit == Some(Unit::PerSecond) { 60.0 } else { 1.0 };
    let points: Vec<(f64, f64)> = rpm.chosen.columns[0]
        .points()
        .filter_map(|(row, value)| Some((*times.get(row)?, value * unit_rpm)))
        .collect();
    /// A pause of the log is no running.
    const LONGEST_STEP_S: f64 = 10.0;
    let steps = points.windows(2).filter(|pair| pair[0].1 > TURNS_RPM).map(|pair| pair[1].0 - pair[0].0);
    let running_s = steps.filter(|step| (0.0..LONGEST_STEP_S).contains(step)).sum();
    fits::Ride { running_s, revved: points.iter().any(|(_, rpm)| *rpm > REVVED_RPM) }
}

/// A gauge pressure needs the pressure of the air around.
fn ask_for_the_air(proposals: &mut [Proposal<'_>], answers: &Answers, questions: &mut Vec<Question>) {
    let has_baro =
        proposals.iter().any(|p| p.chosen.channel == Channel::BaroKpa && p.settled.question.is_none());
    if has_baro || answers.ambient_kpa.is_some() {
        return;
    }
    for proposal in proposals {
        let Some(unit) = proposal.settled.unit.filter(|unit| unit.is_gauge()) else { continue };
        let channel = proposal.chosen.channel;
        let flag = flag(channel, &format!("{}:100", unit.word()));
        let question = Question {
            channel: channel.name(),
            text: format!(
                "`{}` counts from the air around ({}), and the log has no air pressure: what was it, in kPa absolute?",
                proposal.chosen.columns[0].title.text,
                unit.word()
            ),
            answers: vec![Answer { flag, meaning: "near sea level; your figure".to_owned() }],
            is_needed: true,
        };
        questions.push(question.clone());
        proposal.settled.question = Some(question);
    }
}

fn name_columns(mapped: &mut ChannelColumn, chosen: &Chosen<'_>, all: &[Column]) {
    match chosen.columns.as_slice() {
        [one] => mapped.title = Some(one.key(all)),
        several => mapped.sum_of = Some(several.iter().map(|column| column.key(all)).collect()),
    }
}

/// What a fuel table cannot be corrected without.
fn lacking(proposals: &[Proposal<'_>], questions: &[Question], request: &Request) -> Vec<String> {
    let has = |channel: Channel| {
        proposals.iter().any(|p| p.chosen.channel == channel)
            || questions.iter().any(|q| q.channel == channel.name())
    };
    let mut remarks = Vec::new();
    let mut miss = |channel: Channel, why: &str| {
        if !has(channel) {
            remarks.push(format!(
                "no column is known as `{}`, {why}: `--say {}='TITLE'` names it",
                channel.name(),
                channel.name()
            ));
        }
    };
    miss(Channel::Rpm, "which every table needs");
    match request.load {
        Some(load) => miss(load, "the load axis of the bike's fuel table"),
        None if !has(Channel::MapKpa) => miss(Channel::ThrottlePct, "a load axis"),
        None => {}
    }
    miss(Channel::Lambda, "without which no ride says anything of the mixture");
    remarks
}

fn guessed(proposal: &Proposal<'_>) -> GuessedChannel {
    let (chosen, settled) = (&proposal.chosen, &proposal.settled);
    let titles: Vec<&str> = chosen.columns.iter().map(|column| column.title.text.as_str()).collect();
    GuessedChannel {
        channel: chosen.channel.name(),
        title: titles.join(" + "),
        unit: settled.unit.map(Unit::word),
        is_mapped: settled.question.is_none(),
        confidence: if settled.question.is_some() { Confidence::Unsure } else { settled.confidence },
        reasons: settled.reasons.clone(),
        ..GuessedChannel::spread_as(chosen.columns[0].spread.as_ref())
    }
}

fn guessed_time(time: &Times, columns: &[Column], is_long: bool) -> Option<GuessedChannel> {
    let (title, unit, confidence, reasons) = match time {
        Times::Asked(_) => return None,
        Times::Column(found) => {
            let column = columns.iter().find(|column| column.position == found.position && !is_long);
            let title = column.map_or(&found.column.title, |column| &column.title.text);
            (title.clone(), write::form_word(found.column.form), found.confidence, found.reasons.clone())
        }
        Times::Own(_) => {
            let reason = "a measurement file keeps the times of its channels itself".to_owned();
            (
                "each channel's own".to_owned(),
                write::form_word(TimeForm::Seconds),
                Confidence::Sure,
                vec![reason],
            )
        }
    };
    Some(GuessedChannel {
        channel: Channel::TimeS.name(),
        title,
        unit: Some(unit),
        is_mapped: true,
        confidence,
        reasons,
        ..GuessedChannel::spread_as(Spread::of(time.of_rows()).as_ref())
    })
}
