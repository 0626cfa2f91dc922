//! What can hold a cell back.

use serde::Serialize;

/// The reason a cell did not go where its evidence points.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Hold {
    /// The tuner locked it.
    Locked,
    /// The controller trims there by itself and does not log by how much.
    Governed,
    /// It holds no fuel, so no correction in percent can move it.
    EmptyCell,
    /// Its evidence asks for more than any cell can need.
    Implausible,
    /// Too few seconds of riding speak for it.
    TooLittleWeight,
    /// Too few separate visits.
    TooFewDwells,
    /// Too few rides.
    TooFewRides,
    /// Leaning a high-load cell needs more than one ride.
    HighLoadSingleRide,
    /// The wanted lambda at this high load is itself lean.
    LeanTarget,
    /// The largest step up of one revision.
    StepUp,
    /// The largest step down of one revision.
    StepDown,
    /// The largest distance from the build's first revision.
    Distance,
    /// The range a cell may hold at all.
    CellRange,
    /// The end of what the add-on module can hold.
    ModuleRange,
    /// The engine knocked near it, so no fuel is taken away there.
    Knock,
    /// The part of its enrichment that grows as the gas flow falls, as false air asks
    /// for it, stops at a limit.
    FalseAir,
    /// It would stand out from its neighbours.
    Steepness,
    /// Nothing but its neighbours speak for it: it follows them by a small step.
    Inferred,
    /// The change is smaller than the controller's step.
    BelowResolution,
}

impl Hold {
    /// All of them, for documentation.
    pub const ALL: [Hold; 19] = [
        Hold::Locked,
        Hold::Governed,
        Hold::EmptyCell,
        Hold::Implausible,
        Hold::TooLittleWeight,
        Hold::TooFewDwells,
        Hold::TooFewRides,
        Hold::HighLoadSingleRide,
        Hold::LeanTarget,
        Hold::StepUp,
        Hold::StepDown,
        Hold::Distance,
        Hold::CellRange,
        Hold::ModuleRange,
        Hold::Knock,
        Hold::FalseAir,
        Hold::Steepness,
        Hold::Inferred,
        Hold::BelowResolution,
    ];

    /// The name in files and JSON.
    pub fn name(self) -> &'static str {
        match self {
            Hold::Locked => "locked",
            Hold::Governed => "governed",
            Hold::EmptyCell => "empty_cell",
            Hold::Implausible => "implausible",
            Hold::TooLittleWeight => "too_little_weight",
            Hold::TooFewDwells => "too_few_dwells",
            Hold::TooFewRides => "too_few_rides",
            Hold::HighLoadSingleRide => "high_load_single_ride",
            Hold::LeanTarget => "lean_target",
            Hold::StepUp => "step_up",
            Hold::StepDown => "step_down",
            Hold::Distance => "distance",
            Hold::CellRange => "cell_range",
            Hold::ModuleRange => "module_range",
            Hold::Knock => "knock",
            Hold::FalseAir => "false_air",
            Hold::Steepness => "steepness",
            Hold::Inferred => "inferred",
            Hold::BelowResolution => "below_resolution",
        }
    }

    /// The hold of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|hold| hold.name() == name)
    }

    /// What it means, for people.
    pub fn about(self) -> &'static str {
        match self {
            Hold::Locked => "locked by the tuner",
            Hold::Governed => "the controller trims here by itself: a change would be trimmed away again",
            Hold::Implausible => "its evidence asks for more than any cell can need",
            Hold::EmptyCell => "holds no fuel, so no correction in percent can move it",
            Hold::TooLittleWeight => "too few seconds of riding near it",
            Hold::TooFewDwells => "too few separate visits",
            Hold::TooFewRides => "too few rides",
            Hold::HighLoadSingleRide => "high load is not leaned on one ride alone",
            Hold::LeanTarget => "the wanted lambda is lean for this load, so it is not leaned",
            Hold::StepUp => "largest step up of one revision",
            Hold::StepDown => "largest step down of one revision",
            Hold::Distance => "largest distance from the build's first revision",
            Hold::CellRange => "range a cell may hold",
            Hold::ModuleRange => "end of the module's range: the stock map or the injectors must change",
            Hold::Knock => {
                "it knocked near here, so it is not leaned: `rideloop knock`, and look for the cause"
            }
            Hold::FalseAir => "false air is suspected at this low gas flow, so it is enriched no further",
            Hold::Steepness => "would stand out from its neighbours",
            Hold::Inferred => {
                "inferred: too little riding of its own, so it follows its neighbours by a small step"
            }
            Hold::BelowResolution => "change smaller than the controller's step",
        }
    }

    /// Whether the cell lacks riding of its own.
    pub fn is_thin(self) -> bool {
        matches!(self, Hold::TooLittleWeight | Hold::TooFewDwells | Hold::TooFewRides)
    }

    /// Whether the cell stopped short of where well-known evidence points: at a limit
    /// of its own, beside its neighbours, for suspected false air or for knock.
    pub fn stops_short(self) -> bool {
        self.is_limit() || matches!(self, Hold::FalseAir | Hold::Steepness | Hold::Knock)
    }

    /// Whether the cell was stopped by how far it may go, rather than by how
    /// little is known of it.
    pub fn is_limit(self) -> bool {
        matches!(self, Hold::StepUp | Hold::StepDown | Hold::Distance | Hold::CellRange | Hold::ModuleRange)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_the_serialised_ones() {
        for hold in Hold::ALL {
            let json = serde_json::to_value(hold).expect("a name");
            assert_eq!(json, hold.name());
        }
    }
}
