//! What each command answers with `--json`: one line a command.
//!
//! A type of an answer enters; its JSON Schema leaves, with the `format_version`
//! that every document carries.

use super::outcome::{ErrorDocument, RefusalDocument};
use super::page_file::PageWritten;
use super::screen::FORMAT_VERSION;
use super::{calc, completions, man, rides, run, schema, stages, status, watch};
use crate::operations;
use schemars::generate::{SchemaGenerator, SchemaSettings};
use schemars::{JsonSchema, Schema};
use serde_json::{Map, Value, json};

/// Every answer, in the order of the commands.
pub(super) fn registry() -> Vec<Answer> {
    let mut answers = vec![
        one::<operations::Status>("status").or::<status::NoBike>(),
        one::<operations::DemoReport>("demo"),
        one::<operations::NewReport>("new"),
        one::<operations::CheckReport>("check"),
        one::<operations::RunReport>("run").or::<run::RunRefusal>(),
        list::<operations::HistoryEntry>("history"),
        one::<operations::ShowReport>("show").or::<PageWritten>(),
        one::<operations::DiffReport>("diff"),
        one::<operations::season::SeasonReport>("season").or::<PageWritten>(),
        one::<operations::GapsReport>("gaps"),
        one::<operations::ResponseReport>("response"),
        one::<operations::HeadroomReport>("headroom"),
        one::<operations::KnockReport>("knock"),
        one::<operations::CellReport>("cell"),
        one::<operations::HandReport>("edit set"),
        one::<operations::HandReport>("edit add"),
        one::<operations::HandReport>("edit scale"),
        one::<operations::HandReport>("edit smooth"),
        one::<operations::HandReport>("edit lock"),
        one::<operations::HandReport>("edit unlock"),
        one::<operations::HandReport>("import"),
        one::<operations::MixtureReport>("mixture"),
        one::<operations::RescaleReport>("rescale"),
        one::<operations::ExportReport>("export"),
        one::<operations::BuildReport>("build add"),
        one::<operations::VerifyReport>("verify"),
        one::<operations::RollbackReport>("rollback"),
        one::<rides::RideList>("rides"),
        one::<operations::RideFateReport>("rides set-aside"),
        one::<operations::RideFateReport>("rides correct"),
        one::<operations::RideFateReport>("rides take-back"),
        one::<stages::StageList>("stages")
            .or::<stages::StagePage>()
            .or::<stages::FindingList>()
            .or::<stages::PipelineText>()
            .or::<stages::SchemaFile>()
            .or::<schema::AnySchema>(),
        one::<operations::SimulateReport>("simulate"),
        one::<watch::WatchLook>("watch"),
        one::<operations::GuessReport>("logger guess"),
        one::<operations::CollectReport>("evidence collect"),
        one::<operations::MergeReport>("evidence merge"),
        one::<calc::SumList>(CALC),
        one::<operations::PowerReport>("power"),
        one::<operations::CompareReport>("compare").or::<PageWritten>(),
        one::<completions::CompletionsReport>("completions"),
        one::<man::ManReport>("man"),
        one::<operations::GitSetupReport>("git-setup"),
        one::<schema::AnswerList>("schema").or::<schema::AnySchema>(),
        one::<ErrorDocument>(ERROR),
        one::<RefusalDocument>(REFUSAL),
    ];
    // Every workshop sum answers in one form; they stand behind the list of them.
    let sums = operations::calc::registry().into_iter();
    let sums = sums.map(|sum| one::<operations::calc::SumReport>(format!("calc {}", sum.name)));
    let behind = answers.iter().position(|answer| answer.command == CALC).map_or(answers.len(), |at| at + 1);
    answers.splice(behind..behind, sums);
    answers
}

/// The list of workshop sums.
const CALC: &str = "calc";

/// The answer without a command.
pub(super) const STATUS: &str = "status";
/// What stands on standard output when a command failed or could not be understood.
pub(super) const ERROR: &str = "error";
/// What stands on standard output when a guard refused.
pub(super) const REFUSAL: &str = "refusal";

/// A line of the registry.
pub(super) struct Answer {
    /// The command, as it is typed.
    pub command: String,
    shape: Shape,
    forms: Vec<fn(&mut SchemaGenerator) -> Schema>,
}

enum Shape {
    /// One document.
    One,
    /// An array of documents.
    List,
}

