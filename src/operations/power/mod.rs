//! `power`: power and torque from pulls and dyno sheets, one curve a file, each against the first.

mod input;

pub use input::{From, Given, UsedInput, VehicleGiven};

use super::error::OperationError;
use crate::bike::{BIKE_FILE, Bike, BikeFolder, FileSource, WorkTree, read_regular};
use crate::physics::engine::mean_effective_kpa;
use crate::power::{
    COVERAGE, Cause, Comparison, Conditions, Correction, Curve, DynoTrust, FoundPulls, Pull, PullRules,
    REASONS, Trace, Trodden, compare, find_pulls, of_pulls, of_sheet, torque_nm,
};
use crate::problem::Problem;
use crate::ride::logger::dyno_sheet::{self, DynoSheet, MeasuredAt, SHEET_REASONS};
use crate::ride::{Channel, DOOR_REASONS, Loggers, Ride, RideError, median};
use crate::units::{fixed, plain};
use schemars::JsonSchema;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub struct PowerRequest {
    /// Rides and dyno sheets; the first is what the others are held against.
    pub files: Vec<PathBuf>,
    /// What was said of vehicle and day.
    pub given: VehicleGiven,
    /// The gear of the pulls, where the log does not tell it.
    pub gear: Option<usize>,
    /// Where the dyno measured.
    pub measured_at: Option<MeasuredAt>,
    /// To which air the power is brought.
    pub correction: Correction,
    /// What a pull must fulfil.
    pub rules: PullRules,
    /// The step of the curves, 1/min.
    pub step_rpm: f64,
}

/// Power and torque, and what changed.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PowerReport {
    /// To which air the powers are brought.
    pub correction: Correction,
    /// Bands are so many standard uncertainties wide to either side.
    pub coverage_factor: f64,
    /// What the pulls' power was worked out with; empty where no file is a ride.
    pub vehicle: Vec<UsedInput>,
    /// One a file, in their order.
    pub curves: Vec<PowerCurve>,
    /// Each later file against the first.
    pub comparisons: Vec<PowerComparison>,
    /// What can hurt.
    pub cautions: Vec<String>,
    /// What else to know.
    pub notes: Vec<String>,
}

/// What a curve was made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CurveKind {
    /// Pulls on the road.
    Ride,
    /// A dyno's sheet.
    Dyno,
}

/// The curve of one file.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PowerCurve {
    /// The file.
    pub file: PathBuf,
    /// What it is.
    pub kind: CurveKind,
    /// Where the power was measured; null where a sheet does not tell.
    pub measured_at: Option<MeasuredAt>,
    /// What the power was multiplied by to bring it to the wanted air.
    pub correction_factor: f64,
    /// Road, wind and air of the day, as far as they matter.
    pub day: Vec<UsedInput>,
    /// The pulls; empty for a sheet.
    pub pulls: Vec<PullTaken>,
    /// How the road speed was had; null for a sheet.
    pub speed: Option<Trodden>,
    /// Rows of the file.
    pub rows: usize,
    /// Rows that the curve rests on.
    pub used: usize,
    /// The others, by reason.
    pub unused: BTreeMap<String, usize>,
    /// The most power.
    pub peak: PowerPoint,
    /// Ascending in engine speed.
    pub points: Vec<PowerPoint>,
    /// What the uncertainty at the most power is made of, largest first.
    pub uncertainty: Vec<UncertaintyPart>,
    /// What else to know of this file.
    pub notes: Vec<String>,
}

/// A pull that was taken.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PullTaken {
    /// When it began, s from the start of the log.
    pub begins_s: f64,
    /// How long it lasts, s.
    pub lasts_s: f64,
    /// Engine speeds, 1/min.
    pub from_rpm: f64,
    /// See `from_rpm`.
    pub to_rpm: f64,
    /// The gear, where it is known.
    pub gear: Option<usize>,
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PowerPoint {
    /// Engine speed, 1/min.
    pub rpm: f64,
    /// Power, kW.
    pub power_kw: f64,
    /// Half the width of the band around the power, kW.
    pub band_kw: f64,
    /// Torque that this power is at engine speed, N m.
    pub torque_nm: f64,
    /// Half the width of the band around the torque, N m.
    pub band_nm: f64,
}

