//! Fuels and mixtures.

use super::fuel_text::fuel;
use super::input::{Given, Input, Kind};
use super::quantity::{CONCENTRATION, NUMBER, RATIO, SHARE};
use super::{Figure, Impossible, Sum, Worked, figure};
use crate::physics::exhaust_gas::{self, DryExhaust};
use crate::physics::fuel::{Composition, TYPICAL_FUEL_KG_M3};
use crate::physics::mixture::{afr_of_lambda, fuel_change_pct, lambda_of_afr};

/// The fuel of every sum that needs one.
pub(super) const FUEL: Input = Input::new("fuel", Kind::Fuel, "the fuel").or("E10");

/// Lambda of every sum that needs one.
pub(super) const LAMBDA: Input = Input::number("lambda", &NUMBER, [0.5, 2.0], "lambda; above 1 is lean")
    .beware("an air-fuel ratio such as 14.7 is no lambda: `rideloop calc mixture --afr` turns it into one");

const AFR: Input = Input::number("afr", &RATIO, [3.0, 40.0], "air-fuel ratio by mass, of --fuel")
    .beware("a lambda such as 0.9 goes to --lambda");
const FUEL_OVER: Input = Input::number(
    "fuel_over_stoich_pct",
    &SHARE,
    [-50.0, 100.0],
    "fuel over what a stoichiometric mixture has, in % of that; below 0 is lean",
)
.beware("10 means a tenth more");
const WANTED: Input = Input::number("wanted_lambda", &NUMBER, [0.5, 2.0], "the lambda it should be")
    .optional()
    .beware("an air-fuel ratio is no lambda");

const CO2: Input = Input::number("co2_pct", &SHARE, [0.5, 20.0], "carbon dioxide, volume % of dry gas");
const CO: Input = Input::number("co_pct", &SHARE, [0.0, 15.0], "carbon monoxide, volume % of dry gas")
    .beware("an analyser that shows ppm: 10000 ppm are 1 %");
const O2: Input = Input::number("o2_pct", &SHARE, [0.0, 21.0], "oxygen, volume % of dry gas");
const HC: Input =
    Input::number("hc_ppm", &CONCENTRATION, [0.0, 50_000.0], "hydrocarbons, ppm by volume").or("0");
const HC_CARBONS: Input = Input::new(
    "hc_carbons",
    Kind::Whole { low: 1, high: 8 },
    "carbon atoms of what hydrocarbons are counted as: 6 hexane, 3 propane, 1 methane",
)
.or("6");
const NO: Input =
    Input::number("no_ppm", &CONCENTRATION, [0.0, 10_000.0], "nitrogen monoxide, ppm by volume").or("0");

const STOICH_AFR: Figure = figure("stoich_afr", ":1", 2, "stoichiometric air-fuel ratio by mass, dry air");
const CARBON: Figure = figure("carbon", "", 4, "mass fraction of carbon");
const HYDROGEN: Figure = figure("hydrogen", "", 4, "mass fraction of hydrogen");
const OXYGEN: Figure = figure("oxygen", "", 4, "mass fraction of oxygen");
const H_PER_C: Figure = figure("hydrogen_per_carbon", "", 3, "atoms of hydrogen for one of carbon");
const O_PER_C: Figure = figure("oxygen_per_carbon", "", 4, "atoms of oxygen for one of carbon");
const FUEL_DENSITY: Figure = figure("fuel_kg_m3", "kg/m³", 0, "density at 15 °C");
const VOLUME: Figure = figure(
    "volume_over_petrol_pct",
    "%",
    1,
    "more volume than petrol at equal lambda and air, in % of petrol's",
);
const MIXTURE_LAMBDA: Figure = figure("lambda", "", 3, "lambda");
const PHI: Figure = figure("phi", "", 3, "equivalence ratio, 1/lambda");
const MIXTURE_AFR: Figure = figure("afr", ":1", 2, "air-fuel ratio by mass, of this fuel");
const FUEL_OVER_STOICH: Figure =
    figure("fuel_over_stoich_pct", "%", 1, "fuel over a stoichiometric mixture's, in % of that");
