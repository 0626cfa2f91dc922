//! What the person says on the command line: `CHANNEL=ANSWER`, one after the other.
//!
//! The words enter; what they mean for this log leaves, or why they mean nothing.

use super::super::mapping::TimeForm;
use super::super::units::Unit;
use crate::physics::fuel;
use crate::ride::Channel;
use crate::ride::source::{Found, Title, find};
use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;

/// One answer, as it was given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Say {
    /// The channel it speaks of; the time is one.
    pub channel: Channel,
    /// The answer.
    pub answer: String,
}

impl FromStr for Say {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, answer) =
            text.split_once('=').ok_or("it is written CHANNEL=ANSWER, such as lambda=afr:14.7")?;
        let channel = Channel::from_title(name.trim()).ok_or_else(|| {
            let names = Channel::ALL.iter().map(|(_, name)| *name);
            let near = crate::problem::nearest(name.trim(), names.clone());
            match near {
                Some(near) => format!("there is no channel `{name}`; did you mean `{near}`?"),
                None => format!(
                    "there is no channel `{name}`; there are {}",
                    names.collect::<Vec<_>>().join(", ")
                ),
            }
        })?;
        match answer.trim() {
            "" => Err(format!("it says nothing of `{name}`")),
            answer => Ok(Self { channel, answer: answer.to_owned() }),
        }
    }
}

/// Points from readings to values.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    pub points: Vec<(f64, f64)>,
    /// It ends with its points.
    pub is_volts: bool,
}

/// Everything that was said.
#[derive(Debug, Default)]
pub(super) struct Answers {
    pub left_out: BTreeSet<Channel>,
    pub titles: BTreeMap<Channel, Vec<usize>>,
    pub units: BTreeMap<Channel, Unit>,
    pub fuel: BTreeMap<Channel, String>,
    pub stoich_afr: BTreeMap<Channel, f64>,
    pub lines: BTreeMap<Channel, Line>,
    pub slots: BTreeMap<String, String>,
    pub ambient_kpa: Option<f64>,
    pub time_form: Option<TimeForm>,
}

impl Answers {
    /// Takes the answers in their order.
    ///
    /// # Errors
    /// In words, for an answer that is neither a unit of the channel nor a title of the log.
    pub fn new(says: &[Say], titles: &[Title]) -> Result<Self, String> {
        let mut answers = Self::default();
        for say in says {
            answers.take(say.channel, &say.answer, titles)?;
        }
        Ok(answers)
    }

    fn take(&mut self, channel: Channel, answer: &str, titles: &[Title]) -> Result<(), String> {
        let (word, detail) = match answer.split_once(':') {
            Some((word, detail)) => (word.trim(), Some(detail.trim())),
            None => (answer, None),
        };
        match (word, detail) {
            ("none", None) => {
                self.left_out.insert(channel);
                return Ok(());
            }
            ("title", Some(title)) => return self.title(channel, title, titles),
            ("line" | "volts", Some(points)) => {
                self.lines.insert(channel, Line { points: points_of(points)?, is_volts: word == "volts" });
                return Ok(());
            }
            ("factor", None) if channel == Channel::TrimPct => {
                self.lines.insert(channel, Line { points: vec![(1.0, 0.0), (2.0, 100.0)], is_volts: false });
                return Ok(());
            }
            ("factor", Some("100")) if channel == Channel::TrimPct => {
                self.lines
                    .insert(channel, Line { points: vec![(100.0, 0.0), (200.0, 100.0)], is_volts: false });
                return Ok(());
            }
            _ => {}
        }
        if channel == Channel::TimeS {
            if let Ok(form) = serde_json::from_value(word.into()) {
                self.time_form = Some(form);
                return Ok(());
            }
        } else if let Some(unit) = Unit::all_for(channel).find(|unit| unit.word() == word) {
            return self.unit(channel, unit, detail);
        }
        if channel == Channel::Slot && !is_title(answer, titles) && detail.is_some() {
            for pair in answer.split(',') {
                let (reading, slot) = pair.split_once(':').ok_or("slots are written 1:power,2:economy")?;
                self.slots.insert(reading.trim().to_owned(), slot.trim().to_owned());
            }
            return Ok(());
        }
        self.title(channel, answer, titles)
    }

