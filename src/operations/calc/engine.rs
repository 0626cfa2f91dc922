//! Bore, stroke, compression, piston speed.

use super::input::{Given, Input, Kind};
use super::quantity::{ENGINE_SPEED, LENGTH, RATIO, VOLUME};
use super::{Figure, Impossible, Sum, Worked, figure};
use crate::physics::engine::{
    clearance_cc, compression_ratio, disc_cc, mean_piston_speed_m_s, peak_piston_acceleration_m_s2,
};
use crate::units::M_S2_PER_G;

const BORE_MM: Input = Input::number("bore_mm", &LENGTH, [10.0, 300.0], "bore");
const STROKE_MM: Input = Input::number("stroke_mm", &LENGTH, [10.0, 300.0], "stroke");
const CYLINDERS: Input = Input::new("cylinders", Kind::Whole { low: 1, high: 16 }, "number of cylinders");
const CHAMBER_CC: Input =
    Input::number("chamber_cc", &VOLUME, [0.5, 1000.0], "combustion chamber in the head").optional();
const WANTED_RATIO: Input = Input::number(
    "wanted_ratio",
    &RATIO,
    [1.5, 30.0],
    "the compression ratio it should be; gives the chamber for it",
)
.optional()
.beware("a ratio is above 1: 11.5, or 11.5:1");
const GASKET_MM: Input =
    Input::number("gasket_mm", &LENGTH, [0.0, 10.0], "thickness of the head gasket, pressed").or("0");
const GASKET_BORE_MM: Input =
    Input::number("gasket_bore_mm", &LENGTH, [10.0, 320.0], "its hole; without it the bore").optional();
const DECK_MM: Input = Input::number(
    "deck_mm",
    &LENGTH,
    [-10.0, 10.0],
    "how far the piston's edge stays below the cylinder's; above it is negative",
)
.or("0");
const DOME_CC: Input =
    Input::number("dome_cc", &VOLUME, [-500.0, 500.0], "volume of the piston's dome; a dish is negative")
        .or("0");
const RPM: Input = Input::number("rpm", &ENGINE_SPEED, [10.0, 30_000.0], "engine speed");
const ROD_MM: Input =
    Input::number("rod_mm", &LENGTH, [20.0, 1000.0], "connecting rod, from eye to eye").optional();

const CYLINDER: Figure = figure("cylinder_cc", "cm³", 1, "displacement of one cylinder");
const DISPLACEMENT: Figure = figure("displacement_cc", "cm³", 1, "displacement of the engine");
const BORE_OVER_STROKE: Figure = figure("bore_over_stroke", "", 3, "bore over stroke");
const RATIO_IS: Figure = figure("compression_ratio", ":1", 2, "compression ratio");
const CLEARANCE: Figure = figure("clearance_cc", "cm³", 2, "all that is left above the piston at the top");
const CHAMBER: Figure = figure("chamber_cc", "cm³", 2, "combustion chamber in the head");
const MEAN_SPEED: Figure = figure("mean_piston_speed_m_s", "m/s", 2, "mean piston speed");
const PEAK_ACCELERATION: Figure =
    figure("peak_acceleration_m_s2", "m/s²", 0, "acceleration of the piston at top dead centre");
const PEAK_G: Figure = figure("peak_acceleration_g", "g", 0, "the same in standard gravities");