const AIR_OVER_STOICH: Figure =
    figure("air_over_stoich_pct", "%", 1, "air over a stoichiometric mixture's, in % of that");
const FUEL_CHANGE: Figure =
    figure("fuel_change_pct", "%", 1, "change of fuel to the wanted lambda, in % of the fuel there is");
const WANTED_AFR: Figure = figure("wanted_afr", ":1", 2, "the wanted lambda as air-fuel ratio");

/// The sums of this file.
pub(super) static SUMS: [Sum; 3] = [
    Sum {
        name: "stoichiometry",
        about: "What a fuel or blend is made of, and the air it needs.",
        inputs: &[FUEL],
        one_of: &[],
        gives: &[STOICH_AFR, CARBON, HYDROGEN, OXYGEN, H_PER_C, O_PER_C, FUEL_DENSITY, VOLUME],
        formula: &[
            "stoich_afr = (C · 2 M_O/M_C + H · M_O/(2 M_H) − O) / 0.2313, mass fractions C, H, O",
            "blend: masses add up, volumes are taken to do so too",
            "volume_over_petrol = stoich_afr·ρ of petrol / stoich_afr·ρ of the fuel − 1",
        ],
        source: "balance of atoms with IUPAC atomic weights and the dry air of CIPM-2007 (Picard et al. 2008); \
                 checked against cantera; densities and petrol as CH1.85 from memory",
        example: "--fuel petrol=60,E85=40",
        work: stoichiometry,
    },
    Sum {
        name: "mixture",
        about: "Lambda, air-fuel ratio and % of fuel, from any one of them.",
        inputs: &[LAMBDA.optional(), AFR.optional(), FUEL_OVER.optional(), WANTED, FUEL],
        one_of: &[&["lambda", "afr", "fuel_over_stoich_pct"]],
        gives: &[
            MIXTURE_LAMBDA,
            PHI,
            MIXTURE_AFR,
            FUEL_OVER_STOICH,
            AIR_OVER_STOICH,
            STOICH_AFR,
            FUEL_CHANGE,
            WANTED_AFR,
        ],
        formula: &[
            "lambda = afr / stoich_afr = 1 / (1 + fuel_over_stoich)",
            "air_over_stoich = lambda − 1",
            "fuel_change = lambda / wanted_lambda − 1",
        ],
        source: "the definition of lambda",
        example: "--afr 13.2 --wanted-lambda 0.88",
        work: mixture,
    },
    Sum {
        name: "exhaust-gas",
        about: "Lambda from a gas analyser's readings of dry exhaust.",
        inputs: &[CO2, CO, O2, HC, HC_CARBONS, NO, FUEL],
        one_of: &[],
        gives: &[MIXTURE_LAMBDA, MIXTURE_AFR, FUEL_OVER_STOICH],
        formula: &[
            "lambda = {CO2 + CO/2 + O2 + NO/2 + [Hc/4 · 3.5/(3.5 + CO/CO2) − Oc/2] (CO2 + CO)}",
            "         / {(1 + Hc/4 − Oc/2) (CO2 + CO + n HC)}",
            "Hc, Oc: atoms of hydrogen and oxygen for one of carbon; n: hc_carbons; all in volume %",
        ],
        source: "J. Brettschneider, Bosch Technische Berichte 6(4):177–186 (1979); its form from memory, \
                 checked against cantera's equilibrium exhaust",
        example: "--co2-pct 14.7 --co-pct 0.25 --o2-pct 0.35 --hc-ppm 60 --fuel petrol",
        work: exhaust_lambda,
    },
];

