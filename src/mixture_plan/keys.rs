//! `mixtures/<slot>.yaml`: its keys, and what they mean on a bike.

use super::curve::{ByRpm, Curve};
use super::limits::{CRUISE_LAMBDA, ECONOMY_LAMBDA, IDLE_LAMBDA, LeanLimits, POWER_LAMBDA, POWER_LAMBDA_MIN};
use super::usual::{ECONOMY_RPM_SHARE, IDLE_RPM_SHARE, LAMBDA_PER_CELL, Usual};
use crate::bike::{Bike, ClosedLoopMode};
use crate::physics::fuel;
use crate::problem::{Problem, Problems};
use crate::units;
use crate::yaml::{self, Node};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;
use std::path::Path;

/// What the slot is for, and what to do otherwise than usual.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct PlanFile {
    /// What it is for, for people.
    #[serde(default)]
    about: Option<String>,
    /// What the slot is for; the regions that are left out are those of this use.
    #[serde(rename = "use")]
    wanted: Use,
    /// The fuel that the scale of `afr` values is for: petrol, E5, E10, E85, ethanol or methanol. The
    /// table holds lambda, whatever fuel the bike burns; without `afr` values this key is not needed.
    #[serde(default)]
    fuel: Option<String>,
    /// Slow and nearly closed. Left out, lambda 1.
    #[serde(default)]
    idle: Option<IdleKeys>,
    /// Wherever no other region is. Left out, lambda 1.
    #[serde(default)]
    cruise: Option<CruiseKeys>,
    /// A lean region at light load and middle engine speeds. `use: touring` and `use: economy` have
    /// one of their own; `lambda: 1` takes it away.
    #[serde(default)]
    economy: Option<EconomyKeys>,
    /// Rich, for power and to cool the pistons.
    #[serde(default)]
    power: Option<PowerKeys>,
    /// How the regions run into each other.
    #[serde(default)]
    smooth: Option<SmoothKeys>,
}

/// What a slot is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Use {
    /// No lean region, and power begins early: lambda 0.87.
    Power,
    /// A little lean in the lightest cruise, lambda 1.02; power 0.88.
    Touring,
    /// Lean cruise, lambda 1.05; power begins late: lambda 0.90.
    Economy,
}

impl Use {
    /// The word in files.
    pub fn name(self) -> &'static str {
        match self {
            Use::Power => "power",
            Use::Touring => "touring",
            Use::Economy => "economy",
        }
    }
}

/// The idle region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
struct IdleKeys {
    /// Lambda, 0.85 to 1.
    lambda: Option<f64>,
    /// The same as an air-fuel ratio on the scale of `fuel`.
    afr: Option<f64>,
    /// Up to this engine speed, 1/min. Left out, a fifth of the rev limit.
    #[schemars(range(min = 0.0, max = 6000.0))]
    rpm: Option<f64>,
    /// Up to this load, in the unit of the table's load axis.
    #[schemars(range(min = 0.0, max = 400.0))]
    load: Option<f64>,
}

/// The cruise region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
struct CruiseKeys {
    /// Lambda, 0.90 to 1; leaner is what `economy` is for.
    lambda: Option<f64>,
    /// The same as an air-fuel ratio on the scale of `fuel`.
    afr: Option<f64>,
}

/// The lean region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
struct EconomyKeys {
    /// Lambda, 1 to 1.10.
    lambda: Option<f64>,
    /// The same as an air-fuel ratio on the scale of `fuel`.
    afr: Option<f64>,
    /// From and to, 1/min; within 20 to 75 % of the rev limit.
    rpm: Option<[f64; 2]>,
    /// From and to, in the unit of the table's load axis; at most 35 % throttle or 65 kPa.
    load: Option<[f64; 2]>,
}

