//! Injectors: flow, dead time, pulse width, duty, size; and the pump that feeds them.

use super::air::AIR_TEMP_C;
use super::fuel_text::{Fuel, density_kg_m3, fuel};
use super::input::{Given, Input, Kind};
use super::mixture::{FUEL, LAMBDA};
use super::power::POWER_KW;
use super::quantity::{CONSUMPTION, DENSITY, DURATION, ENGINE_SPEED, FLOW, PRESSURE, SHARE, VOLTAGE, VOLUME};
use super::{Figure, Impossible, Sum, Worked, figure};
use crate::physics::air::cylinder_air_g;
use crate::physics::fuel_system::specific_of_fuel;
use crate::physics::injector::{
    USUAL_DUTY_LIMIT_PCT, dead_time_ms, duty_pct, effective_pulse_ms, flow_at_pressure, flow_for_fuel_cc_min,
    fuel_for_air, mass_flow_g_s, period_ms,
};
use crate::physics::power::fuel_kg_h;

const FLOW_CC_MIN: Input =
    Input::number("flow_cc_min", &FLOW, [10.0, 5000.0], "flow of one injector held open, by volume");
const RATED_KPA: Input = Input::number(
    "rated_kpa",
    &PRESSURE,
    [50.0, 2000.0],
    "pressure across the injector at which the flow was measured",
);
const ACTUAL_KPA: Input = Input::number(
    "actual_kpa",
    &PRESSURE,
    [50.0, 2000.0],
    "pressure across it now: rail above the port it sprays into",
)
.beware("43.5 psi are 300 kPa: write the unit behind the number");
const FUEL_KG_M3: Input =
    Input::number("fuel_kg_m3", &DENSITY, [500.0, 1200.0], "density of the fuel; without it that of --fuel")
        .optional()
        .beware("0.745 is written 0.745kg/l");
const PULSE_MS: Input =
    Input::number("pulse_width_ms", &DURATION, [0.1, 100.0], "pulse width, dead time included");
const RPM: Input = Input::number("rpm", &ENGINE_SPEED, [100.0, 25_000.0], "engine speed");
const STROKES: Input =
    Input::new("strokes", Kind::Choice(&[2, 4]), "strokes of a cycle; one injection a cycle").or("4");
const DUTY_LIMIT: Input =
    Input::number("duty_limit_pct", &SHARE, [10.0, 100.0], "the most of the time an injector may be open")
        .or("85")
        .beware("in %: 85, not 0.85");
const POINTS: Input =
    Input::new("dead_times", Kind::DeadTimes, "battery volts and ms, such as 10:1.35,12:1.02,14:0.80");
const BATTERY_V: Input = Input::number("battery_v", &VOLTAGE, [5.0, 20.0], "battery voltage while running");
const DEAD_MS: Input =
    Input::number("dead_time_ms", &DURATION, [0.0, 10.0], "dead time; `dead-time` gives it by voltage")
        .beware("in ms; a value in µs is written 900us");
const VE_PCT: Input =
    Input::number("ve_pct", &SHARE, [5.0, 200.0], "how well the cylinder fills, % of manifold air")
        .beware("in %: 85, not 0.85");
const MANIFOLD_KPA: Input =
    Input::number("manifold_kpa", &PRESSURE, [5.0, 400.0], "absolute pressure in the manifold")
        .beware("absolute, not gauge");
const CYLINDER_CC: Input =
    Input::number("cylinder_cc", &VOLUME, [10.0, 3000.0], "displacement of one cylinder");
const SPECIFIC: Input = Input::number(
    "specific_g_kwh",
    &CONSUMPTION,
    [180.0, 800.0],
    "fuel for each kWh at full power; without it 330 on petrol, and of another fuel by the air that it needs, which is common practice without a source",
)
.optional()
.beware("0.5 lb for each hp and hour is written 0.5lb/hph");
const INJECTORS: Input =
    Input::new("injectors", Kind::Whole { low: 1, high: 16 }, "injectors that share the fuel");
const RESERVE: Input = Input::number(
    "reserve_pct",
    &SHARE,
    [0.0, 200.0],
    "what the pump should give on top; 25 is common practice without a source",
)
.or("25");