/// A command that answers with one document.
fn one<T: JsonSchema>(command: impl Into<String>) -> Answer {
    Answer { command: command.into(), shape: Shape::One, forms: vec![T::json_schema] }
}

/// A command that answers with an array.
fn list<T: JsonSchema>(command: &'static str) -> Answer {
    Answer { shape: Shape::List, ..one::<T>(command) }
}

impl Answer {
    /// It may answer with a document of this form as well, depending on its options.
    fn or<T: JsonSchema>(mut self) -> Self {
        self.forms.push(T::json_schema);
        self
    }

    /// The JSON Schema of the answer.
    ///
    /// # Source
    /// JSON Schema, draft 2020-12, <https://json-schema.org/draft/2020-12>.
    pub(super) fn schema(&self) -> Value {
        let settings = SchemaSettings::draft2020_12().for_serialize();
        let dialect = settings.meta_schema.clone();
        let mut generator = settings.into_generator();
        let mut forms: Vec<Value> =
            self.forms.iter().map(|form| with_version(form(&mut generator).to_value())).collect();
        let mut definitions = generator.take_definitions(true);
        definitions.values_mut().for_each(allow_more_fields);
        let one = match forms.len() {
            1 => forms.remove(0),
            _ => json!({ "anyOf": forms }),
        };
        let body = match self.shape {
            Shape::One => one,
            Shape::List => json!({ "type": "array", "items": one }),
        };
        let title = match self.command.as_str() {
            STATUS => "rideloop".to_owned(),
            name => format!("rideloop {name}"),
        };
        let mut root = Map::new();
        root.insert("$schema".to_owned(), json!(dialect));
        root.insert("title".to_owned(), json!(title));
        if let Value::Object(body) = body {
            root.extend(body.into_iter().filter(|(key, _)| key != "title"));
        }
        if !definitions.is_empty() {
            root.insert("$defs".to_owned(), Value::Object(definitions));
        }
        Value::Object(root)
    }
}

/// The document with the `format_version` that the screen adds to it.
fn with_version(mut schema: Value) -> Value {
    allow_more_fields(&mut schema);
    let about = "The version of this format; within it fields are only added.";
    let version = json!({ "description": about, "type": "integer", "const": FORMAT_VERSION });
    if let Some(schema) = schema.as_object_mut() {
        if let Some(properties) = schema.entry("properties").or_insert(json!({})).as_object_mut() {
            properties.shift_insert(0, "format_version".to_owned(), version);
        }
        if let Some(required) = schema.entry("required").or_insert(json!([])).as_array_mut() {
            required.insert(0, json!("format_version"));
        }
    }
    schema
}

/// Files of the bike folder allow no unknown key; answers may gain fields.
fn allow_more_fields(schema: &mut Value) {
    match schema {
        Value::Object(map) => {
            if map.get("additionalProperties") == Some(&Value::Bool(false)) {
                map.shift_remove("additionalProperties");
            }
            map.values_mut().for_each(allow_more_fields);
        }
        Value::Array(list) => list.iter_mut().for_each(allow_more_fields),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Command;

    /// Every command that can be run as it stands, such as `rides` and `rides set-aside`.
    fn runnable(command: &Command, path: &str, found: &mut Vec<String>) {
        for below in command.get_subcommands().filter(|c| !c.is_hide_set()) {
            let name = format!("{path}{}", below.get_name());
            if !below.is_subcommand_required_set() {
                found.push(name.clone());
            }
            runnable(below, &format!("{name} "), found);
        }
    }

    #[test]
    fn every_command_has_exactly_one_answer_and_every_answer_a_command() {
        let mut commands = vec![STATUS.to_owned(), ERROR.to_owned(), REFUSAL.to_owned()];
        runnable(&super::super::command_line(), "", &mut commands);
        let mut answers: Vec<String> = registry().iter().map(|a| a.command.clone()).collect();
        commands.sort();
        answers.sort();
        assert_eq!(answers, commands, "add a line to `registry` in src/cli/answers.rs");
    }

    #[test]
    fn every_answer_carries_its_format_version_and_only_grows() {
        for answer in registry() {
            let schema = answer.schema();
            let text = schema.to_string();
            assert!(text.contains("format_version"), "{}", answer.command);
            assert!(!text.contains("additionalProperties\":false"), "{}", answer.command);
            assert_eq!(
                schema["$schema"], "https://json-schema.org/draft/2020-12/schema",
                "{}",
                answer.command
            );
        }
    }
}
