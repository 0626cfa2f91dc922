//! Workshop sums: what the inputs of a sum give, with its formula and its source.
//!
//! Each sum is one [`Sum`] in the registry; the command line, its help, the page of sums and
//! the tests are made from it. The arithmetic is in `physics`.

mod air;
mod engine;
mod fuel_text;
mod injectors;
mod input;
mod mixture;
mod power;
pub mod quantity;

pub use fuel_text::FUEL_WAYS;
pub use input::{Given, Input, Kind, Read};

use super::OperationError;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Map, Value};

/// A sum.
#[derive(Debug)]
pub struct Sum {
    /// Its name on the command line.
    pub name: &'static str,
    /// One sentence.
    pub about: &'static str,
    /// What it is given.
    pub inputs: &'static [Input],
    /// Inputs of which exactly one is given.
    pub one_of: &'static [&'static [&'static str]],
    /// What it gives; some only with the inputs that they need.
    pub gives: &'static [Figure],
    /// How, line by line.
    pub formula: &'static [&'static str],
    /// Where that comes from.
    pub source: &'static str,
    /// A command line behind the name.
    pub example: &'static str,
    work: fn(&Given) -> Result<Worked, Impossible>,
}

/// A number that a sum gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// Its name with its unit, such as `density_kg_m3`.
    pub name: &'static str,
    /// Its unit, for people; empty for a plain number.
    pub unit: &'static str,
    /// Decimals shown to people.
    pub decimals: usize,
    /// What it is.
    pub about: &'static str,
}

const fn figure(name: &'static str, unit: &'static str, decimals: usize, about: &'static str) -> Figure {
    Figure { name, unit, decimals, about }
}

/// Numbers that each are allowed but have no answer together.
#[derive(Debug)]
struct Impossible {
    what: String,
    hint: String,
}

impl Impossible {
    fn new(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { what: what.into(), hint: hint.into() }
    }
}

/// What came of a sum.
#[derive(Debug, Default)]
struct Worked {
    results: Vec<(Figure, f64)>,
    columns: &'static [Figure],
    rows: Vec<Vec<f64>>,
    cautions: Vec<String>,
    notes: Vec<String>,
}

impl Worked {
    fn of(results: &[(Figure, f64)]) -> Self {
        Self { results: results.to_vec(), ..Self::default() }
    }

    fn with(mut self, more: &[(Figure, f64)]) -> Self {
        self.results.extend(more);
        self
    }

    fn caution_if(mut self, holds: bool, words: impl FnOnce() -> String) -> Self {
        if holds {
            self.cautions.push(words());
        }
        self
    }

    fn note_if(mut self, holds: bool, words: impl FnOnce() -> String) -> Self {
        if holds {
            self.notes.push(words());
        }
        self
    }
}

/// The answer of a sum.
#[derive(Debug, Serialize, JsonSchema)]
pub struct SumReport {
    /// The sum.
    pub sum: &'static str,
    /// What was given, in the unit that each name ends with; what was assumed as well.
    pub inputs: Map<String, Value>,
    /// The inputs that were assumed since they were not given.
    pub assumed: Vec<&'static str>,
    /// What it gives, in the unit that each name ends with.
    pub results: Map<String, Value>,
    /// What it gives line by line, for a sum over a range; else empty.
    pub rows: Vec<Map<String, Value>>,
    /// What can hurt.
    pub cautions: Vec<String>,
    /// What else to know.
    pub notes: Vec<String>,
    /// How it is worked out, line by line.
    pub formula: Vec<&'static str>,
    /// Where the formula comes from.
    pub source: &'static str,
    /// What people are shown.
    #[serde(skip)]
    pub shown: Shown,
}

/// The same for people.
#[derive(Debug, Default)]
pub struct Shown {
    /// Each number with what it is.
    pub results: Vec<(Figure, f64)>,
    /// The columns of `rows`.
    pub columns: &'static [Figure],
    /// Line by line.
    pub rows: Vec<Vec<f64>>,
    /// The flags that were given, as they were typed.
    pub given: Vec<String>,
    /// The flags that were assumed.
    pub assumed: Vec<String>,
}

/// Every sum, in the order of the list.
pub fn registry() -> Vec<&'static Sum> {
    [&mixture::SUMS[..], &air::SUMS, &injectors::SUMS, &engine::SUMS, &power::SUMS]
        .into_iter()
        .flatten()
        .collect()
}

/// Works a sum out.
///
/// # Errors
/// An input that is missing, of which one too many was given, or numbers without an answer.
pub fn calc(sum: &Sum, mut given: Given) -> Result<SumReport, OperationError> {
    let mut assumed = Vec::new();
    for input in sum.inputs {
        let told = given.find(input.name).is_some();
        match input.default {
            Some(default) if !told => {
                let read = input.read(default).map_err(|what| {
                    OperationError::failed(format!("--{}: {what}", input.flag()), "give it yourself")
                })?;
                given.take(input, read);
                assumed.push(input.name);
            }
            None if !told && !input.optional => {
                let what = format!("--{} is missing: {}", input.flag(), input.about);
                return Err(OperationError::failed(what, format!("for example: {}", sum.example)));
            }
            _ => {}
        }
    }
    for names in sum.one_of {
        if names.iter().filter(|name| given.find(name).is_some()).count() != 1 {
            let flags: Vec<String> =
                names.iter().map(|name| format!("--{}", name.replace('_', "-"))).collect();
            let what = format!("exactly one of {} is needed", flags.join(", "));
            return Err(OperationError::failed(what, format!("for example: {}", sum.example)));
        }
    }
    let worked = (sum.work)(&given).map_err(|no| OperationError::failed(no.what, no.hint))?;
    report(sum, &given, assumed, worked)
}

fn report(
    sum: &Sum,
    given: &Given,
    assumed: Vec<&'static str>,
    worked: Worked,
) -> Result<SumReport, OperationError> {
    let in_rows = worked.rows.iter().flat_map(|row| worked.columns.iter().zip(row));
    let all = worked.results.iter().map(|(figure, value)| (figure, value)).chain(in_rows);
    if let Some((figure, _)) = all.into_iter().find(|(_, value)| !value.is_finite()) {
        return Err(OperationError::failed(
            format!("these numbers have no answer: {} would be no finite number", figure.name),
            "look whether each is in the unit that its flag names",
        ));
    }
    let mut inputs = Map::new();
    let mut shown = Shown::default();
    for input in sum.inputs {
        let Some(read) = given.find(input.name) else { continue };
        inputs.insert(input.name.to_owned(), read.json());
        let flag = format!("--{} {}", input.flag(), read.text());
        match assumed.contains(&input.name) {
            true => shown.assumed.push(flag),
            false => shown.given.push(flag),
        }
    }
    let named = |(figure, value): (&Figure, &f64)| (figure.name.to_owned(), Value::from(*value));
    Ok(SumReport {
        sum: sum.name,
        inputs,
        assumed,
        results: worked.results.iter().map(|(figure, value)| named((figure, value))).collect(),
        rows: worked.rows.iter().map(|row| worked.columns.iter().zip(row).map(named).collect()).collect(),
        cautions: worked.cautions,
        notes: worked.notes,
        formula: sum.formula.to_vec(),
        source: sum.source,
        shown: Shown { results: worked.results, columns: worked.columns, rows: worked.rows, ..shown },
    })
}

#[cfg(test)]
mod tests;
