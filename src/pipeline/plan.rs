//! A pipeline file, checked before any ride is read.

use super::rows::load_channel;
use super::shipped::{DEFAULT_PIPELINE, shipped};
use super::stage::{Filter, Stage};
use super::stages;
use crate::bike::{Bike, ClosedLoopMode, Density, FileSource, PIPELINES_FOLDER, SlotTables};
use crate::blend::{Blending, Inferred};
use crate::evidence::Estimator;
use crate::problem::{Problem, Problems, nearest};
use crate::ride::{Channel, hash};
use crate::table::LoadAxis;
use crate::yaml::{self, Node, Value};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Which rides a run looks at.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RideChoice {
    /// Rides that fed no revision of this slot yet.
    #[default]
    New,
    /// Every ride of the build on the bike now.
    Build,
}

/// A filter with the name it has in the file.
#[derive(Debug)]
pub struct NamedFilter {
    /// The stage's name.
    pub name: &'static str,
    /// The stage.
    pub filter: Box<dyn Filter>,
}

/// A checked pipeline.
#[derive(Debug)]
pub struct Plan {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// SHA-256 of the file's text, in hex.
    pub sha256: String,
    /// The text.
    pub text: String,
    /// Which rides it looks at.
    pub rides: RideChoice,
    /// After how many days a ride counts half.
    pub half_life_days: Option<f64>,
    /// The filters in order.
    pub filters: Vec<NamedFilter>,
    /// How samples become evidence.
    pub estimator: Estimator,
    /// How evidence becomes a proposal.
    pub blending: Blending,
}

/// The keys of a pipeline file besides its stages.
#[derive(Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Head {
    /// What the pipeline is for.
    #[serde(default)]
    about: Option<String>,
    /// Which rides it looks at.
    #[serde(default)]
    rides: RideChoice,
    /// After how many days a ride counts half; its age is that of the revision it
    /// was made on.
    #[serde(default)]
    #[schemars(range(min = 0.5, max = 10000.0))]
    half_life_days: Option<f64>,
}

impl Plan {
    /// Finds a pipeline by name: the bike's own first, then the shipped ones.
    ///
    /// # Errors
    /// When there is none of that name, or everything wrong with it.
    pub fn find(name: &str, files: &dyn FileSource) -> Result<Self, Problems> {
        let own = format!("{PIPELINES_FOLDER}/{name}.yaml");
        let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'));
        if plain && let Some(text) = files.text(&own)? {
            return Self::parse(name, Path::new(&own), &text);
        }
        match shipped(name) {
            Some(text) => Self::parse(name, Path::new(&format!("(shipped) {own}")), text),
            None => {
                let known: Vec<&str> = super::SHIPPED.iter().map(|(n, _)| *n).collect();
                let what = format!("there is no pipeline `{name}`; shipped: {}", known.join(", "));
                let mut problem = Problem::in_file(&own, what);
                problem.hint = nearest(name, known).map(|near| format!("did you mean `{near}`?"));
                Err(problem.into())
            }
        }
    }

    /// The shipped pipeline that a command takes when none is named.
    ///
    /// # Errors
    /// When this version does not take its own pipeline.
    pub fn shipped_default() -> Result<Self, Problems> {
        let text = shipped(DEFAULT_PIPELINE).unwrap_or_default();
        Self::parse(DEFAULT_PIPELINE, Path::new("(shipped) pipeline"), text)
    }

    /// Reads a pipeline file.
    ///
    /// # Errors
    /// Everything wrong with it, with line and column.
    pub fn parse(name: &str, path: &Path, text: &str) -> Result<Self, Problems> {
        let node = yaml::parse(path, text)?;
        let mut found = Vec::new();
        let head = read_head(path, &node).unwrap_or_else(|problems| {
            found.extend(problems.0);
            Head { about: None, rides: RideChoice::New, half_life_days: None }
        });
        let mut filters = Vec::new();
        let mut estimator = None;
        let mut blending = None;
        for (stage_name, stage, at) in read_stages(path, &node, &mut found) {
            let mut misplaced = |what: String| {
                found.push(Problem::at(path, at.0, at.1, what));
            };
            match stage {
                Stage::Filter(filter) => {
                    if estimator.is_some() || blending.is_some() {
                        misplaced(format!(
                            "`{stage_name}` filters samples and must stand before `average` or `surface`"
                        ));
                    }
                    if stage_name == "align" && !filters.is_empty() {
                        misplaced("`align` must be the first stage".to_owned());
                    }
                    let stands = |name: &str| filters.iter().any(|f: &NamedFilter| f.name == name);
                    if stage_name == "settling" && (!stands("align") || stands("settling")) {
                        misplaced("`settling` stands once, after `align`".to_owned());
                    }
                    filters.push(NamedFilter { name: stage_name, filter });
                }
                Stage::Estimate(settings) => {
                    if estimator.replace(settings).is_some() || blending.is_some() {
                        misplaced("one of `average` and `surface` stands once, before `blend`".to_owned());
                    }
                }
                Stage::Blend(settings) => {
                    if settings.inferred != Inferred::None
                        && estimator.as_ref().is_some_and(|e: &Estimator| !e.weighs_today())
                    {
                        misplaced(
                            "`inferred` needs `surface`: a mean does not go on from cell to cell".to_owned(),
                        );
                    }
                    if blending.replace(settings).is_some() || estimator.is_none() {
                        misplaced(
                            "`blend` stands once, as the last stage after `average` or `surface`".to_owned(),
                        );
                    }
                }
            }
        }
        match (estimator, blending, found.is_empty()) {
            (Some(estimator), Some(blending), true) => Ok(Self {
                name: name.to_owned(),
                about: head.about.unwrap_or_default(),
                sha256: hash(text.as_bytes()),
                text: text.to_owned(),
                rides: head.rides,
                half_life_days: head.half_life_days,
                filters,
                estimator,
                blending,
            }),
            (_, _, false) => Err(Problems(found)),
            _ => Err(Problem::in_file(path, "a pipeline ends with `average` or `surface`, and then `blend`")
                .into()),
        }
    }

