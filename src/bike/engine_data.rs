//! What a fuel table was made for, and what becomes of it on another engine.
//!
//! The data of two engines and the kind of table enter; one factor for all of its cells leaves,
//! with what it is made of and what was presumed.

use super::config::{Bike, FuelTableKind};
use crate::physics::fuel::{TYPICAL_FUEL_KG_M3, known_density_kg_m3};
use crate::physics::rescale::{Factors, Fuelling, factors, flow_of_all};
use crate::table::LoadAxis;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;

/// What a table's fuel depends on besides the air.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct EngineData {
    /// Displacement of all cylinders, cm³.
    pub displacement_cc: f64,
    /// The injectors: how many, flow of one at the rated pressure in cm³/min, that pressure and
    /// the rail's in kPa; none where they are not known.
    pub injectors: Option<InjectorData>,
    /// Mass of air per mass of fuel at lambda 1.
    pub stoich_afr: f64,
    /// The fuel's name.
    pub fuel: String,
}

/// Injectors, as far as their flow depends on them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct InjectorData {
    /// How many there are.
    pub count: u32,
    /// Flow of one injector at the rated pressure, cm³/min.
    pub flow_cc_min: f64,
    /// Pressure difference at which the flow was rated, kPa.
    pub rated_kpa: f64,
    /// Pressure difference on the bike, kPa.
    pub rail_kpa: f64,
}

impl InjectorData {
    fn flow_of_all(&self) -> f64 {
        flow_of_all(self.count, self.flow_cc_min, self.rated_kpa, self.rail_kpa)
    }
}

impl EngineData {
    /// What bike.yaml says.
    pub fn of(bike: &Bike) -> Self {
        let injectors = bike.injectors.as_ref().map(|injectors| InjectorData {
            count: injectors.count,
            flow_cc_min: injectors.flow_cc_min,
            rated_kpa: injectors.rated_kpa,
            rail_kpa: injectors.rail_kpa,
        });
        Self {
            displacement_cc: bike.engine.displacement_cc,
            injectors,
            stoich_afr: bike.stoich_afr,
            fuel: bike.fuel_name.clone(),
        }
    }

    /// In words, on one line.
    pub fn in_words(&self) -> String {
        let injectors = match self.injectors {
            Some(i) => format!(
                "{} injectors of {} cm³/min at {} kPa, rail {} kPa",
                i.count,
                units::fixed(i.flow_cc_min, 0),
                units::plain(i.rated_kpa),
                units::plain(i.rail_kpa)
            ),
            None => "injectors not named".to_owned(),
        };
        format!(
            "{} cm³, {injectors}, {} (stoichiometric {})",
            units::plain(self.displacement_cc),
            self.fuel,
            units::fixed(self.stoich_afr, 2)
        )
    }
}

/// How the air an engine takes in goes with its displacement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AirTaken {
    /// It grows alike: the same volumetric efficiency.
    Alike,
    /// It stays: heads, cams and throttle let no more through than before.
    Same,
}

/// What becomes of a fuel table on another engine.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Rescaling {
    /// What every cell's fuel is multiplied by, to six decimals; of a trim, 1 + cell/100 is.
    pub factor: f64,
    /// Of that, by displacement.
    pub displacement: f64,
    /// By flow and number of the injectors, and the pressure of the rail.
    pub injectors: f64,
    /// By the air that the fuel needs.
    pub fuel_mass: f64,
    /// By the density of the fuel.
    pub fuel_density: f64,
    /// What was presumed, and what the table leaves out, in words.
    pub presumed: Vec<String>,
}

impl Rescaling {
    /// Why no hardware needs such a factor, in words without a subject; a slip of the pen makes one.
    pub fn beyond_belief(&self) -> Option<String> {
        /// Common practice, no source: from petrol to methanol it is 2.2.
        const FACTORS: [f64; 2] = [0.4, 2.5];
        let [least, most] = FACTORS;
        let fixed = |factor: f64| units::fixed(factor, 3);
        (!(least..=most).contains(&self.factor)).then(|| {
            format!(
                "would be multiplied by {}, and from {least} to {most} is believed: displacement {}, injectors and \
                 pressure {}, air the fuel needs {}, density of the fuel {}",
                fixed(self.factor),
                fixed(self.displacement),
                fixed(self.injectors),
                fixed(self.fuel_mass),
                fixed(self.fuel_density)
            )
        })
    }

