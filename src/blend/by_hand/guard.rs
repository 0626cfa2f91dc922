//! The guards of a change by hand, and how each one speaks.

use super::{Objection, SPARK_FROM_START_DEG, SPARK_STEP_DEG};
use crate::bike::TableRole;
use crate::units;

/// What can object to a change by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HandGuard {
    /// The tuner locked the cell.
    Locked,
    /// The range a cell may hold at all.
    CellRange,
    /// The range that the add-on module can hold.
    ModuleRange,
    /// The largest advance of one revision.
    SparkStep,
    /// The largest advance since the build's first spark table.
    SparkDistance,
    /// A slot, or its first spark table, against the other slots of the bike.
    NewSlot,
    /// The wanted lambda at this high load is lean, or becomes so.
    LeanTarget,
    /// The largest step down of one revision at high load.
    HighLoadLean,
    /// The largest step down of one revision.
    StepDown,
    /// The largest distance from the build's first revision.
    Distance,
    /// The largest step up of one revision.
    StepUp,
    /// It would stand out from its neighbours.
    Steepness,
}

impl HandGuard {
    /// All of them, the gravest first.
    pub const ALL: [HandGuard; 12] = [
        HandGuard::Locked,
        HandGuard::CellRange,
        HandGuard::ModuleRange,
        HandGuard::SparkStep,
        HandGuard::SparkDistance,
        HandGuard::NewSlot,
        HandGuard::LeanTarget,
        HandGuard::HighLoadLean,
        HandGuard::StepDown,
        HandGuard::Distance,
        HandGuard::StepUp,
        HandGuard::Steepness,
    ];

    /// The name in messages, options and JSON.
    pub fn name(self) -> &'static str {
        match self {
            HandGuard::Locked => "locked",
            HandGuard::CellRange => "cell_range",
            HandGuard::ModuleRange => "module_range",
            HandGuard::SparkStep => "spark_step",
            HandGuard::SparkDistance => "spark_distance",
            HandGuard::NewSlot => "new_slot",
            HandGuard::LeanTarget => "lean_target",
            HandGuard::HighLoadLean => "high_load_lean",
            HandGuard::StepDown => "step_down",
            HandGuard::Distance => "distance",
            HandGuard::StepUp => "step_up",
            HandGuard::Steepness => "steepness",
        }
    }

    /// The guard of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|guard| guard.name() == name)
    }

    /// Whether it stands aside when it is told to; for spark none does.
    pub fn can_stand_aside(self) -> bool {
        !matches!(
            self,
            HandGuard::Locked
                | HandGuard::CellRange
                | HandGuard::ModuleRange
                | HandGuard::SparkStep
                | HandGuard::SparkDistance
        )
    }

    /// The names of those that stand aside when they are told to.
    pub fn that_can_stand_aside() -> impl Iterator<Item = &'static str> {
        Self::ALL.into_iter().filter(|guard| guard.can_stand_aside()).map(HandGuard::name)
    }

    fn look_at(self) -> String {
        match self {
            HandGuard::Locked => {
                "locks.yaml of the slot, which says why; `rideloop edit unlock` first, if that is no longer so"
                    .to_owned()
            }
            HandGuard::CellRange => {
                "the unit of the value; `cell_range` of the pipeline's `blend`, if this engine really needs it"
                    .to_owned()
            }
            HandGuard::ModuleRange => {
                "`trim_range_pct` in bike.yaml, if it is not what the module can hold; beyond it the module gives no \
                 more, and the stock map, the injectors or the fuel pressure must change"
                    .to_owned()
            }
            HandGuard::SparkStep => format!(
                "knock: at most {} degree a revision, with a ride after each; an engine that needs more belongs on \
                 a dyno of a licensed workshop",
                units::plain(SPARK_STEP_DEG)
            ),
            HandGuard::SparkDistance => format!(
                "knock: no cell goes more than {} degrees beyond the build's first spark table; more belongs on a \
                 dyno of a licensed workshop, and comes back as a new build",
                units::plain(SPARK_FROM_START_DEG)
            ),
            HandGuard::NewSlot => {
                "whether these are this bike's tables; begin a slot with a copy of another one, and change it by \
                 steps with a ride after each"
                    .to_owned()
            }
            HandGuard::LeanTarget => {
                "the mixture table: power needs about 12 to 13.5:1 on petrol, lambda 0.82 to 0.92; a lean target \
                 under load burns pistons; `high_load_lambda_max` of the pipeline's `blend` is the limit"
                    .to_owned()
            }
            HandGuard::HighLoadLean => {
                "lambda under load, on a dyno; a map that is too lean there destroys engines: smaller steps with a \
                 ride after each"
                    .to_owned()
            }
            HandGuard::StepDown | HandGuard::StepUp => {
                "whether region and amount are meant; several smaller revisions with a ride after each are safer"
                    .to_owned()
            }
            HandGuard::Distance => {
                "whether the hardware is still that of the build; after a change begin a new one with `rideloop \
                 build add`"
                    .to_owned()
            }
            HandGuard::Steepness => {
                "the cells beside the region: change a wider one by less, or smooth its edges in the same way"
                    .to_owned()
            }
        }
    }
}

impl Objection {
    /// Whether it stands aside when its guard is told to.
    pub fn can_stand_aside(&self) -> bool {
        self.guard.can_stand_aside() && self.table != TableRole::Spark
    }

    pub(super) fn look_at(&self) -> String {
        match (self.guard, self.table) {
            (HandGuard::NewSlot, TableRole::Spark) => {
                "knock: begin with a copy of another slot's spark table, and advance it by small steps with a ride \
                 after each"
                    .to_owned()
            }
            _ => self.guard.look_at(),
        }
    }

    /// What the guard saw.
    pub(super) fn saw(&self) -> String {
        const SHOWN: usize = 4;
        let more = if self.cells.len() > SHOWN { "; …" } else { "" };
        let cells: Vec<&str> = self.cells.iter().take(SHOWN).map(String::as_str).collect();
        let what = match self.guard {
            HandGuard::Locked => "locked",
            HandGuard::CellRange => "beyond what a cell may hold",
            HandGuard::ModuleRange => "beyond what the module can hold",
            HandGuard::SparkStep => "advanced too far for one revision",
            HandGuard::SparkDistance => "too far ahead of the build's first spark table",
            HandGuard::NewSlot if self.table == TableRole::Spark => {
                "new to the slot and too far ahead of the most advanced other slot"
            }
            HandGuard::NewSlot => "of the new slot too lean at high load against the leanest other slot",
            HandGuard::LeanTarget => "leaned or aimed lean at high load",
            HandGuard::HighLoadLean => "leaned too far at high load for one revision",
            HandGuard::StepDown => "with too large a step towards less fuel for one revision",
            HandGuard::Distance => "too far from the build's first revision",
            HandGuard::StepUp => "with too large a step towards more fuel for one revision",
            HandGuard::Steepness => "that would stand out from their neighbours",
        };
        let slot = self.slot.as_deref().map(|slot| format!(" of slot {slot}")).unwrap_or_default();
        format!(
            "{} of the {} table{slot} {what}: {}{more}",
            units::counted(self.cells.len(), "cell"),
            self.table.name(),
            cells.join("; ")
        )
    }
}