    fn unit(&mut self, channel: Channel, unit: Unit, detail: Option<&str>) -> Result<(), String> {
        let name = channel.name();
        if let Some(before) = self.units.insert(channel, unit).filter(|before| *before != unit) {
            return Err(format!("`{name}` was said to be {} and {}: say one", before.word(), unit.word()));
        }
        match (unit, detail) {
            (_, None) => {}
            (Unit::Afr, Some(fuel)) if fuel::known(fuel).is_some() => {
                self.fuel.insert(channel, fuel.to_owned());
            }
            (Unit::Afr, Some(ratio)) => {
                let ratio = ratio.parse::<f64>().ok().filter(|ratio| (1.0..=40.0).contains(ratio));
                let fuels = fuel::KNOWN_FUELS.join(", ");
                let ratio = ratio.ok_or(format!(
                    "`{name}=afr:` is followed by what the logger shows at lambda 1, such as 14.7, or by a fuel: {fuels}"
                ))?;
                self.stoich_afr.insert(channel, ratio);
            }
            (unit, Some(ambient)) if unit.is_gauge() => {
                let ambient = ambient.parse::<f64>().ok().filter(|kpa| (50.0..=110.0).contains(kpa));
                self.ambient_kpa = Some(ambient.ok_or(format!(
                    "`{name}={}:` is followed by the pressure of the air around, kPa, 50 to 110",
                    unit.word()
                ))?);
            }
            (unit, Some(detail)) => {
                return Err(format!("`{detail}` says nothing of `{name}` in {}", unit.word()));
            }
        }
        Ok(())
    }

    fn title(&mut self, channel: Channel, text: &str, titles: &[Title]) -> Result<(), String> {
        let at = |text: &str| match find(titles, text) {
            Found::At(position) => Ok(position),
            Found::Several => {
                Err(format!("the log has the title `{text}` twice, or in two units: name it in full"))
            }
            Found::Nowhere => {
                let near =
                    crate::problem::nearest(text.trim(), titles.iter().map(|title| title.text.as_str()));
                let near = near.map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
                let units = match channel {
                    Channel::TimeS => {
                        "seconds, milliseconds, microseconds, minutes, clock, date_time".to_owned()
                    }
                    _ => Unit::words_for(channel).join(", "),
                };
                Err(format!(
                    "`{text}` is neither a title of the log nor one of the units of `{}` ({units}){near}",
                    channel.name()
                ))
            }
        };
        let positions = match at(text) {
            Err(_) if channel == Channel::TrimPct && text.contains('+') => {
                text.split('+').map(at).collect::<Result<Vec<usize>, String>>()?
            }
            found => vec![found?],
        };
        self.titles.insert(channel, positions);
        Ok(())
    }
}

fn is_title(text: &str, titles: &[Title]) -> bool {
    find(titles, text) != Found::Nowhere
}

fn points_of(text: &str) -> Result<Vec<(f64, f64)>, String> {
    let wrong =
        || format!("`{text}` is no line: it is written READING=VALUE,READING=VALUE, such as 0.5=0,4.5=100");
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|value| value.is_finite());
    let pair = |pair: &str| {
        let (reading, value) = pair.split_once('=')?;
        Some((number(reading)?, number(value)?))
    };
    let mut points =
        text.split(',').map(|text| pair(text).ok_or_else(wrong)).collect::<Result<Vec<_>, _>>()?;
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    match points.len() < 2 || points.windows(2).any(|pair| pair[0].0 == pair[1].0) {
        true => Err(wrong()),
        false => Ok(points),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answers(says: &[&str]) -> Result<Answers, String> {
        let says: Vec<Say> = says.iter().map(|say| say.parse().expect("well formed")).collect();
        Answers::new(&says, &["Time", "AFR", "STFT", "LTFT", "TPS (V)"].map(Title::new))
    }

    #[test]
    fn answers_are_units_titles_or_lines() {
        let said = answers(&[
            "lambda=AFR",
            "lambda=afr:14.7",
            "trim_pct=STFT+LTFT",
            "throttle_pct=line:0.5=0,4.5=100",
            "map_kpa=psi_gauge:98",
            "speed_kph=none",
            "time_s=milliseconds",
        ])
        .expect("understood");
        assert_eq!(
            (said.titles[&Channel::Lambda].as_slice(), said.titles[&Channel::TrimPct].as_slice()),
            (&[1][..], &[2, 3][..])
        );
        assert_eq!((said.units[&Channel::Lambda], said.stoich_afr[&Channel::Lambda]), (Unit::Afr, 14.7));
        assert_eq!(said.lines[&Channel::ThrottlePct].points, [(0.5, 0.0), (4.5, 100.0)]);
        assert_eq!((said.ambient_kpa, said.time_form), (Some(98.0), Some(TimeForm::Milliseconds)));
        assert!(said.left_out.contains(&Channel::SpeedKph));
        assert_eq!(answers(&["lambda=afr:E10"]).expect("a fuel").fuel[&Channel::Lambda], "E10");
    }

    #[test]
    fn an_answer_that_says_nothing_is_refused_in_words() {
        assert!("lamda=afr".parse::<Say>().expect_err("unknown").contains("did you mean `lambda`?"));
        assert!("lambda".parse::<Say>().is_err() && "lambda= ".parse::<Say>().is_err());
        let said = answers(&["lambda=celsius"]).expect_err("no unit of lambda");
        assert!(
            said.contains("neither a title of the log nor one of the units of `lambda` (lambda, phi, afr)"),
            "{said}"
        );
        assert!(answers(&["lambda=afr:petroleum"]).is_err());
        assert!(answers(&["throttle_pct=line:1=2"]).is_err());
        assert!(answers(&["map_kpa=psi_gauge:9"]).is_err());
    }
}