const FLOW_NOW: Figure = figure("flow_cc_min", "cm³/min", 1, "flow of one injector at that pressure");
const FLOW_CHANGE: Figure = figure("flow_change_pct", "%", 1, "change of flow, in % of the rated");
const PULSE_FACTOR: Figure =
    figure("pulse_factor", "", 4, "what effective pulse widths are multiplied by for the same fuel");
const MASS_FLOW: Figure = figure("flow_g_s", "g/s", 3, "mass flow of one injector");
const DEAD_TIME: Figure = figure("dead_time_ms", "ms", 3, "dead time at this voltage");
const SLOPE: Figure = figure("slope_ms_v", "ms/V", 3, "change of it with the voltage");
const EFFECTIVE: Figure = figure("effective_ms", "ms", 3, "effective pulse width, dead time excluded");
const ONE_TENTH: Figure =
    figure("fuel_by_0_1_ms_pct", "%", 2, "fuel that a dead time wrong by 0.1 ms is worth, in % of the fuel");
const AIR_MG: Figure = figure("air_mg", "mg", 1, "air trapped by one cylinder in a cycle");
const FUEL_MG: Figure = figure("fuel_mg", "mg", 2, "fuel for it");
const PULSE: Figure = figure("pulse_width_ms", "ms", 2, "pulse width, dead time included");
const PERIOD: Figure = figure("period_ms", "ms", 2, "time of one cycle");
const DUTY: Figure = figure("duty_pct", "%", 1, "duty: the share of the time it is commanded open");
const LONGEST: Figure = figure("longest_ms", "ms", 2, "the longest pulse width within the limit");
const FUEL_H: Figure = figure("fuel_kg_h", "kg/h", 2, "fuel at this power");
const FUEL_L_H: Figure = figure("fuel_l_h", "l/h", 1, "the same by volume");
const SIZE: Figure =
    figure("flow_needed_cc_min", "cm³/min", 0, "flow that each injector needs, at the pressure it will have");
const PUMP: Figure = figure("pump_l_h", "l/h", 1, "flow that the pump needs with the reserve");

