//! `new`: a bike folder from what is known of the bike, and a first map.
//!
//! Engine data, perhaps a stock map with the engine it was for, and what was changed enter; a
//! folder with r1 leaves, with what its map comes from and whether the changes needed one at all.

use super::build::names_of;
use super::error::OperationError;
use super::start::new_from_files;
use crate::bike::{
    AirTaken, ChangesJudged, EngineData, FuelTableKind, InjectorData, RATED_KPA, Rescaling, STOCK_CELLS,
    StockInQuestion, StockMap, Template, is_further_out, judge_changes, read_regular,
};
use crate::ledger::Moment;
use crate::physics::fuel;
use crate::problem::{Problem, Problems};
use crate::table::{self, ImportExpectation, Resolution, Rows, Table};
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What `new` is told.
#[derive(Debug, Clone, Default)]
pub struct NewRequest {
    /// The bike, without its stock map and with the changes as they were named.
    pub template: Template,
    /// The map it had before and the engine that was for.
    pub stock: StockTold,
    /// What nobody said, and what was taken for it: `--fuel E10`.
    pub presumed: Vec<String>,
}

/// The stock map, and what is known of the engine it was made for.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct StockTold {
    /// The file of its fuel table.
    pub file: Option<PathBuf>,
    /// What a row of cells is, where the file does not tell.
    pub rows: Option<Rows>,
    /// Displacement of all cylinders, cm³; without it that of the new bike.
    pub displacement_cc: Option<f64>,
    /// How many injectors there were; without it as many as on the new bike.
    pub injectors: Option<u32>,
    /// Flow of one injector at 300 kPa, cm³/min; without it that of the new bike.
    pub flow_cc_min: Option<f64>,
    /// Pressure difference at the injectors, kPa; without it that of the new bike.
    pub rail_kpa: Option<f64>,
    /// A known fuel; without it that of the new bike.
    pub fuel: Option<String>,
    /// Heads, cams and throttle let no more air through than before.
    pub same_air: bool,
}

impl StockTold {
    /// Whether anything is said of another engine.
    pub fn is_told(&self) -> bool {
        let numbers = [self.displacement_cc, self.flow_cc_min, self.rail_kpa];
        let words = self.file.is_some() || self.fuel.is_some() || self.same_air;
        words || self.injectors.is_some() || numbers.iter().any(Option::is_some)
    }
}

/// What `new` made.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct NewReport {
    /// The folder.
    pub folder: PathBuf,
    /// The files it holds.
    pub files: Vec<String>,
    /// The first revision.
    pub revision: String,
    /// Its commit.
    pub commit: String,
    /// What nobody said, and what was taken for it, as the options that say so.
    pub presumed: Vec<String>,
    /// Where the first map comes from, in words.
    pub first_map: String,
    /// By what a stock map was multiplied.
    pub rescaling: Option<Rescaling>,
    /// What is to be thought of the changes, where they were named.
    pub verdict: Option<ChangesJudged>,
    /// What else is worth knowing.
    pub notes: Vec<String>,
}

/// Makes a bike folder from a template, with r1.
///
/// # Errors
/// When the folder is not empty, lies inside another repository, or cannot be written.
pub fn new(
    root: &Path,
    template: &Template,
    identity: Option<(&str, &str)>,
    when: Moment,
) -> Result<NewReport, OperationError> {
    let files: Vec<(String, String)> = template.files().into_iter().map(|f| (f.path, f.text)).collect();
    new_from_files(root, &files, identity, when)
}

/// Makes a bike folder from what a person said of the bike, with r1.
///
/// # Errors
/// As [`new`]; and when the stock map cannot be read or rescaled, or a change is not known.
pub fn new_bike(root: &Path, request: &NewRequest, when: Moment) -> Result<NewReport, OperationError> {
    let mut template = request.template.clone();
    let verdict = judge_changes(&template.changed, template.closed_loop)
        .map_err(|what| OperationError::failed(what, "nothing was written"))?;
    template.changed = names_of(verdict.as_ref());
    let mut notes = Vec::new();
    template.stock = stock_map(&template, &request.stock, &mut notes)?;
    let rescaling = template.rescaling().transpose().map_err(|what| {
        OperationError::failed(format!("the stock map cannot be rescaled: {what}"), "nothing was written")
    })?;
    if let Some(what) = rescaling.as_ref().and_then(Rescaling::beyond_belief) {
        return Err(OperationError::failed(
            format!("the stock map {what}"),
            "nothing was written; look at the engine's data and at --stock-…, or leave --stock away: then the map is \
             computed",
        ));
    }
    refuse_beyond_module(&template)?;
    let first_map = first_map(&template, &request.stock, rescaling.as_ref());
    let made = new(root, &template, None, when)
        .map_err(|error| of_what_is_there(error, root, request.stock.file.as_deref()))?;
    Ok(NewReport { presumed: request.presumed.clone(), first_map, rescaling, verdict, notes, ..made })
}

