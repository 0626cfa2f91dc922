//! Air, and a reading of its temperature that lies.

use super::input::{Given, Input};
use super::quantity::{HEIGHT, HUMIDITY, NUMBER, PRESSURE, RESISTANCE, TEMPERATURE, TEMPERATURE_STEP};
use super::{Figure, Impossible, Sum, Worked, figure};
use crate::physics::air::{
    REFERENCE_KPA, REFERENCE_TEMP_C, density_altitude_m, dry_density, enrichment_by_bias_pct, moist_density,
    standard_pressure_kpa, vapour_pa,
};
use crate::physics::thermistor::Thermistor;
use crate::units::{plain, signed};

/// Pressure of the air around, where it is.
pub(super) const PRESSURE_KPA: Input = Input::number(
    "pressure_kpa",
    &PRESSURE,
    [30.0, 110.0],
    "absolute pressure of the air here; weather reports give it reduced to sea level",
)
.beware("absolute, not gauge, and not reduced to sea level");
/// Temperature of the air.
pub(super) const AIR_TEMP_C: Input =
    Input::number("air_temp_c", &TEMPERATURE, [-45.0, 60.0], "temperature of the air")
        .beware("write °F behind the number: 75F");
/// Humidity of the air.
pub(super) const HUMIDITY_PCT: Input =
    Input::number("humidity_pct", &HUMIDITY, [0.0, 100.0], "relative humidity in %; 0 is dry air")
        .or("0")
        .beware("50 is half saturated; a fraction is written 0.5fraction");
const ALTITUDE_M: Input =
    Input::number("altitude_m", &HEIGHT, [-500.0, 9000.0], "height above the sea, in place of a pressure")
        .optional();

const BIAS_K: Input = Input::number(
    "bias_k",
    &TEMPERATURE_STEP,
    [-60.0, 60.0],
    "what the device adds to the reading; -10 reads colder",
)
.optional();
const SERIES_OHM: Input =
    Input::number("series_ohm", &RESISTANCE, [1.0, 100_000.0], "a resistor in series with the thermistor")
        .optional();
const SENSOR_OHM: Input = Input::number(
    "sensor_ohm",
    &RESISTANCE,
    [50.0, 500_000.0],
    "the thermistor at 25 °C, for a resistor in series",
)
.optional();
const BETA: Input = Input::number(
    "beta_k",
    &TEMPERATURE_STEP,
    [1000.0, 6000.0],
    "the thermistor's beta, for a resistor in series",
)
.optional();
const FROM_C: Input = Input::number("from_c", &TEMPERATURE, [-45.0, 60.0], "the coldest line").or("-10");
const TO_C: Input = Input::number("to_c", &TEMPERATURE, [-45.0, 60.0], "the warmest line").or("40");
const LINES: Input = Input::number("lines", &NUMBER, [2.0, 50.0], "how many lines").or("6");

const DENSITY: Figure = figure("density_kg_m3", "kg/m³", 4, "density of the air");
const SHARE_OF_REFERENCE: Figure =
    figure("of_reference_pct", "%", 1, "of the density of the reference air, 25 °C and 99 kPa dry");
const DENSITY_ALTITUDE: Figure =
    figure("density_altitude_m", "m", 0, "density altitude: where the standard atmosphere is as thin");
const HERE_KPA: Figure = figure("pressure_kpa", "kPa", 2, "absolute pressure");
const DRY_KPA: Figure = figure("dry_kpa", "kPa", 2, "pressure without the water vapour");
const VAPOUR_KPA: Figure = figure("vapour_kpa", "kPa", 3, "pressure of the water vapour");

const READ_C: Figure = figure("read_c", "°C", 1, "what the controller believes");
const ENRICHMENT: Figure = figure("enrichment_pct", "%", 1, "more fuel than without it, in % of that");
const LEAST: Figure = figure("least_pct", "%", 1, "the least over the lines");
const MOST: Figure = figure("most_pct", "%", 1, "the most over the lines");

/// The columns of the lines.
static LINE: [Figure; 3] = [
    figure("air_temp_c", "°C", 0, "air"),
    figure("read_c", "°C", 1, "believed"),
    figure("enrichment_pct", "%", 1, "more fuel"),
];

