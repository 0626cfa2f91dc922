//! Questions to a person at a terminal, one line each, and the readers of their answers.
//!
//! What the options say is taken; what they leave open is asked where there is somebody to ask, and
//! presumed, and remembered as such, where there is not. The terminal itself is handed in.

use crate::operations::OperationError;
use crate::operations::calc::quantity::Quantity;
use crate::shell;
use std::io::{BufRead, Write};
use std::path::PathBuf;

/// Where questions go and answers come from.
pub(super) struct Talk<'a> {
    /// Lines that a person types.
    pub answers: &'a mut dyn BufRead,
    /// What a person sees.
    pub shown: &'a mut dyn Write,
}

/// What an answer was read as.
pub(super) trait Answer {
    /// What stands behind the option that says the same; none where leaving it away does.
    ///
    /// `said` is the answer as it was typed.
    fn as_option(&self, said: &str) -> Option<String>;
}

impl Answer for f64 {
    fn as_option(&self, said: &str) -> Option<String> {
        Some(said.to_owned())
    }
}

impl Answer for u32 {
    fn as_option(&self, said: &str) -> Option<String> {
        Some(said.to_owned())
    }
}

impl Answer for PathBuf {
    fn as_option(&self, said: &str) -> Option<String> {
        Some(said.to_owned())
    }
}

impl Answer for String {
    fn as_option(&self, _: &str) -> Option<String> {
        Some(self.clone())
    }
}

impl Answer for Vec<String> {
    fn as_option(&self, _: &str) -> Option<String> {
        (!self.is_empty()).then(|| self.join(","))
    }
}

impl<T: Answer> Answer for Option<T> {
    fn as_option(&self, said: &str) -> Option<String> {
        self.as_ref().and_then(|answer| answer.as_option(said))
    }
}

/// Settles one thing after the other: as given, as answered, or as presumed.
pub(super) struct Interview<'a> {
    talk: Option<Talk<'a>>,
    presumed: Vec<String>,
    /// Options with what stands behind them.
    answered: Vec<(String, String)>,
}

/// One thing that must be settled.
pub(super) struct Question<'a> {
    /// The option that answers it.
    pub flag: &'a str,
    /// The question.
    pub text: &'a str,
    /// What an empty answer means.
    pub default: &'a str,
}

impl<'a> Interview<'a> {
    pub fn new(talk: Option<Talk<'a>>) -> Self {
        Self { talk, presumed: Vec::new(), answered: Vec::new() }
    }

    /// Whether there is somebody to ask.
    pub fn is_heard(&self) -> bool {
        self.talk.is_some()
    }

    /// What was presumed, each as the option that says so.
    pub fn take_presumed(&mut self) -> Vec<String> {
        std::mem::take(&mut self.presumed)
    }

    /// A command with the options that repeat what was answered, as a shell takes it; none where
    /// nothing was.
    pub fn repeated(&self, command: impl IntoIterator<Item = String>) -> Option<String> {
        if self.answered.is_empty() {
            return None;
        }
        let mut words: Vec<String> = command.into_iter().map(|text| shell::word(&text)).collect();
        for (flag, text) in &self.answered {
            // An option's value cannot begin like an option of its own.
            let between = if text.starts_with('-') { '=' } else { ' ' };
            words.push(format!("{flag}{between}{}", shell::word(text)));
        }
        Some(words.join(" "))
    }

    /// Takes what was given, asks, or presumes the default.
    ///
    /// # Errors
    /// When the answers end.
    pub fn settle<T: Answer>(
        &mut self,
        given: Option<T>,
        question: &Question<'_>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, OperationError> {
        if let Some(given) = given {
            return Ok(given);
        }
        if self.talk.is_none() {
            self.presumed.push(format!("{} {}", question.flag, question.default));
        }
        self.ask(question, read)
    }

    /// The same for what is nothing to be presumed: a name, or a thing that may be absent.
    ///
    /// # Errors
    /// When the answers end.
    pub fn settle_quietly<T: Answer>(
        &mut self,
        given: Option<T>,
        question: &Question<'_>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, OperationError> {
        match given {
            Some(given) => Ok(given),
            None => self.ask(question, read),
        }
    }

