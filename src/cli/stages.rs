//! `rideloop stages`

use super::outcome::Exit;
use super::{Context, Result};
use crate::findings::{self, FindingEntry};
use crate::operations::{OperationError, WholeFile};
use crate::pipeline::{self, SettingDoc, StageEntry, StageKind, stages};
use crate::problem::nearest;
use crate::report;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::PathBuf;

/// Every pipeline stage with its settings, units, defaults and an example.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  rideloop stages\n  rideloop stages warm\n  \
                        rideloop stages --pipeline road > pipelines/road.yaml\n  \
                        rideloop stages --schema pipeline.schema.json\n  \
                        rideloop stages --findings")]
pub(super) struct Args {
    /// The stage to explain.
    #[arg(value_name = "NAME")]
    stage: Option<String>,
    /// Print a shipped pipeline, to start one of your own from.
    #[arg(long, value_name = "NAME", conflicts_with = "stage")]
    pipeline: Option<String>,
    /// Write the JSON Schema of pipeline files, for editors; `-` prints it.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["stage", "pipeline"])]
    schema: Option<PathBuf>,
    /// List the signs that a sensor or a log lies, which every run looks for.
    #[arg(long, conflicts_with_all = ["stage", "pipeline", "schema"])]
    findings: bool,
}

/// Every stage.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct StageList {
    /// They, in the order they usually stand in.
    stages: Vec<StagePage>,
}

/// One stage.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct StagePage {
    /// The name in a pipeline file.
    name: &'static str,
    /// Where it may stand.
    kind: StageKind,
    /// One sentence.
    about: &'static str,
    /// Where the method and its numbers come from.
    source: &'static str,
    /// A line as it may stand in a pipeline file.
    example: &'static str,
    /// Its settings.
    settings: Vec<SettingDoc>,
    /// The reasons it drops samples for.
    reasons: Vec<ReasonDoc>,
    /// The JSON Schema of its settings.
    schema: serde_json::Value,
}

/// A reason to drop a sample.
#[derive(Debug, Serialize, JsonSchema)]
struct ReasonDoc {
    /// Its name in reports.
    reason: &'static str,
    /// What it means.
    about: &'static str,
}

/// Every sign that a sensor or a log lies.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct FindingList {
    /// They.
    findings: Vec<FindingPage>,
}

/// One sign.
#[derive(Debug, Serialize, JsonSchema)]
struct FindingPage {
    /// Its name in reports.
    name: &'static str,
    /// One sentence.
    about: &'static str,
    /// How much weight it has.
    severity: &'static str,
    /// What to look at.
    look_at: &'static str,
    /// Where the method and its numbers come from.
    source: &'static str,
}

/// A shipped pipeline.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct PipelineText {
    /// Its name.
    pipeline: String,
    /// Its file.
    text: String,
}

/// The file a schema was written to.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SchemaFile {
    /// The file.
    file: PathBuf,
}

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let registry = stages::registry();
    if let Some(path) = &args.schema {
        return schema(context, path);
    }
    if args.findings {
        let registry = findings::registry();
        let list: Vec<_> = registry.iter().map(|entry| describe_finding(entry)).collect();
        context.screen.tell(&FindingList { findings: list }, |width| report::finding_list(&registry, width));
        return Ok(Exit::Done);
    }
    if let Some(name) = &args.pipeline {
        let known: Vec<&str> = pipeline::SHIPPED.iter().map(|(n, _)| *n).collect();
        let text = pipeline::shipped(name).ok_or_else(|| unknown("pipeline", name, &known))?;
        let shipped = PipelineText { pipeline: name.clone(), text: text.to_owned() };
        context.screen.tell(&shipped, |_| text.to_owned());
        return Ok(Exit::Done);
    }
    match &args.stage {
        None => {
            let list: Vec<_> = registry.iter().map(describe).collect();
            context.screen.tell(&StageList { stages: list }, |width| report::stage_list(&registry, width));
        }
        Some(name) => {
            let known: Vec<&str> = registry.iter().map(|e| e.name).collect();
            let entry =
                registry.iter().find(|e| e.name == name).ok_or_else(|| unknown("stage", name, &known))?;
            context.screen.tell(&describe(entry), |width| report::stage_page(entry, width));
        }
    }
    Ok(Exit::Done)
}

fn unknown(what: &str, name: &str, known: &[&str]) -> OperationError {
    let hint = match nearest(name, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known: {}", known.join(", ")),
    };
    OperationError::failed(format!("there is no {what} `{name}`"), hint)
}

fn describe(entry: &StageEntry) -> StagePage {
    let reasons = entry.reasons.iter().map(|r| ReasonDoc { reason: r.key, about: r.about });
    StagePage {
        name: entry.name,
        kind: entry.kind,
        about: entry.about,
        source: entry.source,
        example: entry.example,
        settings: entry.settings(),
        reasons: reasons.collect(),
        schema: (entry.schema)(),
    }
}

fn describe_finding(entry: &FindingEntry) -> FindingPage {
    FindingPage {
        name: entry.name,
        about: entry.about,
        severity: entry.severity,
        look_at: entry.look_at,
        source: entry.source,
    }
}

fn schema(context: &Context, path: &std::path::Path) -> Result {
    let schema = pipeline::schema();
    let text = serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n";
    if path.as_os_str() == "-" {
        context.screen.tell(&schema, |_| text);
        return Ok(Exit::Done);
    }
    WholeFile::begin(path)?.put(text.as_bytes())?;
    context.screen.tell(&SchemaFile { file: path.to_path_buf() }, |_| {
        format!("{} describes pipeline files for editors that know JSON Schema\n", path.display())
    });
    Ok(Exit::Done)
}
