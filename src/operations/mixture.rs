//! `mixture`: the mixture table that `mixtures/<slot>.yaml` asks for, beside today's.
//!
//! A plan and a slot's tables enter; the table made from it leaves, with the change it would be or,
//! where that is asked for, the revision. The change goes through the guards of `edit` and `import`.

use super::by_hand::{HandReport, HandRequest, HandWork, SlotChange, carry_out, open_to_change, reason};
use super::error::OperationError;
use super::open::{CommitFiles, OpenBike};
use super::show::{ShownTable, shown};
use crate::bike::{
    Bike, FileSource, MIXTURES_FOLDER, Mixture, SlotTables, TableRole, WorkTree, mixture_path,
};
use crate::blend::Blending;
use crate::ledger::{ImportRef, Revision, RevisionKind, Store};
use crate::mixture_plan::{MixturePlan, generate};
use crate::problem::{Problem, Problems};
use crate::ride::hash;
use crate::table;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::Path;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct MixtureRequest {
    /// The slot, or bike.yaml's first.
    pub slot: Option<String>,
    /// What all changes by hand are asked; a dry run needs no reason.
    pub hand: HandRequest,
}

/// A mixture table made from a plan.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct MixtureReport {
    /// The slot.
    pub slot: String,
    /// The plan's file.
    pub file: String,
    /// What it is for, in the file's words.
    pub about: Option<String>,
    /// The use it says: `power`, `touring` or `economy`.
    #[serde(rename = "use")]
    pub wanted: &'static str,
    /// The regions in words, with the air-fuel ratio on the bike's own fuel.
    pub regions: Vec<String>,
    /// The table it makes, lambda.
    pub table: ShownTable,
    /// What is allowed but worth a look.
    pub warnings: Vec<String>,
    /// The change against today's table, or the revision that was made.
    pub change: HandReport,
}

/// The plan of a slot.
fn plan_path(slot: &str) -> String {
    format!("{MIXTURES_FOLDER}/{slot}.yaml")
}

/// Makes the mixture table of a slot from its plan, shows it, and makes a revision of it unless it
/// is a dry run.
///
/// # Errors
/// When there is no plan or it is wrong, no reason is given for a revision, or a guard of the folder
/// refuses; a refusal of the change itself is in the report.
pub fn mixture(root: &Path, request: &MixtureRequest) -> Result<MixtureReport, OperationError> {
    let hand = match request.hand.dry_run {
        true => request.hand.clone(),
        false => HandRequest { why: reason(&request.hand.why)?, ..request.hand.clone() },
    };
    let (writable, bike) = open_to_change(root, hand.dry_run)?;
    bike.refuse_edits()?;
    let slot = bike.slot(request.slot.as_deref())?;
    let file = plan_path(&slot);
    let files = bike.folder.work_tree();
    let text = files.text(&file)?.ok_or_else(|| no_plan(&file, &slot, &files))?;
    let settings = crate::pipeline::Plan::find(&hand.pipeline, &files)?.blending;
    let before = bike.today(&slot).clone();
    let about_bike = &bike.folder.bike;
    let made = made_from(&file, &text, about_bike, &before, &settings)?;
    let after = before.clone().with_table(TableRole::Mixture, made.table);
    let warnings = made.warnings;
    let (about, wanted, regions) =
        (made.plan.about.clone(), made.plan.wanted.name(), made.plan.in_words(about_bike));
    let table = shown(&slot, TableRole::Mixture, &after.mixture);
    let work = HandWork {
        is_of_new_hardware: false,
        kind: RevisionKind::Import,
        edits: Vec::new(),
        imports: vec![ImportRef { sha256: hash(text.as_bytes()), file: file.clone() }],
        nothing: format!("{} holds this table already", mixture_path(&slot)),
        slots: vec![SlotChange { slot: slot.clone(), before: Some(before), after }],
        files: Vec::new(),
        done: "made from its plan",
        notes: made.notes,
    };
    let change = carry_out(root, bike, writable, &hand, work)?;
    Ok(MixtureReport { slot, file, about, wanted, regions, table, warnings, change })
}

fn no_plan(file: &str, slot: &str, files: &WorkTree) -> OperationError {
    let others: Vec<String> = files.list(MIXTURES_FOLDER).unwrap_or_default();
    let others = match others.is_empty() {
        true => String::new(),
        false => format!("; there is {}", others.join(", ")),
    };
    OperationError::failed(
        format!("slot `{slot}` has no plan: there is no {file}{others}"),
        format!(
            "write it: `use: touring` in {file} is enough to begin with; docs/mixtures.md lists its keys"
        ),
    )
}

/// A plan, and what it makes of a slot.
struct Made {
    plan: MixturePlan,
    table: table::Table,
    warnings: Vec<String>,
    notes: Vec<String>,
}