    fn ask<T: Answer>(
        &mut self,
        question: &Question<'_>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, OperationError> {
        let default = || {
            read(question.default).map_err(|why| {
                OperationError::failed(
                    format!("{} {} does not serve: {why}", question.flag, question.default),
                    format!("say {}", question.flag),
                )
            })
        };
        let Some(talk) = &mut self.talk else { return default() };
        loop {
            // A terminal that went away is noticed at the answer.
            let _ = write!(talk.shown, "{} [{}]: ", question.text, question.default);
            let _ = talk.shown.flush();
            let mut line = Vec::new();
            let typed = talk.answers.read_until(b'\n', &mut line);
            if !typed.is_ok_and(|bytes| bytes > 0) {
                let _ = writeln!(talk.shown);
                return Err(OperationError::failed(
                    format!("the answers ended before \"{}\"", question.text),
                    format!("nothing was written; {} answers it on the command line", question.flag),
                ));
            }
            let line = String::from_utf8_lossy(&line);
            let (said, answer) = match line.trim() {
                "" => (question.default, Ok(default()?)),
                said => (said, read(said)),
            };
            match answer {
                Ok(answer) => {
                    let option = answer.as_option(said);
                    self.answered.extend(option.map(|text| (question.flag.to_owned(), text)));
                    return Ok(answer);
                }
                Err(why) => {
                    let _ = writeln!(talk.shown, "  that does not serve: {why}");
                }
            }
        }
    }
}

/// A number of a quantity within bounds, with or without a unit; NaN is never within.
pub(super) fn measured(
    quantity: &'static Quantity,
    [low, high]: [f64; 2],
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value = quantity.read(text)?;
        match (low..=high).contains(&value) {
            true => Ok(value),
            false => Err(format!("must be between {low} and {high} {}, got {text}", quantity.native())),
        }
    }
}

/// A plain number within bounds; NaN is never within.
pub(super) fn ranged(
    low: f64,
    high: f64,
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value: f64 = text.parse().map_err(|_| format!("`{text}` is not a number"))?;
        match (low..=high).contains(&value) {
            true => Ok(value),
            false => Err(format!("must be between {low} and {high}, got {text}")),
        }
    }
}

/// A whole number within bounds.
pub(super) fn whole(
    low: u32,
    high: u32,
) -> impl Fn(&str) -> Result<u32, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value = text.parse::<u32>().map_err(|_| format!("`{text}` is not a whole number"))?;
        match (low..=high).contains(&value) {
            true => Ok(value),
            false => Err(format!("must be between {low} and {high}, got {text}")),
        }
    }
}

/// One of some words.
pub(super) fn one_of(words: &[&str], text: &str) -> Result<String, String> {
    let found = words.iter().find(|word| word.eq_ignore_ascii_case(text));
    found.map(|word| (*word).to_owned()).ok_or_else(|| format!("`{text}` is none of {}", words.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::calc::quantity::VOLUME;

    const CC: Question<'_> = Question { flag: "--cc", text: "How many cm³?", default: "650" };

    fn told(typed: &str) -> (Result<f64, OperationError>, String) {
        let mut shown = Vec::new();
        let mut answers = typed.as_bytes();
        let talk = Talk { answers: &mut answers, shown: &mut shown };
        let settled = Interview::new(Some(talk)).settle(None, &CC, measured(&VOLUME, [20.0, 10_000.0]));
        (settled, String::from_utf8(shown).expect("UTF-8"))
    }

    #[test]
    fn a_bad_answer_is_asked_again_with_the_reason_and_an_empty_one_is_the_default() {
        let (settled, shown) = told("0\n-700\nnan\n700psi\n0.7l\n");
        assert_eq!(settled.expect("settled"), 700.0);
        assert_eq!(shown.matches("How many cm³? [650]: ").count(), 5);
        for why in
            ["between 20 and 10000 cc, got 0", "got -700", "`nan` is not a number", "known: cc, l, in3"]
        {
            assert!(shown.contains(why), "{why}: {shown}");
        }
        assert_eq!(told("\n").0.expect("settled"), 650.0);
    }

    #[test]
    fn answers_that_end_are_an_error_that_names_the_option() {
        let (settled, _) = told("0\n");
        assert!(settled.expect_err("ended").to_string().contains("How many"));
    }

    #[test]
    fn without_a_terminal_nothing_is_asked_and_what_is_presumed_is_remembered() {
        let mut interview = Interview::new(None);
        let read = measured(&VOLUME, [20.0, 10_000.0]);
        assert_eq!(interview.settle(Some(700.0), &CC, read.clone()).expect("given"), 700.0);
        assert_eq!(interview.settle(None, &CC, read).expect("presumed"), 650.0);
        assert_eq!(interview.take_presumed(), ["--cc 650"]);
        assert_eq!(interview.repeated(["x".to_owned()]), None);
    }
}
