//! builds.yaml: what was changed on the bike, and when.

use super::config::ClosedLoopMode;
use super::hardware::judge_changes;
use crate::problem::{Problem, Problems};
use crate::revision::revision_number;
use crate::units;
use crate::yaml;
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The build of a bike whose builds.yaml names none.
pub const FIRST_BUILD: &str = "b1";

/// One hardware state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Build {
    /// A short name without spaces, such as b2.
    #[schemars(length(min = 1))]
    pub build: String,
    /// The day it was first ridden, as YYYY-MM-DD.
    pub since: String,
    /// What was changed.
    #[schemars(length(min = 1))]
    pub what: String,
    /// The same in the words of `rideloop build add --changed`, such as [cams, heads].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<String>,
    /// What a device adds to the reading of the air temperature in this build, °C: -10 reads
    /// colder, which enriches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = -60.0, max = 60.0))]
    pub air_temp_bias_c: Option<f64>,
}

impl Build {
    /// Its line in builds.yaml.
    pub fn line(&self) -> String {
        // A JSON string is a YAML string too, whatever stands in it.
        let what = serde_json::Value::from(self.what.as_str());
        let changed = match self.changed.is_empty() {
            true => String::new(),
            false => format!(", changed: [{}]", self.changed.join(", ")),
        };
        let bias = self.air_temp_bias_c.map(|bias| format!(", air_temp_bias_c: {}", units::plain(bias)));
        let bias = bias.unwrap_or_default();
        format!("- {{ build: {}, since: {}, what: {what}{changed}{bias} }}\n", self.build, self.since)
    }
}

/// The hardware history, newest last.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Builds {
    list: Vec<Build>,
}

impl Builds {
    /// Reads builds.yaml: a list, newest last.
    ///
    /// # Errors
    /// Every problem with line and column.
    pub fn parse(path: &Path, text: &str) -> Result<Self, Problems> {
        if text.lines().all(|l| l.trim().is_empty() || l.trim_start().starts_with('#')) {
            return Ok(Self::default());
        }
        let node = yaml::parse(path, text)?;
        let list: Vec<Build> = yaml::read_node(path, &node)?;
        let mut found = Vec::new();
        for (i, build) in list.iter().enumerate() {
            let at = i.to_string();
            let mut say = |key: &str, what: String| {
                let (line, column) = node.place(&[&at, key]);
                found.push(Problem::at(path, line, column, what));
            };
            if let Some(what) = wrong_name(&list[..i], &build.build) {
                say("build", what);
            }
            if let Some(what) = wrong_day(&list[..i], &build.since) {
                say("since", what);
            }
            if let Err(what) = judge_changes(&build.changed, ClosedLoopMode::None) {
                say("changed", what);
            }
        }
        Problems(found).into_result().map(|()| Self { list })
    }

    /// The builds, oldest first.
    pub fn list(&self) -> &[Build] {
        &self.list
    }

    /// What speaks against this name for one more build.
    pub fn wrong_name(&self, name: &str) -> Option<String> {
        wrong_name(&self.list, name)
    }

    /// What speaks against this day for one more build.
    pub fn wrong_day(&self, since: &str) -> Option<String> {
        wrong_day(&self.list, since)
    }

    /// What a device adds to the reading of the air temperature now, °C; 0 without one.
    pub fn air_temp_bias_c(&self) -> f64 {
        self.list.last().and_then(|build| build.air_temp_bias_c).unwrap_or(0.0)
    }

    /// The name of the build on the bike now.
    pub fn current(&self) -> &str {
        self.list.last().map_or(FIRST_BUILD, |b| b.build.as_str())
    }
}

fn wrong_name(before: &[Build], name: &str) -> Option<String> {
    let fine = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if name.is_empty() || !name.chars().all(fine) {
        return Some(format!("a build name holds letters, digits, - _ and ., got `{name}`"));
    }
    if revision_number(name).is_some() {
        return Some(format!("`{name}` always means a revision, so that no build can be called so"));
    }
    let twice = before.iter().any(|other| other.build == name);
    twice.then(|| format!("build `{name}` appears twice"))
}

fn wrong_day(before: &[Build], since: &str) -> Option<String> {
    let day = |text: &str| text.parse::<Date>().ok();
    match (day(since), before.last().and_then(|build| day(&build.since))) {
        (None, _) => Some(format!("`since` must be a day as YYYY-MM-DD, got `{since}`")),
        (Some(this), Some(last)) if this < last => {
            Some("builds stand in order of time, newest last".to_owned())
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_build_is_the_current_one() {
        let text = "- { build: b1, since: 2026-03-01, what: as bought }\n- { build: b2, since: 2026-04-01, what: open silencer }\n";
        let builds = Builds::parse(Path::new("builds.yaml"), text).expect("valid");
        assert_eq!(builds.current(), "b2");
        let none = Builds::parse(Path::new("builds.yaml"), "# none yet\n").expect("valid");
        assert_eq!(none.current(), FIRST_BUILD);
    }

    #[test]
    fn the_line_of_a_build_reads_back_and_an_unknown_change_is_named() {
        let build = Build {
            build: "b2".to_owned(),
            since: "2026-04-01".to_owned(),
            what: "cams: \"hot\" # 5".to_owned(),
            changed: vec!["cams".to_owned(), "air-filter".to_owned()],
            air_temp_bias_c: Some(-10.0),
        };
        let read = Builds::parse(Path::new("builds.yaml"), &build.line()).expect("valid");
        assert_eq!(read.list(), [build]);
        for (bias, why) in [(".nan", "finite"), ("-300", "air_temp_bias_c"), ("cold", "air_temp_bias_c")] {
            let text = format!("- {{ build: b1, since: 2026-04-01, what: x, air_temp_bias_c: {bias} }}\n");
            let found = Builds::parse(Path::new("builds.yaml"), &text).expect_err(bias);
            assert!(found.0[0].what.contains(why), "{found}");
        }
        let odd = "- { build: b1, since: 2026-04-01, what: x, changed: [cam] }\n";
        let found = Builds::parse(Path::new("builds.yaml"), odd).expect_err("unknown");
        assert!(found.0[0].what.contains("no known change"), "{found}");
    }

    #[test]
    fn finds_bad_days_and_repeated_names() {
        let text = "- { build: b1, since: spring, what: x }\n- { build: b1, since: 2026-04-01, what: y }\n";
        let found = Builds::parse(Path::new("builds.yaml"), text).expect_err("bad");
        assert_eq!(found.0.len(), 2, "{found}");
        let revision = "- { build: r3, since: 2026-04-01, what: y }\n";
        let found = Builds::parse(Path::new("builds.yaml"), revision).expect_err("bad");
        assert!(found.0[0].what.contains("always means a revision"), "{found}");
        assert_eq!(Builds::default().wrong_name("race-3"), None);
    }
}