/// The power region.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
struct PowerKeys {
    /// Lambda from `full_load` on, at most 0.92: one value, or values by engine speed such as
    /// `{ 3000: 0.90, 7000: 0.86 }`.
    lambda: Option<ByRpm>,
    /// The same as air-fuel ratios on the scale of `fuel`.
    afr: Option<ByRpm>,
    /// The load from which on the mixture becomes richer: one value, or values by engine speed.
    from_load: Option<ByRpm>,
    /// The load from which on it is as rich as `lambda` says: one value, or values by engine speed.
    full_load: Option<ByRpm>,
}

/// How the regions run into each other.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
struct SmoothKeys {
    /// Most lambda between neighbouring cells, along either axis. Left out, 0.04. The table becomes
    /// richer to keep it, never leaner.
    #[schemars(range(min = 0.005, max = 0.15))]
    lambda_per_cell: Option<f64>,
}

/// The idle region, settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Idle {
    pub lambda: f64,
    pub rpm: f64,
    pub load: f64,
}

/// The lean region, settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Economy {
    pub lambda: f64,
    pub rpm: [f64; 2],
    pub load: [f64; 2],
}

/// The power region, settled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Power {
    pub lambda: Curve,
    pub from_load: Curve,
    pub full_load: Curve,
}

/// What a slot's mixture shall be on one bike, checked.
///
/// Units: lambda, 1/min, loads in the unit of the bike's load axis.
#[derive(Debug, Clone, PartialEq)]
pub struct MixturePlan {
    /// What it is for, for people.
    pub about: Option<String>,
    /// The use that what is left out comes from.
    pub wanted: Use,
    pub(super) idle: Idle,
    pub(super) cruise_lambda: f64,
    pub(super) economy: Option<Economy>,
    pub(super) power: Power,
    /// Most lambda between neighbouring cells.
    pub lambda_per_cell: f64,
    /// Where more than lambda 1 may be wanted on this bike.
    pub lean: LeanLimits,
    /// What is allowed but worth a look.
    pub warnings: Vec<String>,
}

impl MixturePlan {
    /// Reads a plan for a bike.
    ///
    /// # Errors
    /// Every problem of the file with line and column, among them mixtures beyond the limits.
    pub fn parse(path: &Path, text: &str, bike: &Bike) -> Result<Self, Problems> {
        let node = yaml::parse(path, text)?;
        let file: PlanFile = yaml::read_node(path, &node)?;
        let mut reader =
            Reader { path, node: &node, bike, scale: None, found: Vec::new(), warnings: Vec::new() };
        let plan = reader.plan(file);
        Problems(reader.found).into_result().map(|()| plan)
    }

    /// The regions in words, one line each.
    pub fn in_words(&self, bike: &Bike) -> Vec<String> {
        let unit = bike.controller.load.unit();
        let mix = |lambda: f64| {
            format!(
                "lambda {} ({}:1)",
                units::plain((lambda * 1e4).round() / 1e4),
                units::fixed(bike.afr(lambda), 1)
            )
        };
        let plain = |value: f64| units::plain(value.round());
        let range = |[low, high]: [f64; 2], text: &dyn Fn(f64) -> String| match low == high {
            true => text(low),
            false => format!("{} to {}", text(low), text(high)),
        };
        let mut lines = vec![
            format!(
                "idle: {} up to {} rpm and {} {unit}",
                mix(self.idle.lambda),
                plain(self.idle.rpm),
                plain(self.idle.load)
            ),
            format!("cruise: {}", mix(self.cruise_lambda)),
        ];
        lines.extend(self.economy.map(|economy| {
            format!(
                "economy: {} from {} rpm, {} {unit}",
                mix(economy.lambda),
                range(economy.rpm, &plain),
                range(economy.load, &plain)
            )
        }));
        lines.push(format!(
            "power: {} from {} {unit} on, richer and richer from {} {unit} on",
            range(self.power.lambda.range(), &mix),
            range(self.power.full_load.range(), &plain),
            range(self.power.from_load.range(), &plain),
        ));
        lines.push(format!(
            "neighbouring cells differ by at most {}, lean lies within {} to {} rpm and {} {unit}",
            units::plain(self.lambda_per_cell),
            plain(self.lean.rpm[0]),
            plain(self.lean.rpm[1]),
            plain(self.lean.load)
        ));
        lines
    }
}