    /// Channels a ride needs for this pipeline on this bike, with the stage
    /// that needs each.
    pub fn needs(&self, bike: &Bike) -> Vec<(Channel, &'static str)> {
        let mut needs = vec![
            (Channel::Rpm, "the tables"),
            (load_channel(bike.controller.load), "the tables"),
            (Channel::Lambda, "the correction"),
        ];
        if bike.controller.density == Density::None {
            const DENSITY: &str = "the air density, which the controller does not correct";
            needs.push((Channel::AirTempC, DENSITY));
            if bike.controller.load == LoadAxis::ThrottlePct {
                needs.push((Channel::BaroKpa, DENSITY));
            }
        }
        for stage in &self.filters {
            needs.extend(stage.filter.needs(bike).into_iter().map(|c| (c, stage.name)));
        }
        needs
    }

    /// Which cells of today's table the controller governs, as the stages know it.
    ///
    /// Shape: one entry a cell, in table order.
    pub fn governed(&self, bike: &Bike, today: &SlotTables) -> Vec<bool> {
        let mut governed = vec![false; today.fuel.grid.cells()];
        for stage in &self.filters {
            for (cell, more) in governed.iter_mut().zip(stage.filter.governed(bike, today)) {
                *cell |= more;
            }
        }
        governed
    }

    /// What the bike needs that this pipeline lacks.
    ///
    /// # Errors
    /// When a controller trims by itself and no stage looks at it.
    pub fn check_against(&self, bike: &Bike) -> Result<(), Problems> {
        let trims = bike.closed_loop.mode != ClosedLoopMode::None;
        let watched = self.filters.iter().any(|f| f.name == "closed_loop");
        if trims && !watched {
            let what =
                "bike.yaml says the controller trims in closed loop, but no stage `closed_loop` looks at it";
            let path = format!("{PIPELINES_FOLDER}/{}.yaml", self.name);
            return Err(Problem::in_file(path, what)
                .with_hint("add `- closed_loop: {}` after `warm`")
                .into());
        }
        Ok(())
    }
}

fn read_head(path: &Path, node: &Node) -> Result<Head, Problems> {
    let Value::Map(entries) = &node.value else {
        let what = format!("a pipeline is a mapping with `stages`, got {}", node.kind());
        return Err(Problem::at(path, node.line, node.column, what).into());
    };
    let head = entries.iter().filter(|e| e.key != "stages").cloned().collect();
    yaml::read_node(path, &Node { value: Value::Map(head), ..node.clone() })
}

