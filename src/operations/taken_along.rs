//! The settings that a change takes along: files edited since the newest revision, and
//! what another bike.yaml means for the fuel.
//!
//! The folder and its newest revision enter; a note that names the files and a caution
//! for each setting that gives the tables another meaning leave.

use super::error::OperationError;
use super::open::OpenBike;
use crate::bike::{
    BIKE_FILE, BUILDS_FILE, Bike, Breathing, Build, Builds, Density, FileSource, FuelTableKind, Mixture,
    is_stock_path, read_stock, stock_path,
};
use crate::table::Table;
use crate::units;
use serde::Serialize;
use std::path::Path;

/// Less than this changes no ride's meaning, %.
const LEAST_CHANGE_PCT: f64 = 0.05;

impl OpenBike {
    /// A note that names the settings files which a change takes along, but for those
    /// it is about; none when there are none.
    ///
    /// # Errors
    /// When they cannot be read.
    pub(super) fn taken_along(&self, besides: &[&str]) -> Result<Option<String>, OperationError> {
        let (Some(store), Some(newest)) = (&self.store, self.newest()) else { return Ok(None) };
        let files = self.settings_files(store, Some(&newest.commit))?;
        let paths = files.iter().map(|file| file.path.as_str());
        let paths: Vec<&str> = paths
            .filter(|path| (path.ends_with(".yaml") || is_stock_path(path)) && !besides.contains(path))
            .collect();
        let note = || format!("also taken along: {}; `rideloop diff` shows how", paths.join(", "));
        Ok((!paths.is_empty()).then(note))
    }

    /// What to be careful with where bike.yaml gives the tables another meaning than in
    /// the newest revision, or tells of another engine.
    ///
    /// # Errors
    /// When the newest revision cannot be read.
    pub(super) fn other_meaning(&self) -> Result<Vec<String>, OperationError> {
        let Some(newest) = self.newest() else { return Ok(Vec::new()) };
        let (then, files) = self.bike_at(&newest.commit)?;
        let mut found = meaning_changes(&then, &self.folder.bike);
        // A list that could not be read then has nothing to say of what changed.
        let builds =
            files.text(BUILDS_FILE)?.and_then(|text| Builds::parse(Path::new(BUILDS_FILE), &text).ok());
        found.extend(builds.iter().flat_map(|then| bias_changes(then, &self.folder.builds)));
        Ok(found)
    }

    /// Stock maps that are others than in the newest revision while rides of the build count on them;
    /// none where the build is unridden, since then it may well be what the build brought.
    ///
    /// # Errors
    /// When the newest revision or a stock map cannot be read.
    pub(super) fn stock_changes(&self) -> Result<Vec<String>, OperationError> {
        // Below no trims lies no map to count on.
        if self.folder.bike.controller.fuel_table != FuelTableKind::TrimPct {
            return Ok(Vec::new());
        }
        let build = self.folder.builds.current();
        let is_ridden = self.register.rides().iter().any(|ride| ride.build == build);
        let Some(newest) = self.newest().filter(|_| is_ridden) else { return Ok(Vec::new()) };
        let (then, files) = self.bike_at(&newest.commit)?;
        let work_tree = self.folder.work_tree();
        let mut found = Vec::new();
        for slot in &self.folder.bike.slots {
            // Nor below those of then, where they were none.
            let Ok(Some(was)) = read_stock(slot, &then, &files) else { continue };
            let is = read_stock(slot, &self.folder.bike, &work_tree)?;
            found.extend(stock_change(slot, &was, is.as_ref()));
        }
        Ok(found)
    }
}