/// Makes the table of a plan; locked cells stay.
fn made_from(
    file: &str,
    text: &str,
    bike: &Bike,
    before: &SlotTables,
    settings: &Blending,
) -> Result<Made, Problems> {
    let plan = MixturePlan::parse(Path::new(file), text, bike)?;
    let made = generate(&plan, &before.mixture, settings);
    let (mut table, mut notes) = (made.table, made.notes);
    let mut kept = 0;
    for cell in 0..table.grid.cells() {
        let (rpm, load) = table.grid.point(cell);
        if before.lock_of(rpm, load).is_some() && table.values[cell] != before.mixture.values[cell] {
            table.values[cell] = before.mixture.values[cell];
            kept += 1;
        }
    }
    if kept > 0 {
        let stay = if kept == 1 { "stays as it is" } else { "stay as they are" };
        notes.push(format!("{} {stay}", units::counted(kept, "locked cell")));
    }
    if bike.controller.mixture == Mixture::Table {
        notes.push(
            "the fuel table has the mixture baked in (controller.mixture is `table`): these targets move no fuel by \
             themselves; runs move it where there are rides"
                .to_owned(),
        );
    }
    Ok(Made { plan, table, warnings: made.warnings, notes })
}

impl OpenBike {
    /// What is wrong with the plans of the folder, and which tables are no longer what they make.
    pub(super) fn look_at_mixture_plans(&self, found: &mut Vec<Problem>, warnings: &mut Vec<String>) {
        let files = self.folder.work_tree();
        let paths = match files.list(MIXTURES_FOLDER) {
            Ok(paths) => paths,
            Err(problem) => return found.push(problem),
        };
        let bike = &self.folder.bike;
        for path in paths.into_iter().filter(|path| path.ends_with(".yaml")) {
            let Some(slot) = bike.slots.iter().find(|slot| plan_path(slot) == path) else {
                warnings
                    .push(format!("{path} is the plan of no slot; bike.yaml has {}", bike.slots.join(", ")));
                continue;
            };
            let today = self.today(slot);
            let text = match files.text(&path) {
                Ok(text) => text.unwrap_or_default(),
                Err(problem) => {
                    found.push(problem);
                    continue;
                }
            };
            match made_from(&path, &text, bike, today, &Blending::default()) {
                Ok(made) => {
                    let pairs = made.table.values.iter().zip(&today.mixture.values);
                    let differ = pairs.filter(|(made, today)| made != today).count();
                    warnings.extend(made.warnings.into_iter().map(|warning| format!("{path}: {warning}")));
                    if differ > 0 {
                        warnings.push(format!(
                            "{path} makes another table than {} holds, {}; `rideloop mixture --slot {slot}` shows it",
                            mixture_path(slot),
                            units::counted(differ, "cell")
                        ));
                    }
                }
                Err(Problems(problems)) => found.extend(problems),
            }
        }
    }
}

/// Whether a revision's mixture table was made from a plan.
pub(super) fn is_from_plan(revision: &Revision) -> bool {
    let imports = &revision.record.imports;
    !imports.is_empty()
        && imports.iter().all(|import| import.file.starts_with(&format!("{MIXTURES_FOLDER}/")))
}

/// Makes the tables of such a revision again, from the plan in its own commit; their paths and texts.
///
/// # Errors
/// What keeps that from being done, in words.
pub(super) fn made_again(
    store: &Store,
    revision: &Revision,
    before: &Revision,
    settings: &Blending,
) -> Result<Vec<(String, String)>, String> {
    let now = CommitFiles { store, commit: &revision.commit };
    let then = CommitFiles { store, commit: &before.commit };
    let text = now.text(crate::bike::BIKE_FILE).map_err(|problem| problem.to_string())?.unwrap_or_default();
    let bike =
        Bike::parse(Path::new(crate::bike::BIKE_FILE), &text).map_err(|problems| problems.to_string())?;
    let mut files = Vec::new();
    for slot in &revision.record.slots {
        let path = plan_path(slot);
        let Some(text) = now.text(&path).map_err(|problem| problem.to_string())? else {
            return Err(format!("its commit does not hold {path}"));
        };
        let is_named = |import: &ImportRef| import.file == path && import.sha256 == hash(text.as_bytes());
        if !revision.record.imports.iter().any(is_named) {
            return Err(format!("its commit holds another {path} than its message names"));
        }
        let tables = SlotTables::read(slot, &bike, &then).map_err(|problems| problems.to_string())?;
        let made =
            made_from(&path, &text, &bike, &tables, settings).map_err(|problems| problems.to_string())?;
        files.push((mixture_path(slot), table::write(&made.table)));
    }
    Ok(files)
}