type ReadStage = (&'static str, Stage, (u64, u64));

fn read_stages(path: &Path, node: &Node, found: &mut Vec<Problem>) -> Vec<ReadStage> {
    let Some(Value::List(items)) = node.get("stages").map(|n| &n.value) else {
        let (line, column) = node.place(&["stages"]);
        found.push(Problem::at(path, line, column, "`stages` must be a list of stages"));
        return Vec::new();
    };
    let mut read = Vec::new();
    for item in items {
        match read_stage(path, item) {
            Ok(stage) => read.push(stage),
            Err(problems) => found.extend(problems.0),
        }
    }
    read
}

fn read_stage(path: &Path, item: &Node) -> Result<ReadStage, Problems> {
    const WRITTEN: &str = "a stage is written `- name: { settings }`";
    let (name, at, settings) = match &item.value {
        // `- align` alone means its defaults.
        Value::Text(name) => (name, (item.line, item.column), None),
        Value::Map(entries) if entries.len() == 1 => {
            let entry = &entries[0];
            (&entry.key, (entry.line, entry.column), Some(&entry.node))
        }
        _ => return Err(Problem::at(path, item.line, item.column, WRITTEN).into()),
    };
    let registry = stages::registry();
    let Some(entry) = registry.iter().find(|e| e.name == name) else {
        let known: Vec<&str> = registry.iter().map(|e| e.name).collect();
        let what = format!("unknown stage `{name}`; known: {}", known.join(", "));
        let mut problem = Problem::at(path, at.0, at.1, what);
        problem.hint = nearest(name, known).map(|near| format!("did you mean `{near}`?"));
        return Err(problem.into());
    };
    let defaults = Node { line: at.0, column: at.1, value: Value::Map(Vec::new()) };
    let node = match settings {
        Some(node) if !matches!(node.value, Value::Null) => node,
        _ => &defaults,
    };
    Ok((entry.name, (entry.build)(path, node)?, at))
}

/// The JSON Schema of a pipeline file, for editors.
pub fn schema() -> serde_json::Value {
    let mut head = yaml::schema_of::<Head>();
    let stages: Vec<serde_json::Value> = stages::registry()
        .iter()
        .map(|entry| {
            let mut settings = (entry.schema)();
            if let Some(map) = settings.as_object_mut() {
                map.remove("$schema");
            }
            serde_json::json!({
                "type": "object",
                "description": entry.about,
                "properties": { entry.name: settings },
                "required": [entry.name],
                "additionalProperties": false,
            })
        })
        .collect();
    head["title"] = "rideloop pipeline".into();
    head["properties"]["stages"] = serde_json::json!({
        "type": "array",
        "description": "The stages in order: filters, then average or surface, then blend.",
        "items": { "oneOf": stages },
    });
    head["required"] = serde_json::json!(["stages"]);
    head
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Plan, Problems> {
        Plan::parse("test", Path::new("pipelines/test.yaml"), text)
    }

    fn messages(text: &str) -> Vec<String> {
        parse(text).expect_err("problems").0.iter().map(Problem::to_string).collect()
    }

    #[test]
    fn every_shipped_pipeline_parses() {
        for (name, text) in super::super::SHIPPED {
            let plan = Plan::parse(name, Path::new(name), text).expect(name);
            assert!(!plan.about.is_empty());
            assert_eq!(plan.filters[0].name, "align");
        }
    }

    #[test]
    fn gathers_the_problems_of_all_stages() {
        let found = messages(
            "about: x\nstages:\n  - align: {}\n  - warn: {}\n  - warm: { engine_temp_c: 700, setle_s: 3 }\n  - average\n  - blend: { step_up_pct: -1 }\n",
        );
        assert_eq!(found.len(), 4, "{found:#?}");
        assert!(found[0].starts_with("pipelines/test.yaml:4:5: unknown stage `warn`"), "{found:#?}");
        assert!(
            found[1].contains("5:28: `engine_temp_c` must be between -40 and 200, got 700")
                || found[1].contains("5:30: `engine_temp_c` must be between -40 and 200, got 700"),
            "{found:#?}"
        );
    }

    #[test]
    fn a_half_life_is_a_sensible_number_of_days() {
        let with = |days: &str| parse(&format!("half_life_days: {days}\nstages:\n  - average\n  - blend\n"));
        assert_eq!(with("30").expect("valid").half_life_days, Some(30.0));
        assert!(with("0").is_err() && with("soon").is_err());
    }

    #[test]
    fn order_matters() {
        let found = messages("stages:\n  - average\n  - warm\n  - blend\n");
        assert!(found[0].contains("before `average`"), "{found:#?}");
        let found = messages("stages:\n  - warm\n  - align\n  - average\n  - blend\n");
        assert!(found[0].contains("first stage"), "{found:#?}");
        let found = messages("stages:\n  - settling\n  - average\n  - blend\n");
        assert!(found[0].contains("after `align`"), "{found:#?}");
        let twice = "stages:\n  - align\n  - settling\n  - settling\n  - average\n  - blend\n";
        assert!(messages(twice)[0].contains("once"));
        let found = messages("stages:\n  - align\n  - average\n  - blend: { inferred: all }\n");
        assert!(found[0].contains("needs `surface`"), "{found:#?}");
        let found = messages("stages:\n  - align\n");
        assert!(found[0].contains("ends with"), "{found:#?}");
        assert!(parse("[]").is_err());
        assert!(parse("stages: 3").is_err());
    }

    #[test]
    fn the_editor_schema_names_every_stage() {
        let text = schema().to_string();
        for entry in stages::registry() {
            assert!(text.contains(&format!("\"{}\"", entry.name)));
        }
    }
}
