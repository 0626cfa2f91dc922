//! What is changed on a bike, and whether the stock controller gets along with it.
//!
//! Names of changes enter; a verdict for each and for all of them leaves. Everything here is common
//! practice, no source, unless it says otherwise.

use super::config::ClosedLoopMode;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;

/// Something that people change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HardwareChange {
    /// As it is written on the command line.
    pub name: &'static str,
    /// In words.
    pub words: &'static str,
    /// Whether it changes the mixture so little that a closed loop's adaption covers it.
    pub mild: bool,
    /// Why.
    pub why: &'static str,
    /// What it asks for besides a ride.
    pub next: &'static str,
    /// Whether the fuel table is that of other hardware until it is scaled.
    pub rescales: bool,
}

const fn mild(
    name: &'static str,
    words: &'static str,
    why: &'static str,
    next: &'static str,
) -> HardwareChange {
    HardwareChange { name, words, mild: true, why, next, rescales: false }
}

const fn new_map(
    name: &'static str,
    words: &'static str,
    why: &'static str,
    next: &'static str,
) -> HardwareChange {
    HardwareChange { name, words, mild: false, why, next, rescales: false }
}

const fn rescaled(
    name: &'static str,
    words: &'static str,
    why: &'static str,
    next: &'static str,
) -> HardwareChange {
    HardwareChange { rescales: true, ..new_map(name, words, why, next) }
}

const RIDE_AND_LOOK: &str = "log lambda at load before believing it";
const RESCALE: &str = "write it into bike.yaml, then `rideloop rescale`";

/// All that are known.
pub static HARDWARE_CHANGES: [HardwareChange; 15] = [
    mild(
        "air-filter",
        "air filter",
        "a filter in the stock box passes a few percent more air, at high flow only",
        RIDE_AND_LOOK,
    ),
    mild(
        "silencer",
        "silencer",
        "behind the collector it changes the back pressure a little, and the waves hardly",
        RIDE_AND_LOOK,
    ),
    new_map(
        "airbox",
        "air box opened or removed",
        "its resonances fill the cylinders at some speeds and not at others: the map changes in shape",
        "ride all of the map, light load first",
    ),
    new_map(
        "exhaust",
        "whole exhaust",
        "other pipe lengths move the waves: volumetric efficiency changes in shape over engine speed",
        "look for leaks ahead of the sensor, and enter the new exhaust volume of the delay",
    ),
    new_map(
        "cams",
        "camshafts",
        "valve timing and lift are volumetric efficiency; overlap disturbs idle, and its lambda reading too",
        "lock idle or set it by ear; check the valve clearance to the piston",
    ),
    new_map(
        "heads",
        "heads, ports or valves",
        "flow through the ports is volumetric efficiency, and the chamber's shape asks for other spark",
        "check the compression ratio with `rideloop calc`; spark by a workshop that can hear knock",
    ),
    new_map(
        "throttle-bodies",
        "throttle bodies",
        "the same throttle opening passes other air: every column over throttle means something else",
        "set the throttle's zero and its synchronisation before the first ride",
    ),
    rescaled("bore", "bore", "more displacement takes more air, and compression rises with it", RESCALE),
    rescaled("stroke", "stroke", "more displacement takes more air, and compression rises with it", RESCALE),
    new_map(
        "compression",
        "compression ratio",
        "the mixture moves a little, but knock comes earlier: it is the spark that breaks the engine",
        "less spark advance at load and enough octane first; `rideloop calc` works the ratio out",
    ),
    rescaled(
        "injectors",
        "injectors",
        "every pulse gives another amount of fuel, far beyond what an adaption can take",
        "write flow and dead time into bike.yaml, then `rideloop rescale`",
    ),
    rescaled(
        "fuel-pressure",
        "fuel pressure",
        "every pulse gives another amount of fuel, with the root of the pressure",
        RESCALE,
    ),
    rescaled(
        "fuel",
        "fuel",
        "another fuel needs another mass for the same air; alcohol much more (ethanol 9.0, petrol 14.6 by mass)",
        "write it into bike.yaml, then `rideloop rescale`; less octane asks for less spark advance",
    ),
    new_map(
        "charger",
        "turbo or supercharger",
        "air beyond what the engine breathes by itself, at pressures that the map may not even reach",
        "a workshop with a dyno; pressure as the load axis, fuel pump and injectors sized for it",
    ),
    new_map(
        "other",
        "something else",
        "nothing is known of it: taken as one that changes volumetric efficiency a lot",
        "say in the build's text what it is",
    ),
];