fn stock_change(slot: &str, was: &Table, is: Option<&Table>) -> Option<String> {
    let path = stock_path(slot);
    let meaning = "rides before and after it count as made on one stock map; if the controller got another one, \
                   begin a new build with `rideloop build add`; if only the file was put right, run on";
    let Some(is) = is else {
        return Some(format!("{path} is gone: what stock and module give together is not known any more"));
    };
    let points = (0..was.values.len()).map(|cell| (was.grid.point(cell), was.values[cell]));
    // Without fuel before there is no ratio.
    let changes: Vec<f64> = points
        .filter(|(_, was)| *was > 0.0)
        .map(|((rpm, load), was)| units::change_pct(was, is.at(rpm, load)))
        .filter(|change| change.abs() >= LEAST_CHANGE_PCT)
        .collect();
    let (least, most) = changes.iter().fold((f64::MAX, f64::MIN), |(l, m), c| (l.min(*c), m.max(*c)));
    (!changes.is_empty()).then(|| {
        let range = match units::signed(least, 1) == units::signed(most, 1) {
            true => format!("by {} %", units::signed(least, 1)),
            false => format!("by {} to {} %", units::signed(least, 1), units::signed(most, 1)),
        };
        format!("{path} changed: {} {range}: {meaning}", units::counted(changes.len(), "cell"))
    })
}

/// Builds whose air-temperature device is said to have been another.
fn bias_changes(then: &Builds, now: &Builds) -> Vec<String> {
    let bias_c = |build: &Build| build.air_temp_bias_c.unwrap_or(0.0);
    let both = now.list().iter().filter_map(|now| {
        let then = then.list().iter().find(|then| then.build == now.build)?;
        Some((now, [bias_c(then), bias_c(now)])).filter(|(_, [was, is])| was != is)
    });
    both.map(|(build, [was, is])| {
        format!(
            "{BUILDS_FILE} changed: build {} air_temp_bias_c {} → {}: rides of that build count as made with one \
             device; one that came or went is a new build",
            build.build,
            units::plain(was),
            units::plain(is)
        )
    })
    .collect()
}

fn meaning_changes(then: &Bike, now: &Bike) -> Vec<String> {
    let (was, is) = (&then.controller, &now.controller);
    let mut found = Vec::new();
    let mut changed = |key: &str, [was, is]: [String; 2], meaning: &str| {
        if was != is {
            found.push(format!("{BIKE_FILE} changed: {key} {was} → {is}: {meaning}"));
        }
    };
    changed(
        "controller.mixture",
        [word(&was.mixture), word(&is.mixture)],
        match is.mixture {
            Mixture::Controller => {
                "the fuel of every cell now counts as divided by its wanted lambda, so that a leaner target \
                 leans the engine; where the controller does not divide, every correction comes out wrong"
            }
            Mixture::Table => {
                "the wanted lambda now counts as baked into the fuel table, so that targets move no fuel; where \
                 the controller still divides, a leaner target leans the engine unseen"
            }
        },
    );
    changed(
        "controller.breathing",
        [word(&was.breathing), word(&is.breathing)],
        match is.breathing {
            Breathing::Shared => {
                "a ride on any slot now corrects the fuel tables of all; where slots hold other fuel for another \
                 reason than their wanted lambda, every correction that crosses comes out wrong"
            }
            Breathing::Own => "a ride now corrects the slot it was made on, and no other",
        },
    );
    changed(
        "controller.fuel_table",
        [word(&was.fuel_table), word(&is.fuel_table)],
        "the numbers in the fuel tables stay and now count as another amount of fuel; a controller of another \
         kind is a new bike folder",
    );
    changed(
        "controller.density",
        [word(&was.density), word(&is.density)],
        match is.density {
            Density::Controller => {
                "air temperature and pressure now count as corrected by the controller; where it does not, the \
                 engine runs lean in cold or dense air"
            }
            Density::None => {
                "air temperature and pressure now count as corrected by nobody; where the controller does it, \
                 rides are corrected for them twice"
            }
        },
    );
    changed(
        "controller.load",
        [word(&was.load), word(&is.load)],
        "the tables are now looked up by another load; a controller of another kind is a new bike folder",
    );
    changed(
        "engine.displacement_cc",
        [then, now].map(|bike| units::plain(bike.engine.displacement_cc)),
        "no cell changes with it by itself, but the engine needs other fuel if it really changed: then begin a new \
         build, and `rideloop rescale`",
    );
    if then.injectors != now.injectors {
        found.push(format!(
            "{BIKE_FILE} changed: injectors: no cell changes with it by itself, but the same pulse gives another amount \
             of fuel if they really changed: then begin a new build, and `rideloop rescale`"
        ));
    }
    found
}

/// A word of bike.yaml as it stands there.
fn word(value: &impl Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}