    /// What would have to be otherwise than was said for less fuel to be too little, and what to
    /// look at: of each thing that the factor comes from.
    pub fn lean_if(&self) -> (String, String) {
        let parts = [
            (
                self.displacement,
                "the engine gets more air than said",
                "displacement, and what heads, cams and throttle let through",
            ),
            (self.injectors, "the injectors flow less than said", "their flow and the fuel pressure"),
            (self.fuel_mass * self.fuel_density, "the fuel is another than said", "what is in the tank"),
        ];
        let parts: Vec<_> = parts.into_iter().filter(|(factor, ..)| *factor != 1.0).collect();
        let join = |of: fn(&(f64, &'static str, &'static str)) -> &'static str, between: &str| {
            parts.iter().map(of).collect::<Vec<_>>().join(between)
        };
        (join(|part| part.1, ", or "), join(|part| part.2, "; "))
    }
}

/// Works out by what a fuel table is multiplied.
///
/// # Errors
/// Words, where the air that was said to be taken makes no sense for the load axis.
pub fn rescaling(
    kind: FuelTableKind,
    load: LoadAxis,
    [from, to]: [&EngineData; 2],
    air: AirTaken,
) -> Result<Rescaling, String> {
    if air == AirTaken::Same && load == LoadAxis::MapKpa {
        return Err("over manifold pressure the air grows with displacement: at the same pressure a larger \
                    cylinder holds more; leave the same-air option away"
            .to_owned());
    }
    let mut presumed = Vec::new();
    let flows = match (from.injectors, to.injectors) {
        (Some(a), Some(b)) => [a.flow_of_all(), b.flow_of_all()],
        _ => {
            presumed.push("injectors are not named: taken as the same".to_owned());
            [1.0, 1.0]
        }
    };
    let densities = match (known_density_kg_m3(&from.fuel), known_density_kg_m3(&to.fuel)) {
        (Some(a), Some(b)) => [a, b],
        _ => {
            if from.stoich_afr != to.stoich_afr {
                presumed
                    .push("the density of a fuel is known of named fuels only: taken as the same".to_owned());
            }
            [TYPICAL_FUEL_KG_M3; 2]
        }
    };
    let fuelling = |data: &EngineData, i: usize| Fuelling {
        displacement_cc: data.displacement_cc,
        flow_cc_min: flows[i],
        stoich_afr: data.stoich_afr,
        fuel_kg_m3: densities[i],
    };
    let all = factors(&fuelling(from, 0), &fuelling(to, 1));
    let factors = match kind {
        FuelTableKind::VePct => of_ve(all, air, &mut presumed),
        FuelTableKind::PulseWidthMs | FuelTableKind::TrimPct => {
            of_pulse(all, (kind, load, air), &mut presumed)
        }
    };
    // So that the line in the history is short and makes the same table again.
    const DECIMALS: f64 = 1e6;
    Ok(Rescaling {
        factor: (factors.product() * DECIMALS).round() / DECIMALS,
        displacement: factors.displacement,
        injectors: factors.injectors,
        fuel_mass: factors.fuel_mass,
        fuel_density: factors.fuel_density,
        presumed,
    })
}

/// The controller reckons displacement, injectors and fuel itself.
fn of_ve(all: Factors, air: AirTaken, presumed: &mut Vec<String>) -> Factors {
    if all.injectors != 1.0 || all.fuel_mass != 1.0 {
        presumed.push(
            "volumetric efficiency knows neither injectors nor fuel: the controller must be told of the new ones"
                .to_owned(),
        );
    }
    let displacement = match air {
        AirTaken::Alike => 1.0,
        AirTaken::Same => 1.0 / all.displacement,
    };
    if all.displacement != 1.0 {
        presumed.push(match air {
            AirTaken::Alike => "the controller must be told of the new displacement; volumetric efficiency stays \
                                if heads, cams and throttle let as much more through (same air as before: say so, \
                                and it goes down)"
                .to_owned(),
            AirTaken::Same => "the engine is taken to get the same air as before: volumetric efficiency goes with \
                               1/displacement, where the controller is told of the new displacement"
                .to_owned(),
        });
    }
    Factors { displacement, injectors: 1.0, fuel_mass: 1.0, fuel_density: 1.0 }
}