/// The sums of this file.
pub(super) static SUMS: [Sum; 2] = [
    Sum {
        name: "air-density",
        about: "Density of the air, density altitude, and how it compares with the reference air.",
        inputs: &[PRESSURE_KPA.optional(), ALTITUDE_M, AIR_TEMP_C, HUMIDITY_PCT],
        one_of: &[&["pressure_kpa", "altitude_m"]],
        gives: &[DENSITY, SHARE_OF_REFERENCE, DENSITY_ALTITUDE, HERE_KPA, DRY_KPA, VAPOUR_KPA],
        formula: &[
            "pv = humidity · 611.2 Pa · exp(17.62 t/(243.12 + t)), t in °C",
            "ρ = (p − pv)/(287.05 T) + pv/(461.5 T), T = t + 273.15",
            "p at a height = 101.325 kPa (1 − 0.0065 h/288.15)^5.2559",
            "density altitude = 288.15/0.0065 (1 − (ρ/1.225)^(1/4.2559))",
        ],
        source: "ideal gases with the Magnus form of WMO, within 0.1 % of CIPM-2007 (Picard et al. 2008); \
                 ISO 2533 for the standard atmosphere",
        example: "--pressure-kpa 98 --air-temp-c 32 --humidity-pct 50",
        work: air_density,
    },
    Sum {
        name: "air-temp-bias",
        about: "What a device that biases the air-temperature reading does to the fuel.",
        inputs: &[BIAS_K, SERIES_OHM, SENSOR_OHM, BETA, AIR_TEMP_C.or("25"), FROM_C, TO_C, LINES],
        one_of: &[&["bias_k", "series_ohm"]],
        gives: &[READ_C, ENRICHMENT, LEAST, MOST],
        formula: &[
            "enrichment = T/T_read − 1, both in K: neither rpm nor load stand in it",
            "T_read = T + bias_k, or what the thermistor plus the resistor is read as:",
            "R = R25 exp(β (1/T − 1/298.15)), 1/T_read = 1/298.15 + ln((R + R_series)/R25)/β",
        ],
        source: "density of a gas at equal pressure goes with 1/T; beta form of thermistors from memory. \
                 Holds where the controller reckons air by density; what it does to spark, idle and warm-up by \
                 air temperature comes on top, and closed loop takes it back out",
        example: "--bias-k -10",
        work: air_temp_bias,
    },
];

fn air_density(given: &Given) -> Result<Worked, Impossible> {
    let at_height = given.maybe(&ALTITUDE_M).map(standard_pressure_kpa);
    let pressure_kpa = given.maybe(&PRESSURE_KPA).or(at_height).unwrap_or(f64::NAN);
    let (temp_c, humidity) = (given.number(&AIR_TEMP_C), given.number(&HUMIDITY_PCT) / 100.0);
    let density = moist_density(pressure_kpa, temp_c, humidity);
    let vapour_kpa = vapour_pa(temp_c, humidity) / 1000.0;
    let reference = dry_density(REFERENCE_KPA, REFERENCE_TEMP_C);
    Ok(Worked::of(&[
        (DENSITY, density),
        (SHARE_OF_REFERENCE, density / reference * 100.0),
        (DENSITY_ALTITUDE, density_altitude_m(density)),
        (HERE_KPA, pressure_kpa),
        (DRY_KPA, pressure_kpa - vapour_kpa),
        (VAPOUR_KPA, vapour_kpa),
    ]))
}

fn air_temp_bias(given: &Given) -> Result<Worked, Impossible> {
    let sensor = match (given.maybe(&SENSOR_OHM), given.maybe(&BETA)) {
        (Some(at_25c_ohm), Some(beta_k)) => Some(Thermistor { at_25c_ohm, beta_k }),
        _ => None,
    };
    if given.maybe(&SERIES_OHM).is_some() && sensor.is_none() {
        return Err(Impossible::new(
            "what a resistor in series does depends on the thermistor",
            "give --sensor-ohm and --beta-k; 2500 and 3500 are often seen (from memory): measure yours",
        ));
    }
    let read_c = |temp_c: f64| match (given.maybe(&BIAS_K), sensor) {
        (None, Some(sensor)) => sensor.read_in_series_c(temp_c, given.number(&SERIES_OHM)),
        (bias_k, _) => temp_c + bias_k.unwrap_or(f64::NAN),
    };
    let (from_c, to_c) = (given.number(&FROM_C), given.number(&TO_C));
    if from_c >= to_c {
        return Err(Impossible::new(
            format!("--from-c {from_c} is not below --to-c {to_c}"),
            "the lines go from cold to warm",
        ));
    }
    let last = given.number(&LINES).floor() - 1.0;
    let lines = (0..=last as u32).map(|i| from_c + (to_c - from_c) * f64::from(i) / last);
    let rows: Vec<Vec<f64>> = lines
        .map(|temp_c| vec![temp_c, read_c(temp_c), enrichment_by_bias_pct(temp_c, read_c(temp_c))])
        .collect();
    let all = rows.iter().map(|row| row[2]);
    let (least, most) =
        all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    let temp_c = given.number(&AIR_TEMP_C);
    let here = enrichment_by_bias_pct(temp_c, read_c(temp_c));
    let worked = Worked { columns: &LINE, rows, ..Worked::default() }.with(&[
        (READ_C, read_c(temp_c)),
        (ENRICHMENT, here),
        (LEAST, least),
        (MOST, most),
    ]);
    Ok(worked
        .caution_if(least.min(here) < 0.0, || {
            "a reading that is too warm leans the whole map, full load included".to_owned()
        })
        .note_if(true, || {
            "neither rpm nor load stand in it: it is nearly the same everywhere in the map, and no ride can tell it \
             from the map itself"
                .to_owned()
        })
        .note_if(true, || {
            format!(
                "fitting or removing it is a new build, which must stand in builds.yaml so that evidence is not mixed: \
                 rideloop build add \"air-temperature bias, {} % fuel at {temp_c} °C\" --air-temp-bias-c {}",
                signed(here, 1),
                plain(((read_c(temp_c) - temp_c) * 10.0).round() / 10.0)
            )
        }))
}
