//! Power at the crank and at the road.

use super::air::{AIR_TEMP_C, HUMIDITY_PCT, PRESSURE_KPA};
use super::input::{Given, Input};
use super::quantity::{ACCELERATION, AREA, DENSITY, MASS, NUMBER, POWER, SHARE, SPEED};
use super::{Figure, Impossible, Sum, Worked, figure};
use crate::physics::air::vapour_pa;
use crate::physics::power::{EU_134_2014_RANGE_K, din_70020, eu_134_2014, sae_j1349};
use crate::physics::road_load::{Going, Laden, forces, power_kw};
use crate::units::{KPH_PER_M_S, kelvin};

/// Power of every sum that needs one.
pub(super) const POWER_KW: Input =
    Input::number("power_kw", &POWER, [0.1, 1000.0], "power at the crank").beware("70 hp is written 70hp");

const MASS_KG: Input = Input::number("mass_kg", &MASS, [50.0, 2000.0], "mass with rider, fuel and bags");
const SPEED_KPH: Input = Input::number("speed_kph", &SPEED, [0.0, 500.0], "road speed");
const CDA_M2: Input = Input::number(
    "cda_m2",
    &AREA,
    [0.05, 3.0],
    "drag coefficient times frontal area; .18 to .70 m² (Cossalter, as quoted elsewhere)",
)
.or("0.5");
const CRR: Input = Input::number(
    "crr",
    &NUMBER,
    [0.001, 0.1],
    "rolling resistance over the weight; .012 to .02, from memory",
)
.or("0.015");
const GRADE_PCT: Input =
    Input::number("grade_pct", &SHARE, [-50.0, 50.0], "slope, rise over run; downhill is negative").or("0");
const HEADWIND_KPH: Input =
    Input::number("headwind_kph", &SPEED, [-200.0, 200.0], "wind against it; from behind is negative")
        .or("0");
const ACCELERATION_M_S2: Input =
    Input::number("acceleration_m_s2", &ACCELERATION, [-15.0, 15.0], "acceleration").or("0");
const ROTATING: Input = Input::number(
    "rotating",
    &NUMBER,
    [1.0, 1.5],
    "mass with that of turning parts over the mass; 1.03 to 1.06, from memory",
)
.or("1.05");
const AIR_KG_M3: Input =
    Input::number("air_kg_m3", &DENSITY, [0.3, 1.7], "density of the air; `air-density` gives it").or("1.2");
const DRIVE_PCT: Input = Input::number(
    "drive_pct",
    &SHARE,
    [50.0, 100.0],
    "of the crank's power that reaches the road; 93 is common practice without a source",
)
.or("93")
.beware("in %: 93, not 0.93");

const SAE: Figure = figure("sae_j1349", "", 4, "factor of SAE J1349");
const EU: Figure = figure("eu_134_2014", "", 4, "factor of Regulation (EU) 134/2014, the form of ISO 1585");
const DIN: Figure = figure("din_70020", "", 4, "factor of DIN 70020");
const SAE_KW: Figure = figure("sae_j1349_kw", "kW", 2, "power corrected by SAE J1349");
const EU_KW: Figure = figure("eu_134_2014_kw", "kW", 2, "power corrected by (EU) 134/2014");
const DIN_KW: Figure = figure("din_70020_kw", "kW", 2, "power corrected by DIN 70020");
const DRY_KPA: Figure = figure("dry_kpa", "kPa", 2, "pressure without the water vapour");

const ENGINE: Figure = figure("engine_kw", "kW", 2, "power at the crank");
const ROAD: Figure = figure("road_kw", "kW", 2, "power at the road; below 0 the bike must be held back");
const ROLLING: Figure = figure("rolling_kw", "kW", 2, "of it for the tyres");
const DRAG: Figure = figure("drag_kw", "kW", 2, "of it for the air");
const SLOPE: Figure = figure("slope_kw", "kW", 2, "of it for the slope");
const INERTIA: Figure = figure("inertia_kw", "kW", 2, "of it for acceleration");
const FORCE: Figure = figure("force_n", "N", 0, "force at the road");