/// The time carries it all; a trim stands on a stock map that knows nothing of it.
fn of_pulse(
    all: Factors,
    (kind, load, air): (FuelTableKind, LoadAxis, AirTaken),
    presumed: &mut Vec<String>,
) -> Factors {
    if kind == FuelTableKind::TrimPct && all.product() != 1.0 {
        presumed.push("the stock map below the trim stays as it is; its dead time too".to_owned());
    }
    if all.injectors != 1.0 {
        presumed.push(
            "the pulse is without dead time: the controller needs the dead time of the new injectors"
                .to_owned(),
        );
    }
    if all.displacement != 1.0 && air == AirTaken::Alike && load == LoadAxis::ThrottlePct {
        presumed.push(
            "air is taken to grow with displacement; at small openings the throttle holds it back, so that the \
             start is rich there when the engine grew, and lean when it shrank"
                .to_owned(),
        );
    }
    match air {
        AirTaken::Alike => all,
        AirTaken::Same => Factors { displacement: 1.0, ..all },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn engine(displacement_cc: f64, flow_cc_min: f64, rail_kpa: f64, fuel: &str) -> EngineData {
        EngineData {
            displacement_cc,
            injectors: Some(InjectorData { count: 2, flow_cc_min, rated_kpa: 300.0, rail_kpa }),
            stoich_afr: crate::physics::fuel::known(fuel).expect("known").stoich_afr(),
            fuel: fuel.to_owned(),
        }
    }

    #[test]
    fn each_kind_of_table_carries_what_its_controller_does_not() {
        let (old, new) = (engine(650.0, 200.0, 300.0, "E10"), engine(700.0, 230.0, 400.0, "E10"));
        let of = |kind, load, air| rescaling(kind, load, [&old, &new], air);
        let [throttle, map] = [LoadAxis::ThrottlePct, LoadAxis::MapKpa];
        // 700/650 · 200/(230 √(4/3)) is 1.076923 · 0.753066 = 0.810994, by hand.
        for kind in [FuelTableKind::PulseWidthMs, FuelTableKind::TrimPct] {
            assert_eq!(of(kind, throttle, AirTaken::Alike).expect("a factor").factor, 0.810_994);
            assert_eq!(of(kind, throttle, AirTaken::Same).expect("a factor").factor, 0.753_066);
            let (lean_if, _) = of(kind, throttle, AirTaken::Same).expect("a factor").lean_if();
            assert_eq!(lean_if, "the injectors flow less than said");
        }
        let ve = |air| of(FuelTableKind::VePct, throttle, air).expect("a factor");
        assert_eq!((ve(AirTaken::Alike).factor, ve(AirTaken::Same).factor), (1.0, 0.928_571));
        let (lean_if, look_at) = ve(AirTaken::Same).lean_if();
        assert_eq!(lean_if, "the engine gets more air than said");
        assert!(!look_at.contains("flow"), "{look_at}");
        assert!(ve(AirTaken::Alike).presumed.len() == 2);
        assert!(of(FuelTableKind::VePct, map, AirTaken::Same).expect_err("no sense").contains("pressure"));
    }

    #[test]
    fn what_is_not_known_is_presumed_and_said() {
        let (old, mut new) = (engine(650.0, 200.0, 300.0, "petrol"), engine(650.0, 200.0, 300.0, "E85"));
        let of = |old: &EngineData, new: &EngineData| {
            rescaling(FuelTableKind::PulseWidthMs, LoadAxis::MapKpa, [old, new], AirTaken::Alike)
                .expect("one")
        };
        let known = of(&old, &new);
        // √(745/786.65) is 0.973167.
        assert!((known.fuel_density - 0.973_167).abs() < 1e-6 && known.presumed.is_empty());
        assert!((1.40..1.55).contains(&known.fuel_mass));
        (new.fuel, new.injectors) = ("stoich_afr 9.8".to_owned(), None);
        let unknown = of(&old, &new);
        assert_eq!((unknown.fuel_density, unknown.injectors, unknown.presumed.len()), (1.0, 1.0, 2));
    }
}