/// The sums of this file.
pub(super) static SUMS: [Sum; 6] = [
    Sum {
        name: "injector-flow",
        about: "Flow of an injector at another pressure, by volume and mass.",
        inputs: &[FLOW_CC_MIN, RATED_KPA.or("300"), ACTUAL_KPA, FUEL, FUEL_KG_M3],
        one_of: &[],
        gives: &[FLOW_NOW, FLOW_CHANGE, PULSE_FACTOR, MASS_FLOW],
        formula: &["flow = rated flow · √(actual_kpa/rated_kpa)", "pulse_factor = √(rated_kpa/actual_kpa)"],
        source: "flow through an orifice (Bernoulli); the dead time changes with pressure too, which this does not know",
        example: "--flow-cc-min 230 --rated-kpa 300 --actual-kpa 43.5psi",
        work: injector_flow,
    },
    Sum {
        name: "dead-time",
        about: "Dead time of an injector at a battery voltage, between measured points.",
        inputs: &[POINTS, BATTERY_V, PULSE_MS.optional()],
        one_of: &[],
        gives: &[DEAD_TIME, SLOPE, EFFECTIVE, ONE_TENTH],
        formula: &["linear between the points, held beyond them", "effective = pulse width − dead time"],
        source: "interpolation as controllers do it, common practice, no source",
        example: "--dead-times 10:1.35,12:1.02,14:0.80 --battery-v 13.2 --pulse-width-ms 3.1",
        work: dead_time,
    },
    Sum {
        name: "pulse-width",
        about: "Pulse width and duty from the air a cylinder traps.",
        inputs: &[
            VE_PCT,
            MANIFOLD_KPA,
            CYLINDER_CC,
            AIR_TEMP_C,
            LAMBDA,
            FLOW_CC_MIN,
            DEAD_MS,
            RPM,
            STROKES,
            FUEL,
            FUEL_KG_M3,
        ],
        one_of: &[],
        gives: &[AIR_MG, FUEL_MG, MASS_FLOW, EFFECTIVE, PULSE, DUTY],
        formula: &[
            "air = ve · p · V/(287.05 T)",
            "fuel = air/(lambda · stoich_afr)",
            "pulse width = fuel/flow + dead time; duty = pulse width/period",
        ],
        source: "speed-density equation, Hendricks and Sorenson, SAE 900616 (1990)",
        example: "--ve-pct 85 --manifold-kpa 90 --cylinder-cc 350 --air-temp-c 35 --lambda 0.9 \
                  --flow-cc-min 230 --dead-time-ms 0.9 --rpm 6000",
        work: pulse_width,
    },
    Sum {
        name: "injector-duty",
        about: "Duty of an injector at a pulse width and engine speed, and what is left.",
        inputs: &[PULSE_MS, RPM, STROKES, DUTY_LIMIT],
        one_of: &[],
        gives: &[DUTY, PERIOD, LONGEST],
        formula: &[
            "period = 120 000 ms/rpm (four strokes), 60 000 ms/rpm (two)",
            "duty = pulse width/period",
        ],
        source: "one injection a cycle; the limit of about 85 % from an injector service's glossary",
        example: "--pulse-width-ms 12.4 --rpm 8200",
        work: injector_duty,
    },
    Sum {
        name: "injector-size",
        about: "Injector size for a target power.",
        inputs: &[POWER_KW, SPECIFIC, INJECTORS, DUTY_LIMIT, FUEL, FUEL_KG_M3],
        one_of: &[],
        gives: &[SIZE, FUEL_H],
        formula: &[
            "fuel = power · specific consumption, usually 330 g/kWh · stoichiometric ratio of petrol/that of the fuel",
            "flow = fuel/(density · injectors · duty limit)",
        ],
        source: "definition of specific consumption; its value is common practice, no source: give your own where \
                 you know it",
        example: "--power-kw 52 --injectors 2",
        work: injector_size,
    },
    Sum {
        name: "fuel-pump",
        about: "Fuel pump flow for a target power.",
        inputs: &[POWER_KW, SPECIFIC, RESERVE, FUEL, FUEL_KG_M3],
        one_of: &[],
        gives: &[PUMP, FUEL_L_H, FUEL_H],
        formula: &[
            "fuel = power · specific consumption, usually 330 g/kWh · stoichiometric ratio of petrol/that of the fuel",
            "pump = fuel/density · (1 + reserve)",
        ],
        source: "definition of specific consumption; its value and the reserve are common practice, no source",
        example: "--power-kw 70hp",
        work: fuel_pump,
    },
];

fn injector_flow(given: &Given) -> Result<Worked, Impossible> {
    let density = density_kg_m3(given, &fuel(given, &FUEL)?, &FUEL_KG_M3)?;
    let (rated, actual) = (given.number(&RATED_KPA), given.number(&ACTUAL_KPA));
    let rated_flow = given.number(&FLOW_CC_MIN);
    let flow = flow_at_pressure(rated_flow, rated, actual);
    let worked = Worked::of(&[
        (FLOW_NOW, flow),
        (FLOW_CHANGE, (flow / rated_flow - 1.0) * 100.0),
        (PULSE_FACTOR, rated_flow / flow),
        (MASS_FLOW, mass_flow_g_s(flow, density)),
    ]);
    Ok(worked
        .caution_if(actual < rated, || "less flow leans the whole map until pulse widths follow".to_owned()))
}

fn dead_time(given: &Given) -> Result<Worked, Impossible> {
    let (points, volts) = (given.points(&POINTS), given.number(&BATTERY_V));
    let dead_ms = dead_time_ms(points, volts);
    let inside = points.windows(2).find(|pair| pair[0].0 <= volts && volts <= pair[1].0);
    let slope = inside.map_or(0.0, |pair| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0));
    let mut worked = Worked::of(&[(DEAD_TIME, dead_ms), (SLOPE, slope)]);
    if let Some(pulse_ms) = given.maybe(&PULSE_MS) {
        let effective_ms = pulse_ms - dead_ms;
        if effective_ms <= 0.0 {
            return Err(Impossible::new(
                format!("a pulse of {pulse_ms} ms is all dead time ({dead_ms:.3} ms): no fuel flows"),
                "give the pulse width with the dead time included",
            ));
        }
        const TENTH_MS: f64 = 0.1;
        worked = worked.with(&[(EFFECTIVE, effective_ms), (ONE_TENTH, TENTH_MS / effective_ms * 100.0)]);
    }
    Ok(worked
        .note_if(inside.is_none(), || format!("{volts} V is beyond the points; the nearest one is held")))
}