/// A part of the uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct UncertaintyPart {
    /// Where it comes from.
    pub cause: Cause,
    /// What it makes of the band at the most power, kW to either side.
    pub band_kw: f64,
}

/// A later file against the first.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PowerComparison {
    /// The first file.
    pub before: PathBuf,
    /// The later one.
    pub after: PathBuf,
    /// What they say about each other.
    #[serde(flatten)]
    pub says: Comparison,
}

/// Common practice, no source; local law goes before.
const CAUTION: &str = "a public road is no place to measure power: pull on a closed road or a dyno, and let somebody \
    else watch the log. On a dyno: straps, fan, nobody behind the wheel, hands off the hot exhaust. Local law goes \
    before all of this";
const DOES_NOT_TELL: &str = "these curves tell of full throttle only, and nothing of part throttle, of how the engine \
    answers, or of mixture, knock and heat: more power on a lean mixture is no gain";
const EXPECTED: &str = "8 to 10 % is what people expect of exhaust, intake and map together on a road engine (common \
    practice, no source)";

/// Works the curves out; reads only.
///
/// # Errors
/// When a file cannot be used or holds no pull, a number is missing, or bike.yaml is wrong.
pub fn power(root: &Path, request: &PowerRequest) -> Result<PowerReport, OperationError> {
    let bike = bike_of(root)?;
    let loggers = Loggers::read(&WorkTree { root: root.to_path_buf() })?;
    let mut curves = Vec::new();
    let mut worked = Vec::new();
    let mut vehicle = Vec::new();
    for file in &request.files {
        let at = if file.is_relative() && !file.exists() { root.join(file) } else { file.clone() };
        let bytes = read_regular(&at).map_err(|error| OperationError::io("read", file, &error))?;
        let sheet = if is_text(file) {
            dyno_sheet::read(&bytes, request.measured_at).map_err(|error| unusable(file, &error))?
        } else {
            None
        };
        let (mut told, curve) = match sheet {
            Some(sheet) => from_sheet(file, &sheet, request)?,
            None => {
                let ride = Ride::read(file, &bytes, &loggers).map_err(|error| unusable(file, &error))?;
                vehicle = request.given.vehicle(bike.as_ref())?;
                from_ride(file, &ride, bike.as_ref(), &vehicle, request)?
            }
        };
        told.notes.extend(bike.as_ref().and_then(|bike| beyond_the_engine(&told.points, bike)));
        curves.push(told);
        worked.push(curve);
    }
    let mut notes = vec![DOES_NOT_TELL.to_owned()];
    let mut comparisons = Vec::new();
    for (told, curve) in curves.iter().zip(&worked).skip(1) {
        let first = &curves[0];
        let apart = first.measured_at.zip(told.measured_at).is_some_and(|(a, b)| a != b);
        let names = format!("{} and {}", first.file.display(), told.file.display());
        match compare(&worked[0], curve) {
            _ if apart => notes
                .push(format!("{names} are not compared: one was measured at the wheel, one at the crank")),
            None => notes.push(format!("{names} have hardly an engine speed in common and are not compared")),
            Some(says) => comparisons.push(PowerComparison {
                before: first.file.clone(),
                after: told.file.clone(),
                says,
            }),
        }
    }
    if !comparisons.is_empty() {
        notes.push(EXPECTED.to_owned());
    }
    let cautions = vec![CAUTION.to_owned()];
    Ok(PowerReport {
        correction: request.correction,
        coverage_factor: COVERAGE,
        vehicle,
        curves,
        comparisons,
        cautions,
        notes,
    })
}