fn stoichiometry(given: &Given) -> Result<Worked, Impossible> {
    let fuel = fuel(given, &FUEL)?;
    let mut worked = Worked::of(&[(STOICH_AFR, fuel.stoich_afr)]);
    if let Some(made_of) = fuel.composition {
        worked =
            worked.with(&[(CARBON, made_of.carbon), (HYDROGEN, made_of.hydrogen), (OXYGEN, made_of.oxygen)]);
        if made_of.carbon > 0.0 {
            worked = worked
                .with(&[(H_PER_C, made_of.hydrogen_per_carbon()), (O_PER_C, made_of.oxygen_per_carbon())]);
        }
    }
    if let Some(kg_m3) = fuel.kg_m3 {
        let petrol = Composition::petrol().stoich_afr() * TYPICAL_FUEL_KG_M3;
        let more_pct = (petrol / (fuel.stoich_afr * kg_m3) - 1.0) * 100.0;
        worked = worked.with(&[(FUEL_DENSITY, kg_m3), (VOLUME, more_pct)]);
    }
    Ok(worked)
}

/// How the same mixture reads in every way.
fn readings(lambda: f64, stoich_afr: f64) -> [(Figure, f64); 3] {
    let over_pct = (1.0 / lambda - 1.0) * 100.0;
    [(MIXTURE_LAMBDA, lambda), (MIXTURE_AFR, afr_of_lambda(lambda, stoich_afr)), (FUEL_OVER_STOICH, over_pct)]
}

fn mixture(given: &Given) -> Result<Worked, Impossible> {
    let stoich_afr = fuel(given, &FUEL)?.stoich_afr;
    let from_afr = given.maybe(&AFR).map(|afr| lambda_of_afr(afr, stoich_afr));
    let from_pct = given.maybe(&FUEL_OVER).map(|pct| 1.0 / (1.0 + pct / 100.0));
    let lambda = given.maybe(&LAMBDA).or(from_afr).or(from_pct).unwrap_or(f64::NAN);
    let [own, afr, over] = readings(lambda, stoich_afr);
    let worked = Worked::of(&[
        own,
        (PHI, 1.0 / lambda),
        afr,
        over,
        (AIR_OVER_STOICH, (lambda - 1.0) * 100.0),
        (STOICH_AFR, stoich_afr),
    ]);
    let Some(wanted) = given.maybe(&WANTED) else { return Ok(worked) };
    let change_pct = fuel_change_pct(lambda, wanted);
    let worked = worked.with(&[(FUEL_CHANGE, change_pct), (WANTED_AFR, afr_of_lambda(wanted, stoich_afr))]);
    Ok(worked.caution_if(change_pct < 0.0, || {
        "this takes fuel away: at high load go in small steps and listen for knock".to_owned()
    }))
}

/// So much oxygen and carbon monoxide together, in %, no evenly burnt mixture leaves; common
/// practice, no source.
const UNBURNT_PCT: f64 = 1.0;

fn exhaust_lambda(given: &Given) -> Result<Worked, Impossible> {
    let fuel = fuel(given, &FUEL)?;
    let made_of = fuel.composition.filter(|made_of| made_of.carbon > 0.0).ok_or_else(|| {
        Impossible::new(
            "lambda from exhaust gas needs the fuel's carbon, hydrogen and oxygen",
            "give --fuel by name, blend, formula or mass fractions",
        )
    })?;
    let gas = DryExhaust {
        co2_pct: given.number(&CO2),
        co_pct: given.number(&CO),
        o2_pct: given.number(&O2),
        hc_ppm: given.number(&HC),
        hc_carbons: given.number(&HC_CARBONS),
        no_ppm: given.number(&NO),
    };
    let lambda = exhaust_gas::lambda(&gas, made_of.hydrogen_per_carbon(), made_of.oxygen_per_carbon())
        .ok_or_else(|| Impossible::new("exhaust without CO2 is not burnt", "check the analyser's zero"))?;
    let worked = Worked::of(&readings(lambda, fuel.stoich_afr));
    Ok(worked.caution_if(gas.o2_pct > UNBURNT_PCT && gas.co_pct > UNBURNT_PCT, || {
        "oxygen and carbon monoxide together: false air at the probe, a misfire, or cylinders that differ; \
         with false air lambda reads leaner than the engine runs"
            .to_owned()
    }))
}