/// Looks whether a stock map could be read and taken; writes nothing.
///
/// # Errors
/// As [`new_bike`] for a stock map.
pub fn check_stock(template: &Template, told: &StockTold) -> Result<(), OperationError> {
    stock_map(template, told, &mut Vec::new()).map(|_| ())
}

/// What is wrong with a table that was to be written is told of what it was made of: its own file is
/// not there.
fn of_what_is_there(error: OperationError, root: &Path, stock: Option<&Path>) -> OperationError {
    let OperationError::Problems(problems) = error else { return error };
    let told = |problem: Problem| {
        if root.join(&problem.path).exists() {
            return problem;
        }
        let table = Problem { path: problem.path.file_name().unwrap_or_default().into(), ..problem };
        let what = format!("the table that would be made of it does not serve: {table}");
        Problem { hint: table.hint, ..Problem::in_file(stock.unwrap_or(root), what) }
    };
    Problems(problems.0.into_iter().map(told).collect()).into()
}

/// A module that cannot hold the first trim is none for this change.
fn refuse_beyond_module(template: &Template) -> Result<(), OperationError> {
    let Some(range) = template.trim_range_pct else { return Ok(()) };
    let [least, most] = range;
    let trims = template.fuel_table().values;
    match trims.iter().find(|trim| is_further_out(range, None, **trim)) {
        None => Ok(()),
        Some(_) if template.fuel_table != FuelTableKind::TrimPct => Ok(()),
        Some(trim) => Err(OperationError::failed(
            format!(
                "the stock map needs {} % fuel, and the module holds {} to {} %",
                units::signed(*trim, 1),
                units::plain(least),
                units::plain(most)
            ),
            "nothing was written; the stock map, the injectors or the fuel pressure must change",
        )),
    }
}

/// Reads the stock map and fills in what was not said of its engine.
fn stock_map(
    template: &Template,
    told: &StockTold,
    notes: &mut Vec<String>,
) -> Result<Option<StockMap>, OperationError> {
    if !told.is_told() {
        return Ok(None);
    }
    let is_trim = template.fuel_table == FuelTableKind::TrimPct;
    let table = match (&told.file, is_trim) {
        (None, true) => None,
        (None, false) => {
            return Err(OperationError::failed(
                "the stock engine is described, but its fuel table is not given",
                "name the table's file with --stock; without one the map is computed from the new engine's data",
            ));
        }
        (Some(file), _) => Some(read_stock(template, file, told.rows, notes)?),
    };
    let new = template.engine_data();
    let mut presumed = Vec::new();
    let mut or_new = |told: Option<f64>, new: f64, what: &str| {
        told.unwrap_or_else(|| {
            presumed.push(what.to_owned());
            new
        })
    };
    let displacement_cc = or_new(told.displacement_cc, new.displacement_cc, "displacement");
    let flow_cc_min = or_new(told.flow_cc_min, template.injector_cc_min(), "injector flow");
    let rail_kpa = or_new(told.rail_kpa, template.rail_kpa, "fuel pressure");
    if told.fuel.is_none() {
        presumed.push("fuel".to_owned());
    }
    if told.injectors.is_none() {
        presumed.push("number of injectors".to_owned());
    }
    if !presumed.is_empty() {
        notes.push(format!(
            "of the stock engine not said, and taken as the new one's: {}",
            presumed.join(", ")
        ));
    }
    let fuel = told.fuel.clone().unwrap_or_else(|| template.fuel.clone());
    let stoich_afr = fuel::known(&fuel).unwrap_or(fuel::Composition::petrol()).stoich_afr();
    let as_new = || new.injectors.map_or(template.cylinders, |injectors| injectors.count);
    let count = told.injectors.unwrap_or_else(as_new);
    let injectors = Some(InjectorData { count, flow_cc_min, rated_kpa: RATED_KPA, rail_kpa });
    let air = if told.same_air { AirTaken::Same } else { AirTaken::Alike };
    let made_for = EngineData { displacement_cc, injectors, stoich_afr, fuel };
    if let (Some(table), Some(file)) = (&table, &told.file) {
        refuse_doubtful(template, table, &made_for, file)?;
    }
    Ok(Some(StockMap { table, made_for, air }))
}

/// Refuses a table that can hardly be the stock engine's fuel, before a bike is ridden with it.
fn refuse_doubtful(
    template: &Template,
    table: &Table,
    made_for: &EngineData,
    file: &Path,
) -> Result<(), OperationError> {
    let kind = [template.fuel_table];
    let kinds: &[FuelTableKind] =
        if template.fuel_table == FuelTableKind::TrimPct { FuelTableKind::OF_STOCK } else { &kind };
    let doubts = StockInQuestion::of_engine(table, kinds, made_for, template).doubts();
    let problem = |doubt: String| {
        Problem::in_file(file, format!("this cannot be the stock map: {doubt}")).with_hint(
            "nothing was written; put the file right, or say with --fuel-table and --stock-… what it is for; \
             without --stock the map is computed",
        )
    };
    Ok(Problems(doubts.into_iter().map(problem).collect()).into_result()?)
}