/// The JSON Schema of a plan.
pub fn schema() -> serde_json::Value {
    yaml::schema_of::<PlanFile>()
}

/// Settles a file and gathers what is wrong with it.
struct Reader<'a> {
    path: &'a Path,
    node: &'a Node,
    bike: &'a Bike,
    /// The stoichiometric ratio of the fuel that AFR values are for, and its name.
    scale: Option<(String, f64)>,
    found: Vec<Problem>,
    warnings: Vec<String>,
}

impl Reader<'_> {
    fn say(&mut self, at: &[&str], what: impl Into<String>) {
        let (line, column) = self.node.place(at);
        self.found.push(Problem::at(self.path, line, column, what));
    }

    fn plan(&mut self, file: PlanFile) -> MixturePlan {
        let axis = self.bike.controller.load;
        let limit_rpm = self.bike.engine.rev_limit_rpm;
        let usual = Usual::of(file.wanted, axis);
        let lean = LeanLimits::of(limit_rpm, axis);
        self.scale = self.scale_of(file.fuel.as_deref());
        let one = |lambda: Option<f64>| lambda.map(ByRpm::Same);

        let keys = file.idle.unwrap_or_default();
        let lambda = self.lambda("idle", one(keys.lambda), one(keys.afr), &IDLE_LAMBDA);
        let idle = Idle {
            lambda: lambda.map_or(usual.idle_lambda, |curve| curve.at(0.0)),
            rpm: keys.rpm.unwrap_or((IDLE_RPM_SHARE * limit_rpm).round()),
            load: keys.load.unwrap_or(usual.idle_load),
        };
        let keys = file.cruise.unwrap_or_default();
        let lambda = self.lambda("cruise", one(keys.lambda), one(keys.afr), &CRUISE_LAMBDA);
        let cruise_lambda = lambda.map_or(usual.cruise_lambda, |curve| curve.at(0.0));

        let power = self.power(file.power.unwrap_or_default(), &usual);
        let economy = self.economy(file.economy, &usual, lean, power.from_load.range()[0]);
        // One mistake is told once.
        if self.found.is_empty() {
            self.among(idle, economy, &power);
        }
        self.against_the_bike([idle.lambda, cruise_lambda], economy, &power);
        MixturePlan {
            about: file.about,
            wanted: file.wanted,
            idle,
            cruise_lambda,
            economy,
            power,
            lambda_per_cell: file.smooth.and_then(|s| s.lambda_per_cell).unwrap_or(LAMBDA_PER_CELL),
            lean,
            warnings: std::mem::take(&mut self.warnings),
        }
    }

    fn scale_of(&mut self, name: Option<&str>) -> Option<(String, f64)> {
        let name = name?;
        let Some(composition) = fuel::known(name) else {
            let known = fuel::KNOWN_FUELS.join(", ");
            self.say(&["fuel"], format!("`fuel` must be one of {known}, got `{name}`"));
            return None;
        };
        Some((name.to_owned(), composition.stoich_afr()))
    }

    /// The lambda of a region, from `lambda` or `afr`; none where neither stands there or it is wrong.
    fn lambda(
        &mut self,
        region: &str,
        lambda: Option<ByRpm>,
        afr: Option<ByRpm>,
        allowed: &RangeInclusive<f64>,
    ) -> Option<Curve> {
        let (key, curve, stoich_afr) = match (lambda, afr) {
            (Some(_), Some(_)) => {
                self.say(&[region, "afr"], "a mixture is given in one way: `lambda` or `afr`");
                return None;
            }
            (None, None) => return None,
            (Some(lambda), None) => ("lambda", self.curve(region, "lambda", &lambda)?, 1.0),
            (None, Some(afr)) => {
                let Some((_, stoich_afr)) = self.scale else {
                    self.say(
                        &[region, "afr"],
                        "an air-fuel ratio needs the fuel of its scale: `fuel: petrol` says that 14.6 is lambda 1",
                    );
                    return None;
                };
                ("afr", self.curve(region, "afr", &afr)?, stoich_afr)
            }
        };
        // So that 14.58 of petrol is lambda 1, whatever the digits behind it say.
        const SLACK: f64 = 5e-4;
        let [low, high] = curve.range();
        let slack = if key == "afr" { SLACK } else { 0.0 };
        let lambdas = [low / stoich_afr, high / stoich_afr];
        if lambdas[0] < allowed.start() - slack || lambdas[1] > allowed.end() + slack {
            let (least, most) = (allowed.start() * stoich_afr, allowed.end() * stoich_afr);
            let got = if lambdas[1] > *allowed.end() { high } else { low };
            let what = match (key, &self.scale) {
                ("afr", Some((fuel, _))) => format!(
                    "`afr` of `{region}` must be between {} and {} on {fuel} (lambda {} to {}), got {}",
                    units::fixed(least, 1),
                    units::fixed(most, 1),
                    allowed.start(),
                    allowed.end(),
                    units::plain(got)
                ),
                _ => format!(
                    "`lambda` of `{region}` must be between {} and {}, got {}",
                    allowed.start(),
                    allowed.end(),
                    units::plain(got)
                ),
            };
            self.say(&[region, key], what);
            return None;
        }
        Some(curve.map(|value| (value / stoich_afr).clamp(*allowed.start(), *allowed.end())))
    }

    fn curve(&mut self, region: &str, key: &str, written: &ByRpm) -> Option<Curve> {
        Curve::of(written)
            .map_err(|odd| {
                let what = match odd.is_empty() {
                    true => format!("`{key}` needs at least one engine speed"),
                    false => format!("an engine speed in 1/min must stand here, got `{odd}`"),
                };
                self.say(&[region, key, &odd], what);
            })
            .ok()
    }

    /// Where the file does not say it, the region ends where power begins.
    fn economy(
        &mut self,
        keys: Option<EconomyKeys>,
        usual: &Usual,
        lean: LeanLimits,
        power_from: f64,
    ) -> Option<Economy> {
        let written = keys.is_some();
        let keys = keys.unwrap_or_default();
        let one = |lambda: Option<f64>| lambda.map(ByRpm::Same);
        let lambda = self.lambda("economy", one(keys.lambda), one(keys.afr), &ECONOMY_LAMBDA);
        let lambda = lambda.map(|curve| curve.at(0.0)).or(usual.economy_lambda);
        let Some(lambda) = lambda else {
            if written && self.found.is_empty() {
                self.say(&["economy"], "`economy` needs a `lambda`: this use has no lean region of its own");
            }
            return None;
        };
        let limit_rpm = self.bike.engine.rev_limit_rpm;
        let economy = Economy {
            lambda,
            rpm: keys.rpm.unwrap_or(ECONOMY_RPM_SHARE.map(|share| (share * limit_rpm).round())),
            load: keys.load.unwrap_or(usual.economy_load.map(|load| load.min(power_from))),
        };
        for (key, [from, to]) in [("rpm", economy.rpm), ("load", economy.load)] {
            if from > to {
                self.say(&["economy", key], format!("`{key}` must ascend, got [{from}, {to}]"));
            }
        }
        if economy.rpm[0] < lean.rpm[0] || economy.rpm[1] > lean.rpm[1] {
            let what = format!(
                "`rpm` of `economy` must lie within {} and {} (20 to 75 % of the rev limit), got [{}, {}]: slower \
                 the engine bucks, faster it makes too much heat for a lean mixture",
                lean.rpm[0], lean.rpm[1], economy.rpm[0], economy.rpm[1]
            );
            self.say(&["economy", "rpm"], what);
        }
        if economy.load[1] > lean.load {
            let what = format!(
                "`load` of `economy` must end at {} {} at most, got {}: lean under load burns pistons",
                lean.load,
                self.bike.controller.load.unit(),
                economy.load[1]
            );
            self.say(&["economy", "load"], what);
        }
        Some(economy)
    }

    fn power(&mut self, keys: PowerKeys, usual: &Usual) -> Power {
        let allowed = POWER_LAMBDA_MIN..=*POWER_LAMBDA.end();
        let lambda = self.lambda("power", keys.lambda, keys.afr, &allowed);
        let lambda = lambda.unwrap_or_else(|| Curve::flat(usual.power_lambda));
        let [richest, _] = lambda.range();
        if richest < *POWER_LAMBDA.start() {
            self.warnings.push(format!(
                "power at lambda {} is richer than 12:1 on petrol (lambda {}): it costs power and washes oil off \
                 the bores",
                units::fixed(richest, 3),
                POWER_LAMBDA.start()
            ));
        }
        let mut load = |key: &str, written: Option<ByRpm>, usual: f64| match written {
            Some(written) => self.curve("power", key, &written).unwrap_or_else(|| Curve::flat(usual)),
            None => Curve::flat(usual),
        };
        let from_load = load("from_load", keys.from_load, usual.from_load);
        let full_load = load("full_load", keys.full_load, usual.full_load);
        Power { lambda, from_load, full_load }
    }

    /// What the controller and the sensor cannot do.
    fn against_the_bike(&mut self, below: [f64; 2], economy: Option<Economy>, power: &Power) {
        let off_stoich = below.into_iter().chain(economy.map(|e| e.lambda)).any(|lambda| lambda != 1.0);
        if self.bike.closed_loop.mode != ClosedLoopMode::None && off_stoich {
            self.warnings.push(
                "the controller trims towards lambda 1 by itself (closed_loop in bike.yaml): where it does, it will \
                 not hold another target"
                    .to_owned(),
            );
        }
        let [richest, _] = power.lambda.range();
        let [least, _] = self.bike.lambda_sensor.valid;
        if richest < least {
            self.warnings.push(format!(
                "the lambda sensor tells nothing below {least}, so that no ride can show whether power at lambda {} \
                 is reached",
                units::fixed(richest, 3)
            ));
        }
    }

    /// What one region says against another.
    fn among(&mut self, idle: Idle, economy: Option<Economy>, power: &Power) {
        let unit = self.bike.controller.load.unit();
        let corners = power.from_load.points().iter().chain(power.full_load.points());
        let mut speeds: Vec<f64> = corners.map(|(rpm, _)| *rpm).collect();
        speeds.extend(economy.into_iter().flat_map(|economy| economy.rpm));
        speeds.sort_by(f64::total_cmp);
        for rpm in &speeds {
            let (from, full) = (power.from_load.at(*rpm), power.full_load.at(*rpm));
            if from < 0.0 || from >= full {
                let what = format!(
                    "`from_load` must be below `full_load`, got {from} and {full} {unit} at {} rpm",
                    units::plain(*rpm)
                );
                return self.say(&["power", "from_load"], what);
            }
        }
        let [earliest, _] = power.from_load.range();
        if idle.load >= earliest {
            let what = format!(
                "`idle` must end below the load from which on `power` becomes richer, {earliest} {unit}, got {}",
                idle.load
            );
            self.say(&["idle", "load"], what);
        }
        let Some(economy) = economy else { return };
        let inside = speeds.iter().filter(|rpm| (economy.rpm[0]..=economy.rpm[1]).contains(*rpm));
        let overlap =
            inside.map(|rpm| (*rpm, power.from_load.at(*rpm))).find(|(_, from)| *from < economy.load[1]);
        if let Some((rpm, from)) = overlap {
            let what = format!(
                "`economy` reaches up to {} {unit}, but `power` begins at {} {unit} at {} rpm",
                economy.load[1],
                units::plain(from),
                units::plain(rpm)
            );
            self.say(&["economy", "load"], what);
        }
    }
}