/// Mean effective pressure above which an engine without a charger does not come, kPa. Common
/// practice, no source: the best of racing engines reach some 1500.
const MOST_MEAN_EFFECTIVE_KPA: f64 = 1600.0;

/// Doubts a torque that no engine of this displacement makes.
fn beyond_the_engine(points: &[PowerPoint], bike: &Bike) -> Option<String> {
    let most_nm = points.iter().map(|point| point.torque_nm).fold(0.0, f64::max);
    let engine = &bike.engine;
    let kpa = mean_effective_kpa(most_nm, engine.displacement_cc, engine.strokes);
    (kpa > MOST_MEAN_EFFECTIVE_KPA).then(|| {
        format!(
            "{} Nm of {} cc are a mean effective pressure of {} kPa, and without a charger no engine makes more than \
             {MOST_MEAN_EFFECTIVE_KPA} (common practice, no source): look whether the unit is right, whether it is \
             this bike, and whether the torque is that at engine speed, not that at the wheel behind the gears",
            fixed(most_nm, 0),
            plain(engine.displacement_cc),
            fixed(kpa, 0),
        )
    })
}

/// bike.yaml, where there is one.
fn bike_of(root: &Path) -> Result<Option<Bike>, OperationError> {
    if !BikeFolder::is_one(root) {
        return Ok(None);
    }
    let text = WorkTree { root: root.to_path_buf() }.text(BIKE_FILE)?;
    Ok(text.map(|text| Bike::parse(Path::new(BIKE_FILE), &text)).transpose()?)
}

/// Whether a file may be a sheet: measurement files and tables of columns are logs.
fn is_text(file: &Path) -> bool {
    let ending = file.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    !matches!(ending.as_str(), "mf4" | "mdf" | "parquet" | "gz" | "zip" | "zst")
}

fn unusable(file: &Path, error: &RideError) -> OperationError {
    let problem = Problem::in_file(file, error.to_string());
    match error.hint() {
        Some(hint) => problem.with_hint(hint).into(),
        None => problem.into(),
    }
}

fn from_sheet(
    file: &Path,
    sheet: &DynoSheet,
    request: &PowerRequest,
) -> Result<(PowerCurve, Curve), OperationError> {
    let logged = [sheet.air_temp_c, sheet.pressure_kpa, sheet.humidity_pct];
    let mut notes = Vec::new();
    let mut correction = request.correction;
    if sheet.is_corrected && correction != Correction::None {
        notes.push(format!("`{}` says that it is corrected already, so it was left as it is", sheet.title));
        correction = Correction::None;
    }
    let day = request.given.air(logged, correction)?;
    let conditions = input::conditions(&[], &day, correction);
    let air = [conditions.air_temp_c, conditions.pressure_kpa, conditions.humidity_pct];
    let curve = of_sheet(&sheet.rows, DynoTrust::default(), air, &conditions, request.step_rpm);
    if sheet.measured_at.is_none() {
        notes.push(
            "the sheet does not tell whether it was measured at the wheel or the crank: --at says it"
                .to_owned(),
        );
    }
    notes.extend(sheet.remarks.iter().cloned());
    notes.extend(
        sheet
            .first_dropped
            .iter()
            .map(|(reason, place)| format!("{}: the first stands in {place}", reason_words(reason))),
    );
    let unused = &sheet.reading.dropped;
    let told = Told {
        file,
        kind: CurveKind::Dyno,
        measured_at: sheet.measured_at,
        conditions: &conditions,
        day: if correction == Correction::None { Vec::new() } else { day },
        pulls: Vec::new(),
        speed: None,
        rows: sheet.reading.rows,
        used: sheet.rows.len(),
        unused: unused.iter().map(|(reason, n)| ((*reason).to_owned(), *n)).collect(),
        notes,
    };
    Ok((told.report(&curve, request)?, curve))
}