fn read_stock(
    template: &Template,
    file: &Path,
    rows: Option<Rows>,
    notes: &mut Vec<String>,
) -> Result<Table, OperationError> {
    let bytes = read_regular(file).map_err(|error| OperationError::io("read", file, &error))?;
    let kind = template.fuel_table;
    // Below a trim lies a table of another kind.
    const BELOW_TRIM_STEP: f64 = 0.001;
    let (step, allowed) = match kind {
        FuelTableKind::TrimPct => (BELOW_TRIM_STEP, STOCK_CELLS),
        FuelTableKind::VePct | FuelTableKind::PulseWidthMs => (template.resolution(), kind.allowed()),
    };
    let found = table::import(
        file,
        &bytes,
        &ImportExpectation {
            today: None,
            table: "stock fuel",
            load_axis: template.load,
            resolution: Resolution::new(step).expect("a decimal step"),
            allowed,
            rows,
            new_axes: true,
        },
    )?;
    if found.rounded > 0 {
        notes.push(format!(
            "{} of the stock map rounded to the step of {}",
            units::counted(found.rounded, "cell"),
            units::plain(step)
        ));
    }
    let last = found.table.grid.rpm.breakpoints().last().copied().unwrap_or(f64::NAN);
    if last < template.rev_limit_rpm {
        notes.push(format!(
            "the stock map ends at {} rpm, below the limit: its last row holds from there on",
            units::plain(last)
        ));
    }
    Ok(found.table)
}

fn first_map(template: &Template, told: &StockTold, rescaling: Option<&Rescaling>) -> String {
    let Some(rescaling) = rescaling else {
        return match template.fuel_table {
            FuelTableKind::TrimPct => "no trim anywhere: the stock map as it is".to_owned(),
            FuelTableKind::VePct | FuelTableKind::PulseWidthMs => "computed from the engine data".to_owned(),
        };
    };
    let factor = units::fixed(rescaling.factor, 3);
    match (&told.file, template.fuel_table) {
        (Some(file), FuelTableKind::VePct | FuelTableKind::PulseWidthMs) => {
            format!("{} times {factor}", file.display())
        }
        (Some(file), FuelTableKind::TrimPct) => format!(
            "the same trim everywhere, the stock map times {factor}; {} lies below it as stock.csv",
            file.display()
        ),
        _ => format!("the stock map times {factor}, as the same trim everywhere"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(of: impl FnOnce(&mut StockTold)) -> StockTold {
        let mut told = StockTold::default();
        of(&mut told);
        told
    }

    #[test]
    fn a_stock_pulse_table_is_scaled_for_displacement_flow_and_pressure() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("stock.csv");
        std::fs::write(&file, "rpm/throttle_pct,2,100\n1000,1.00,4.00\n8000,1.50,10.00\n").expect("written");
        let mut template = Template {
            displacement_cc: 700.0,
            fuel_table: FuelTableKind::PulseWidthMs,
            injector_cc_min: Some(230.0),
            rail_kpa: 400.0,
            ..Template::default()
        };
        let told = told(|t| {
            t.file = Some(file);
            (t.displacement_cc, t.flow_cc_min, t.rail_kpa) = (Some(650.0), Some(200.0), Some(300.0));
            (t.fuel, t.injectors) = (Some("E10".to_owned()), Some(2));
        });
        let mut notes = Vec::new();
        template.stock = stock_map(&template, &told, &mut notes).expect("a stock map");
        // 700/650 · 200/(230 √(4/3)) is 0.810994, by hand.
        assert_eq!(template.fuel_table().values, [0.81, 3.24, 1.22, 8.11]);
        assert_eq!(template.mixture_table().grid, template.fuel_table().grid);
        assert!(notes.len() == 1 && notes[0].contains("ends at 8000"), "{notes:?}");
        // One injector more a cylinder on the new bike halves the pulse.
        template.injectors = Some(4);
        template.stock = stock_map(&template, &told, &mut notes).expect("a stock map");
        assert_eq!(template.rescaling().expect("one").expect("a factor").factor, 0.405_497);
    }

    #[test]
    fn a_trim_starts_from_what_the_stock_map_does_not_know() {
        let mut template = Template {
            fuel_table: FuelTableKind::TrimPct,
            injector_cc_min: Some(200.0),
            ..Template::default()
        };
        let mut notes = Vec::new();
        let told = told(|t| t.flow_cc_min = Some(220.0));
        template.stock = stock_map(&template, &told, &mut notes).expect("a stock map");
        assert!(template.fuel_table().values.iter().all(|v| *v == 10.0));
        template.fuel_table = FuelTableKind::VePct;
        let error = stock_map(&template, &told, &mut notes).expect_err("no table");
        assert!(error.to_string().contains("not given"), "{error}");
    }
}
