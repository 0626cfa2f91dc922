//! What a stage is, and what the registry knows of each.

use super::rows::{Reason, RideContext, Rows};
use crate::bike::{Bike, SlotTables};
use crate::blend::Blending;
use crate::evidence::Estimator;
use crate::problem::{Problem, Problems};
use crate::ride::Channel;
use crate::yaml::{self, Node};
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value as Json;
use std::fmt;
use std::path::Path;

/// A stage that keeps or drops samples of one ride.
pub trait Filter: fmt::Debug + Send + Sync {
    /// Channels without which it cannot work, besides rpm, load and lambda.
    fn needs(&self, _bike: &Bike) -> Vec<Channel> {
        Vec::new()
    }

    /// Which cells of today's table are none of the tool's business, in table
    /// order; empty when all are.
    fn governed(&self, _bike: &Bike, _today: &SlotTables) -> Vec<bool> {
        Vec::new()
    }

    /// Drops what does not belong; never invents a row.
    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>);
}

/// A stage with its settings.
#[derive(Debug)]
pub enum Stage {
    /// Keeps or drops samples.
    Filter(Box<dyn Filter>),
    /// Kept samples → evidence.
    Estimate(Estimator),
    /// Evidence → proposal.
    Blend(Blending),
}

/// What a stage does, which fixes where it may stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum StageKind {
    /// Keeps or drops samples.
    Filter,
    /// Kept samples → evidence.
    Estimate,
    /// Evidence → proposal.
    Blend,
}

impl StageKind {
    /// The kind in words.
    pub fn words(self) -> &'static str {
        match self {
            StageKind::Filter => "filters samples",
            StageKind::Estimate => "samples to evidence",
            StageKind::Blend => "evidence to the next table",
        }
    }
}

/// The settings of a stage, and everything that documents it.
///
/// Field doc comments become the setting's documentation, schemars ranges
/// become its bounds, `Default` its defaults.
pub trait StageSettings: DeserializeOwned + Serialize + JsonSchema + Default {
    /// The name in a pipeline file.
    const NAME: &'static str;
    /// Where it may stand.
    const KIND: StageKind;
    /// One sentence.
    const ABOUT: &'static str;
    /// Where the method and its numbers come from.
    const SOURCE: &'static str;
    /// A line as it may stand in a pipeline file.
    const EXAMPLE: &'static str;
    /// The reasons it drops samples for.
    const REASONS: &'static [&'static Reason] = &[];

    /// Rules between settings: the setting at fault and what is wrong.
    ///
    /// # Errors
    /// The first rule broken.
    fn check(&self) -> Result<(), (&'static str, String)> {
        Ok(())
    }

    /// The stage that does it.
    fn into_stage(self) -> Stage;
}

/// A line of the registry.
#[derive(Clone)]
pub struct StageEntry {
    /// The name in a pipeline file.
    pub name: &'static str,
    /// Where it may stand.
    pub kind: StageKind,
    /// One sentence.
    pub about: &'static str,
    /// Where the method and its numbers come from.
    pub source: &'static str,
    /// A line as it may stand in a pipeline file.
    pub example: &'static str,
    /// The reasons it drops samples for.
    pub reasons: &'static [&'static Reason],
    /// The JSON Schema of its settings.
    pub schema: fn() -> Json,
    /// Builds it from the node behind its name.
    pub build: fn(&Path, &Node) -> Result<Stage, Problems>,
}

/// The registry line of a stage.
pub fn entry<S: StageSettings>() -> StageEntry {
    StageEntry {
        name: S::NAME,
        kind: S::KIND,
        about: S::ABOUT,
        source: S::SOURCE,
        example: S::EXAMPLE,
        reasons: S::REASONS,
        schema: yaml::schema_of::<S>,
        build: |path, node| {
            let settings: S = yaml::read_node(path, node)?;
            if let Err((key, what)) = settings.check() {
                let (line, column) = node.place(&[key]);
                return Err(Problem::at(path, line, column, what).into());
            }
            Ok(settings.into_stage())
        },
    }
}

/// One setting of a stage, for documentation.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct SettingDoc {
    /// The key.
    pub name: String,
    /// What it means.
    pub about: String,
    /// What is allowed.
    pub allowed: String,
    /// What holds without it.
    pub default: String,
}

impl StageEntry {
    /// The settings, from the schema.
    pub fn settings(&self) -> Vec<SettingDoc> {
        let schema = (self.schema)();
        let none = serde_json::Map::new();
        let properties = schema["properties"].as_object().unwrap_or(&none);
        let docs = properties.iter().map(|(name, property)| SettingDoc {
            name: name.clone(),
            about: property["description"].as_str().unwrap_or_default().replace('\n', " "),
            allowed: yaml::allowed(property),
            default: match &property["default"] {
                Json::Null => "from bike.yaml, or off".to_owned(),
                Json::String(text) => text.clone(),
                other => other.to_string().replace(".0,", ",").replace(".0]", "]"),
            },
        });
        docs.map(|doc| SettingDoc { default: doc.default.trim_end_matches(".0").to_owned(), ..doc }).collect()
    }
}