fn from_ride(
    file: &Path,
    ride: &Ride,
    bike: Option<&Bike>,
    vehicle: &[UsedInput],
    request: &PowerRequest,
) -> Result<(PowerCurve, Curve), OperationError> {
    let values = |channel: Channel| ride.values(channel).filter(|_| ride.has(channel));
    let (Some(time_s), Some(rpm)) = (ride.values(Channel::TimeS), values(Channel::Rpm)) else {
        return Err(unusable(file, &RideError::MissingChannel(Channel::Rpm.name())));
    };
    let trace = Trace {
        time_s,
        rpm,
        throttle_pct: values(Channel::ThrottlePct),
        speed_kph: values(Channel::SpeedKph),
        gear: values(Channel::Gear),
        fuel_cut: values(Channel::FuelCut),
    };
    let found = find_pulls(&trace, &request.rules);
    if found.pulls.is_empty() {
        return Err(no_pull(file, &found, &request.rules));
    }
    let over_pulls = |channel: Channel| {
        let values = values(channel)?;
        median(&found.pulls.iter().flat_map(|p| &values[p.samples.clone()]).copied().collect::<Vec<_>>())
    };
    let logged = [over_pulls(Channel::AirTempC), over_pulls(Channel::BaroKpa), None];
    let mut day = request.given.road();
    day.extend(request.given.air(logged, request.correction)?);
    let conditions = input::conditions(vehicle, &day, request.correction);
    let gearing = bike.and_then(|bike| bike.gearing.as_ref());
    let gear_of = |pull: &Pull| request.gear.or(pull.gear);
    let kph_per_rpm = |pull: &Pull| {
        let (gearing, gear) = (gearing?, gear_of(pull)?);
        (1..=gearing.gears.len()).contains(&gear).then(|| gearing.speed_kph(1.0, gear))
    };
    let (curve, speed) =
        of_pulls(&trace, &found.pulls, &kph_per_rpm, &conditions, &request.rules, request.step_rpm)
            .ok_or_else(|| no_speed(file, gearing.is_some()))?;
    let mut notes = Vec::new();
    if trace.throttle_pct.is_none() {
        notes.push("throttle is not logged, so nothing tells that it was fully open".to_owned());
    }
    if trace.speed_kph.is_none() && trace.gear.is_none() {
        notes.push(
            "neither speed nor gear is logged, so a slipping clutch or a spinning wheel stays unseen"
                .to_owned(),
        );
    }
    let mut gears: Vec<usize> = found.pulls.iter().filter_map(gear_of).collect();
    gears.sort_unstable();
    gears.dedup();
    if gears.len() > 1 {
        notes.push(
            "the pulls are in several gears: what turning parts add to the mass differs among them"
                .to_owned(),
        );
    }
    let pulls = found.pulls.iter().map(|pull| {
        let (first, last) = (pull.samples.start, pull.samples.end - 1);
        PullTaken {
            begins_s: time_s[first],
            lasts_s: time_s[last] - time_s[first],
            from_rpm: rpm[first],
            to_rpm: rpm[last],
            gear: gear_of(pull),
        }
    });
    let mut unused: BTreeMap<String, usize> =
        found.unused.iter().map(|(reason, n)| ((*reason).to_owned(), *n)).collect();
    unused.extend(ride.reading.dropped.iter().map(|(reason, n)| ((*reason).to_owned(), *n)));
    let told = Told {
        file,
        kind: CurveKind::Ride,
        measured_at: Some(MeasuredAt::Wheel),
        conditions: &conditions,
        day,
        pulls: pulls.collect(),
        speed: Some(speed),
        rows: ride.reading.rows,
        used: found.used,
        unused,
        notes,
    };
    Ok((told.report(&curve, request)?, curve))
}