/// The sums of this file.
pub(super) static SUMS: [Sum; 2] = [
    Sum {
        name: "power-correction",
        about: "What the day's air took of a power at full throttle, by three standards.",
        inputs: &[PRESSURE_KPA, AIR_TEMP_C, HUMIDITY_PCT, POWER_KW.optional()],
        one_of: &[],
        gives: &[SAE, EU, DIN, DRY_KPA, SAE_KW, EU_KW, DIN_KW],
        formula: &[
            "SAE J1349: 1.18 (99/p_dry) √((t + 273)/298) − 0.18",
            "(EU) 134/2014: (99/p_dry)^1.2 ((t + 273)/298)^0.6",
            "DIN 70020: (101.3/p) √((t + 273)/293)",
        ],
        source: "SAE J1349 as quoted by secondary pages; (EU) 134/2014, Annex II, appendix 2.2: its reference air was \
                 read, its exponents are from memory (ISO 1585 itself leaves motorcycles out); DIN 70020 from memory. \
                 For full throttle only: fuel is corrected by density",
        example: "--pressure-kpa 98 --air-temp-c 32 --humidity-pct 50 --power-kw 48.5",
        work: power_correction,
    },
    Sum {
        name: "road-load",
        about: "Power that road, air, slope and acceleration ask for.",
        inputs: &[
            MASS_KG,
            SPEED_KPH,
            CDA_M2,
            CRR,
            GRADE_PCT,
            HEADWIND_KPH,
            ACCELERATION_M_S2,
            ROTATING,
            AIR_KG_M3,
            DRIVE_PCT,
        ],
        one_of: &[],
        gives: &[ENGINE, ROAD, ROLLING, DRAG, SLOPE, INERTIA, FORCE],
        formula: &[
            "road = [m g crr cosθ + ½ ρ cda (v + wind)² + m g sinθ + rotating · m · a] v",
            "engine = road/drive, g = 9.81 m/s²",
        ],
        source: "the road-load equation of textbooks, from memory; with the coefficients of 40 CFR 86.529-98 it gives \
                 that table's power",
        example: "--mass-kg 300 --speed-kph 90",
        work: road_load,
    },
];

fn power_correction(given: &Given) -> Result<Worked, Impossible> {
    let (pressure_kpa, temp_c) = (given.number(&PRESSURE_KPA), given.number(&AIR_TEMP_C));
    let dry_kpa = pressure_kpa - vapour_pa(temp_c, given.number(&HUMIDITY_PCT) / 100.0) / 1000.0;
    let factors = [sae_j1349(dry_kpa, temp_c), eu_134_2014(dry_kpa, temp_c), din_70020(pressure_kpa, temp_c)];
    let mut worked =
        Worked::of(&[(SAE, factors[0]), (EU, factors[1]), (DIN, factors[2]), (DRY_KPA, dry_kpa)]);
    if let Some(kw) = given.maybe(&POWER_KW) {
        worked =
            worked.with(&[(SAE_KW, kw * factors[0]), (EU_KW, kw * factors[1]), (DIN_KW, kw * factors[2])]);
    }
    let [cold_k, warm_k] = EU_134_2014_RANGE_K;
    Ok(worked.note_if(!(cold_k..=warm_k).contains(&kelvin(temp_c)), || {
        format!("(EU) 134/2014 lets no measurement count at {temp_c} °C: {cold_k} to {warm_k} K")
    }))
}

fn road_load(given: &Given) -> Result<Worked, Impossible> {
    let bike = Laden {
        mass_kg: given.number(&MASS_KG),
        cda_m2: given.number(&CDA_M2),
        crr: given.number(&CRR),
        rotating: given.number(&ROTATING),
    };
    let speed_m_s = given.number(&SPEED_KPH) / KPH_PER_M_S;
    let going = Going {
        speed_m_s,
        headwind_m_s: given.number(&HEADWIND_KPH) / KPH_PER_M_S,
        grade: given.number(&GRADE_PCT) / 100.0,
        acceleration_m_s2: given.number(&ACCELERATION_M_S2),
        air_kg_m3: given.number(&AIR_KG_M3),
    };
    let against = forces(&bike, &going);
    let kw = |force_n: f64| power_kw(force_n, speed_m_s);
    let road_kw = kw(against.sum_n());
    // Held back, the crank gives nothing; how much engine and brakes take is not asked.
    let engine_kw = (road_kw / (given.number(&DRIVE_PCT) / 100.0)).max(0.0);
    Ok(Worked::of(&[
        (ENGINE, engine_kw),
        (ROAD, road_kw),
        (ROLLING, kw(against.rolling_n)),
        (DRAG, kw(against.drag_n)),
        (SLOPE, kw(against.slope_n)),
        (INERTIA, kw(against.inertia_n)),
        (FORCE, against.sum_n()),
    ]))
}