/// The sums of this file.
pub(super) static SUMS: [Sum; 3] = [
    Sum {
        name: "displacement",
        about: "Displacement from bore, stroke and cylinders.",
        inputs: &[BORE_MM, STROKE_MM, CYLINDERS],
        one_of: &[],
        gives: &[DISPLACEMENT, CYLINDER, BORE_OVER_STROKE],
        formula: &["displacement = π/4 · bore² · stroke · cylinders"],
        source: "geometry",
        example: "--bore-mm 82.5 --stroke-mm 65.5 --cylinders 2",
        work: displacement,
    },
    Sum {
        name: "compression",
        about: "Compression ratio of a chamber, or the chamber for a ratio.",
        inputs: &[BORE_MM, STROKE_MM, CHAMBER_CC, WANTED_RATIO, GASKET_MM, GASKET_BORE_MM, DECK_MM, DOME_CC],
        one_of: &[&["chamber_cc", "wanted_ratio"]],
        gives: &[RATIO_IS, CHAMBER, CLEARANCE, CYLINDER],
        formula: &[
            "ratio = (cylinder + clearance)/clearance",
            "clearance = chamber + gasket + deck − dome, the gasket and the deck as discs",
        ],
        source: "the definition of the geometric ratio; what the cylinder traps depends on the valves' closing",
        example: "--bore-mm 82.5 --stroke-mm 65.5 --chamber-cc 30 --gasket-mm 0.6 --deck-mm 0.2",
        work: compression,
    },
    Sum {
        name: "piston-speed",
        about: "Mean piston speed, and with the rod's length the largest acceleration.",
        inputs: &[STROKE_MM, RPM, ROD_MM],
        one_of: &[],
        gives: &[MEAN_SPEED, PEAK_ACCELERATION, PEAK_G],
        formula: &[
            "mean speed = 2 · stroke · rpm/60",
            "peak acceleration = r ω² (1 + r/l), r half the stroke, l the rod",
        ],
        source: "definition; the slider-crank's travel derived twice at top dead centre",
        example: "--stroke-mm 65.5 --rpm 8200 --rod-mm 120",
        work: piston_speed,
    },
];

fn displacement(given: &Given) -> Result<Worked, Impossible> {
    let (bore, stroke) = (given.number(&BORE_MM), given.number(&STROKE_MM));
    let cylinder = disc_cc(bore, stroke);
    Ok(Worked::of(&[
        (DISPLACEMENT, cylinder * given.number(&CYLINDERS)),
        (CYLINDER, cylinder),
        (BORE_OVER_STROKE, bore / stroke),
    ]))
}

fn compression(given: &Given) -> Result<Worked, Impossible> {
    let bore = given.number(&BORE_MM);
    let cylinder = disc_cc(bore, given.number(&STROKE_MM));
    let gasket = disc_cc(given.maybe(&GASKET_BORE_MM).unwrap_or(bore), given.number(&GASKET_MM));
    let beside = gasket + disc_cc(bore, given.number(&DECK_MM)) - given.number(&DOME_CC);
    let wanted = given.maybe(&WANTED_RATIO).map(|ratio| clearance_cc(cylinder, ratio));
    let chamber = match (given.maybe(&CHAMBER_CC), wanted) {
        (Some(chamber), _) => chamber,
        (None, wanted) => wanted.unwrap_or(f64::NAN) - beside,
    };
    let clearance = chamber + beside;
    if clearance <= 0.0 || chamber <= 0.0 {
        return Err(Impossible::new(
            format!(
                "no room is left: a chamber of {chamber:.2} cm³ and {clearance:.2} cm³ above the piston at the top"
            ),
            "check the signs: a piston above the deck and a dish are negative, a dome is positive",
        ));
    }
    let worked = Worked::of(&[
        (RATIO_IS, compression_ratio(cylinder, clearance)),
        (CHAMBER, chamber),
        (CLEARANCE, clearance),
        (CYLINDER, cylinder),
    ]);
    Ok(worked.caution_if(true, || {
        "more compression knocks sooner: spark and fuel of another ratio do not fit, and it is a new build".to_owned()
    }))
}

fn piston_speed(given: &Given) -> Result<Worked, Impossible> {
    let (stroke, rpm) = (given.number(&STROKE_MM), given.number(&RPM));
    let worked = Worked::of(&[(MEAN_SPEED, mean_piston_speed_m_s(stroke, rpm))]);
    let Some(rod) = given.maybe(&ROD_MM) else { return Ok(worked) };
    if rod <= stroke / 2.0 {
        return Err(Impossible::new(
            format!("a rod of {rod} mm cannot go round a stroke of {stroke} mm"),
            "it is longer than half the stroke; usual is 1.5 to 2.2 strokes (common practice, no source)",
        ));
    }
    let peak = peak_piston_acceleration_m_s2(stroke, rod, rpm);
    Ok(worked.with(&[(PEAK_ACCELERATION, peak), (PEAK_G, peak / M_S2_PER_G)]))
}
