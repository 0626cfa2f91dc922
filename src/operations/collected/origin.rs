//! What all rides of one evidence file have in common.

use super::super::error::OperationError;
use super::super::open::OpenBike;
use super::super::ride_key::{PROGRAM, hash_of, hash_of_table};
use crate::bike::LOGGERS_FOLDER;
use crate::pipeline::Plan;
use crate::ride::LoggerRef;
use serde::{Deserialize, Serialize};

/// The bike, its settings of the day and the program that worked the rides out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in super::super) struct Origin {
    /// rideloop's version and sources.
    program: String,
    /// The bike's name.
    bike: String,
    /// The commit of its r1, by which a bike is told from its twin; none before r1 is made.
    first_commit: Option<String>,
    /// The slot.
    pub slot: String,
    /// The pipeline's name.
    pub pipeline: String,
    /// Its text, hashed.
    pipeline_sha256: String,
    /// What bike.yaml says, hashed.
    settings_sha256: String,
    /// How logs of other makes are read.
    loggers: Vec<LoggerRef>,
    /// The grid of the fuel table, hashed.
    cells_sha256: String,
    /// The mixture table, hashed.
    mixture_sha256: String,
}

impl Origin {
    /// The origin of what is collected of this bike now.
    ///
    /// # Errors
    /// When the history is cut off before r1.
    pub fn of(bike: &OpenBike, plan: &Plan, slot: &str) -> Result<Self, OperationError> {
        let oldest = bike.revisions.last();
        if oldest.is_some_and(|oldest| oldest.record.number != 1) {
            return Err(OperationError::Failed {
                what: "the history of this folder does not hold r1, by which the bike is known".to_owned(),
                hint: bike.cut_off(),
            });
        }
        let today = bike.today(slot);
        Ok(Self {
            program: PROGRAM.to_owned(),
            bike: bike.folder.bike.name.clone(),
            first_commit: oldest.map(|oldest| oldest.commit.clone()),
            slot: slot.to_owned(),
            pipeline: plan.name.clone(),
            pipeline_sha256: plan.sha256.clone(),
            settings_sha256: hash_of(&bike.folder.bike),
            loggers: bike.loggers.references(),
            cells_sha256: hash_of(&today.fuel.grid),
            mixture_sha256: hash_of_table(&today.mixture),
        })
    }

    /// What is not the same in another origin, in words: there, and here.
    pub fn differences(&self, here: &Self) -> Vec<String> {
        let mut told = Vec::new();
        let mut compare = |what: &str, there: &str, here: &str, shown: bool| {
            if there != here {
                told.push(match shown {
                    true => format!("{what} ({there}, here {here})"),
                    false => what.to_owned(),
                });
            }
        };
        let first = |origin: &Self| match &origin.first_commit {
            Some(commit) => format!("r1 is commit {}", commit.get(..12).unwrap_or(commit)),
            None => "no r1 yet".to_owned(),
        };
        compare("the bike", &self.bike, &here.bike, true);
        compare("the bike's history", &first(self), &first(here), true);
        compare("the slot", &self.slot, &here.slot, true);
        compare("the pipeline", &self.pipeline, &here.pipeline, true);
        if self.pipeline == here.pipeline {
            let what = format!("the text of the pipeline {}", here.pipeline);
            compare(&what, &self.pipeline_sha256, &here.pipeline_sha256, false);
        }
        compare("bike.yaml", &self.settings_sha256, &here.settings_sha256, false);
        let others = self.other_loggers(here).join(", ");
        compare(&others, &others, "", false);
        compare("the cells of the fuel table", &self.cells_sha256, &here.cells_sha256, false);
        compare("the mixture table", &self.mixture_sha256, &here.mixture_sha256, false);
        compare("rideloop's version and sources", &self.program, &here.program, true);
        told
    }

    /// The files of the loggers that only one of the two knows so.
    fn other_loggers(&self, here: &Self) -> Vec<String> {
        let only = |a: &[LoggerRef], b: &[LoggerRef]| {
            a.iter().filter(|logger| !b.contains(logger)).map(|logger| logger.name.clone()).collect()
        };
        let mut names: Vec<String> = only(&self.loggers, &here.loggers);
        names.extend::<Vec<String>>(only(&here.loggers, &self.loggers));
        names.sort_unstable();
        names.dedup();
        names.iter().map(|name| format!("{LOGGERS_FOLDER}/{name}.yaml")).collect()
    }
}