/// What to say of a duty that is too long.
fn of_duty(worked: Worked, duty: f64, limit: f64) -> Worked {
    const ALWAYS_PCT: f64 = 100.0;
    worked
        .caution_if(duty >= ALWAYS_PCT, || {
            "it would have to be open all the time: the fuel is not there, the engine runs lean at load"
                .to_owned()
        })
        .caution_if(duty > limit && duty < ALWAYS_PCT, || {
            format!("beyond {limit} % it may no longer close in time: lean, or uneven, at load")
        })
}

fn pulse_width(given: &Given) -> Result<Worked, Impossible> {
    let fuel = fuel(given, &FUEL)?;
    let flow_g_s = mass_flow_g_s(given.number(&FLOW_CC_MIN), density_kg_m3(given, &fuel, &FUEL_KG_M3)?);
    let ve = given.number(&VE_PCT) / 100.0;
    let air_g = cylinder_air_g(
        ve,
        given.number(&MANIFOLD_KPA),
        given.number(&CYLINDER_CC),
        given.number(&AIR_TEMP_C),
    );
    let fuel_g = fuel_for_air(air_g, given.number(&LAMBDA), fuel.stoich_afr);
    let effective_ms = effective_pulse_ms(fuel_g, flow_g_s);
    let pulse_ms = effective_ms + given.number(&DEAD_MS);
    let duty = duty_pct(pulse_ms, given.number(&RPM), given.whole(&STROKES));
    const MG_PER_G: f64 = 1000.0;
    let worked = Worked::of(&[
        (AIR_MG, air_g * MG_PER_G),
        (FUEL_MG, fuel_g * MG_PER_G),
        (MASS_FLOW, flow_g_s),
        (EFFECTIVE, effective_ms),
        (PULSE, pulse_ms),
        (DUTY, duty),
    ]);
    Ok(of_duty(worked, duty, USUAL_DUTY_LIMIT_PCT))
}

fn injector_duty(given: &Given) -> Result<Worked, Impossible> {
    let (rpm, strokes) = (given.number(&RPM), given.whole(&STROKES));
    let (limit, period) = (given.number(&DUTY_LIMIT), period_ms(rpm, strokes));
    let duty = duty_pct(given.number(&PULSE_MS), rpm, strokes);
    let worked = Worked::of(&[(DUTY, duty), (PERIOD, period), (LONGEST, period * limit / 100.0)]);
    Ok(of_duty(worked, duty, limit))
}

/// Fuel for the target power, kg/h.
fn fuel_for_power(given: &Given, fuel: &Fuel) -> f64 {
    /// On petrol. Common practice, no source.
    const USUAL_G_KWH: f64 = 330.0;
    let usual = || specific_of_fuel(USUAL_G_KWH, fuel.stoich_afr);
    fuel_kg_h(given.number(&POWER_KW), given.maybe(&SPECIFIC).unwrap_or_else(usual))
}

fn injector_size(given: &Given) -> Result<Worked, Impossible> {
    let fuel = fuel(given, &FUEL)?;
    let density = density_kg_m3(given, &fuel, &FUEL_KG_M3)?;
    let kg_h = fuel_for_power(given, &fuel);
    let size = flow_for_fuel_cc_min(kg_h, density, given.whole(&INJECTORS), given.number(&DUTY_LIMIT));
    Ok(Worked::of(&[(SIZE, size), (FUEL_H, kg_h)]))
}

fn fuel_pump(given: &Given) -> Result<Worked, Impossible> {
    let fuel = fuel(given, &FUEL)?;
    let density = density_kg_m3(given, &fuel, &FUEL_KG_M3)?;
    let kg_h = fuel_for_power(given, &fuel);
    const L_PER_M3: f64 = 1000.0;
    let l_h = kg_h / density * L_PER_M3;
    let pump_l_h = l_h * (1.0 + given.number(&RESERVE) / 100.0);
    let worked = Worked::of(&[(PUMP, pump_l_h), (FUEL_L_H, l_h), (FUEL_H, kg_h)]);
    Ok(worked.note_if(true, || {
        "at the pressure of the rail and the lowest battery voltage at full load".to_owned()
    }))
}