/// What is known of a curve before its points are told.
struct Told<'a> {
    file: &'a Path,
    kind: CurveKind,
    measured_at: Option<MeasuredAt>,
    conditions: &'a Conditions,
    day: Vec<UsedInput>,
    pulls: Vec<PullTaken>,
    speed: Option<Trodden>,
    rows: usize,
    used: usize,
    unused: BTreeMap<String, usize>,
    notes: Vec<String>,
}

impl Told<'_> {
    fn report(self, curve: &Curve, request: &PowerRequest) -> Result<PowerCurve, OperationError> {
        let Some(peak) = curve.peak() else {
            return Err(OperationError::failed(
                format!("`{}` spans no engine speed of the curve", self.file.display()),
                format!("the curve has a point every {} 1/min: --step-rpm changes that", request.step_rpm),
            ));
        };
        let point = |i: usize| {
            let (rpm, kw) = (curve.points[i].rpm, curve.points[i].kw);
            let band_kw = COVERAGE * curve.error_kw(i);
            PowerPoint {
                rpm,
                power_kw: kw,
                band_kw,
                torque_nm: torque_nm(kw, rpm),
                band_nm: torque_nm(band_kw, rpm),
            }
        };
        let parts = curve.parts.iter().map(|part| (part.cause, part.kw[peak].abs()));
        let mut uncertainty: Vec<UncertaintyPart> = parts
            .chain([(Cause::Repeat, curve.points[peak].random_kw)])
            .map(|(cause, kw)| UncertaintyPart { cause, band_kw: COVERAGE * kw })
            .filter(|part| part.band_kw > 0.0)
            .collect();
        uncertainty.sort_by(|a, b| b.band_kw.total_cmp(&a.band_kw));
        let mut notes = self.notes;
        let (factor, temp_c) = (self.conditions.factor(), self.conditions.air_temp_c.value);
        notes.extend(self.conditions.correction.objection(factor, temp_c));
        Ok(PowerCurve {
            file: self.file.to_path_buf(),
            kind: self.kind,
            measured_at: self.measured_at,
            correction_factor: factor,
            day: self.day,
            pulls: self.pulls,
            speed: self.speed,
            rows: self.rows,
            used: self.used,
            unused: self.unused,
            peak: point(peak),
            points: (0..curve.points.len()).map(point).collect(),
            uncertainty,
            notes,
        })
    }
}

/// What a reason for an unused row means.
pub fn reason_words(reason: &str) -> &str {
    let known = REASONS.iter().chain(&DOOR_REASONS).chain(&SHEET_REASONS);
    known.into_iter().find(|(key, _)| *key == reason).map_or(reason, |(_, words)| words)
}

fn no_pull(file: &Path, found: &FoundPulls, rules: &PullRules) -> OperationError {
    let mut reasons: Vec<(&&str, &usize)> = found.unused.iter().collect();
    reasons.sort_by(|a, b| b.1.cmp(a.1));
    let told: Vec<String> =
        reasons.iter().map(|(reason, n)| format!("{n} rows: {}", reason_words(reason))).collect();
    let widest = match found.widest_narrow_rpm > 0.0 {
        true => format!("; the widest stretch spans {:.0} 1/min", found.widest_narrow_rpm),
        false => String::new(),
    };
    OperationError::failed(
        format!("`{}` holds no pull ({}){widest}", file.display(), told.join("; ")),
        format!(
            "a pull is full throttle (from {} %: --full-throttle-pct) in one gear while engine speed rises by at \
             least {} 1/min (--min-span-rpm)",
            rules.full_throttle_pct, rules.min_span_rpm
        ),
    )
}

fn no_speed(file: &Path, has_gearing: bool) -> OperationError {
    let hint = if has_gearing {
        "say in which gear they were with --gear; bike.yaml has the gearing"
    } else {
        "log speed_kph, or put `gearing` into bike.yaml and say the gear with --gear"
    };
    OperationError::failed(format!("nothing tells the road speed of the pulls in `{}`", file.display()), hint)
}

#[cfg(test)]
mod tests;
