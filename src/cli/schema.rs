//! `rideloop schema`

use super::answers::{self, Answer, ERROR, REFUSAL, STATUS};
use super::outcome::Exit;
use super::{Context, Result};
use crate::operations::OperationError;
use crate::problem::nearest;
use crate::report;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Map, Value};

/// The JSON Schema of what a command answers with --json.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop schema                      the list\n  \
                        rideloop schema run > run.schema.json\n  \
                        rideloop schema rides set-aside\n  \
                        rideloop schema error                what stands there when a command failed\n\n\
                        `status` is the answer without a command. The schemas are of draft 2020-12.")]
pub(super) struct Args {
    /// The command, or `status`, `error`, `refusal`; without it the list of them.
    #[arg(value_name = "COMMAND")]
    command: Vec<String>,
}

/// What has a schema.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct AnswerList {
    /// The answers.
    pub answers: Vec<AnswerAbout>,
}

/// One answer.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct AnswerAbout {
    /// The command, or `status`, `error`, `refusal`.
    pub command: String,
    /// When it stands on standard output.
    pub about: String,
}

/// A JSON Schema.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct AnySchema {
    /// The dialect it is written in.
    #[serde(rename = "$schema")]
    dialect: String,
    /// Its other keywords.
    #[serde(flatten)]
    keywords: Map<String, Value>,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let registry = answers::registry();
    if args.command.is_empty() {
        let list = AnswerList { answers: registry.iter().map(about).collect() };
        let rows: Vec<(&str, &str)> =
            list.answers.iter().map(|a| (a.command.as_str(), a.about.as_str())).collect();
        context.screen.tell(&list, |width| report::name_list(&rows, width));
        return Ok(Exit::Done);
    }
    let name = args.command.join(" ");
    let answer = registry.iter().find(|a| a.command == name).ok_or_else(|| unknown(&registry, &name))?;
    let schema = answer.schema();
    let text = serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n";
    context.screen.tell(&schema, |_| text);
    Ok(Exit::Done)
}

fn about(answer: &Answer) -> AnswerAbout {
    let about = match answer.command.as_str() {
        STATUS => "without a command".to_owned(),
        ERROR => "exit code 1 or 2: it failed, or the command line was wrong".to_owned(),
        REFUSAL => "exit code 3: a guard refused".to_owned(),
        command => {
            let line = super::command_line();
            let found = command.split(' ').try_fold(&line, |at, word| at.find_subcommand(word));
            found.and_then(clap::Command::get_about).map(ToString::to_string).unwrap_or_default()
        }
    };
    AnswerAbout { command: answer.command.clone(), about }
}

fn unknown(registry: &[Answer], name: &str) -> OperationError {
    let hint = match nearest(name, registry.iter().map(|a| a.command.as_str())) {
        Some(near) => format!("did you mean `{near}`?"),
        None => "`rideloop schema` lists them".to_owned(),
    };
    OperationError::failed(format!("no command `{name}` answers"), hint)
}
