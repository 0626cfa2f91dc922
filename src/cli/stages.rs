//! `rideloop stages`

use super::outcome::Exit;
use super::{Context, Result};
use crate::findings::{self, FindingEntry};
use crate::operations::OperationError;
use crate::pipeline::{self, StageEntry, stages};
use crate::problem::nearest;
use crate::report;
use serde_json::json;
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

pub(super) fn main(context: &Context, args: &Args) -> Result {
    let registry = stages::registry();
    if let Some(path) = &args.schema {
        return schema(context, path);
    }
    if args.findings {
        let registry = findings::registry();
        let list: Vec<_> = registry.iter().map(|entry| describe_finding(entry)).collect();
        context.screen.tell(&json!({ "findings": list }), |width| report::finding_list(&registry, width));
        return Ok(Exit::Done);
    }
    if let Some(name) = &args.pipeline {
        let known: Vec<&str> = pipeline::SHIPPED.iter().map(|(n, _)| *n).collect();
        let text = pipeline::shipped(name).ok_or_else(|| unknown("pipeline", name, &known))?;
        context.screen.tell(&json!({ "pipeline": name, "text": text }), |_| text.to_owned());
        return Ok(Exit::Done);
    }
    match &args.stage {
        None => {
            let list: Vec<_> = registry.iter().map(describe).collect();
            context.screen.tell(&json!({ "stages": list }), |width| report::stage_list(&registry, width));
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

fn describe(entry: &StageEntry) -> serde_json::Value {
    let reasons: Vec<_> =
        entry.reasons.iter().map(|r| json!({ "reason": r.key, "about": r.about })).collect();
    json!({
        "name": entry.name,
        "kind": entry.kind,
        "about": entry.about,
        "source": entry.source,
        "example": entry.example,
        "settings": entry.settings(),
        "reasons": reasons,
        "schema": (entry.schema)(),
    })
}

fn describe_finding(entry: &FindingEntry) -> serde_json::Value {
    json!({
        "name": entry.name,
        "about": entry.about,
        "severity": entry.severity,
        "look_at": entry.look_at,
        "source": entry.source,
    })
}

fn schema(context: &Context, path: &std::path::Path) -> Result {
    let schema = pipeline::schema();
    let text = serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n";
    if path.as_os_str() == "-" {
        context.screen.tell(&schema, |_| text);
        return Ok(Exit::Done);
    }
    std::fs::write(path, text).map_err(|error| OperationError::io("write", path, &error))?;
    context.screen.tell(&json!({ "file": path }), |_| {
        format!("{} describes pipeline files for editors that know JSON Schema\n", path.display())
    });
    Ok(Exit::Done)
}