/// One change with its verdict.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct JudgedChange {
    /// As it is written on the command line.
    pub name: &'static str,
    /// In words.
    pub words: &'static str,
    /// Whether it changes the mixture so little that a closed loop's adaption covers it.
    pub mild: bool,
    /// Why.
    pub why: &'static str,
    /// What it asks for besides a ride.
    pub next: &'static str,
}

/// The verdict on what was changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ChangesJudged {
    /// Each change.
    pub changes: Vec<JudgedChange>,
    /// Whether all of them are mild.
    pub mild: bool,
    /// Whether the stock controller's own adaption covers them: all are mild, and it trims.
    pub covered: bool,
    /// The verdict in words.
    pub verdict: String,
    /// Where the verdicts come from.
    pub source: &'static str,
}

impl ChangesJudged {
    /// Whether the fuel table is that of other hardware until it is scaled.
    pub fn asks_to_rescale(&self) -> bool {
        let is_made = |known: &&HardwareChange| self.changes.iter().any(|change| change.name == known.name);
        HARDWARE_CHANGES.iter().filter(is_made).any(|known| known.rescales)
    }
}

/// Judges what was changed on a bike whose controller trims by itself or not; `None` for no change.
///
/// # Errors
/// Words, for a name that is not known.
pub fn judge_changes(names: &[String], closed_loop: ClosedLoopMode) -> Result<Option<ChangesJudged>, String> {
    let mut changes: Vec<JudgedChange> = Vec::new();
    for name in names {
        let known = HARDWARE_CHANGES.iter().find(|change| change.name == name).ok_or_else(|| {
            let known: Vec<&str> = HARDWARE_CHANGES.iter().map(|change| change.name).collect();
            format!("`{name}` is no known change; known: {}", known.join(", "))
        })?;
        let HardwareChange { name, words, mild, why, next, .. } = *known;
        if !changes.iter().any(|change| change.name == name) {
            changes.push(JudgedChange { name, words, mild, why, next });
        }
    }
    if changes.is_empty() {
        return Ok(None);
    }
    let heavy: Vec<&str> = changes.iter().filter(|change| !change.mild).map(|change| change.words).collect();
    let mild = heavy.is_empty();
    let covered = mild && closed_loop != ClosedLoopMode::None;
    let verdict = match (mild, covered) {
        (true, true) => {
            "mild: the stock controller's own adaption covers it, as long as it runs closed loop at stoichiometric \
             and lambda stays safe at load, where nothing adapts; a ride with a log shows whether it does"
                .to_owned()
        }
        (true, false) => {
            "mild, but this controller adapts nothing by itself (closed_loop is none): the map stays as it was \
             until rides say otherwise; log lambda at load first"
                .to_owned()
        }
        (false, _) => format!(
            "not mild: volumetric efficiency, fuel or knock change a lot ({}). It is a new build and needs a map of its \
             own; no adaption reaches that far, and none works at full load",
            heavy.join(", ")
        ),
    };
    let several = match mild && changes.len() > 1 {
        true => format!("; {} add up", units::counted(changes.len(), "mild change")),
        false => String::new(),
    };
    let source = "common practice, no source";
    Ok(Some(ChangesJudged { changes, mild, covered, verdict: format!("{verdict}{several}"), source }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(names: &str, closed_loop: ClosedLoopMode) -> ChangesJudged {
        let names: Vec<String> = names.split(',').map(str::to_owned).collect();
        judge_changes(&names, closed_loop).expect("known").expect("some")
    }

    #[test]
    fn what_a_closed_loop_covers_is_mild_and_needs_a_closed_loop() {
        let unlogged = ClosedLoopMode::Unlogged;
        let both = judged("air-filter,silencer,silencer", unlogged);
        assert!(both.mild && both.covered && both.changes.len() == 2, "{both:?}");
        assert!(both.verdict.contains("2 mild changes add up"), "{}", both.verdict);
        let alone = judged("silencer", ClosedLoopMode::None);
        assert!(alone.mild && !alone.covered && alone.verdict.contains("adapts nothing"));
        for heavy in ["cams", "heads", "throttle-bodies", "bore", "compression", "fuel", "injectors"] {
            let judged = judged(&format!("air-filter,{heavy}"), unlogged);
            assert!(!judged.mild && !judged.covered && judged.verdict.contains("new build"), "{heavy}");
            // One or several of them, and names of one thing or of many: the verb is the same.
            assert!(judged.verdict.contains("or knock change a lot ("), "{}", judged.verdict);
        }
        assert_eq!(judge_changes(&[], unlogged), Ok(None));
        let unknown = judge_changes(&["cam".to_owned()], unlogged).expect_err("unknown");
        assert!(unknown.contains("`cam`") && unknown.contains("cams"), "{unknown}");
    }
}
