//! What a device that biases the air-temperature reading does, for the build that carries it.
//!
//! A bias and the controller enter; the enrichment over temperature leaves, with why it is the same
//! in every cell and why it must be a build.

use crate::bike::{Bike, ClosedLoopMode, Density};
use crate::physics::air::enrichment_by_bias_pct;
use crate::units;
use schemars::JsonSchema;
use serde::Serialize;

/// Air temperatures that the enrichment is told at, °C: frost to a hot day, and the reference air.
const TOLD_AT_C: [f64; 4] = [-10.0, 10.0, 25.0, 40.0];

/// A device that biases the air-temperature reading.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AirTempBias {
    /// What it adds to the reading, °C; 0 where it was removed.
    pub bias_c: f64,
    /// What the device of the build before added, °C; 0 without one.
    pub before_c: f64,
    /// The enrichment over temperature.
    pub enrichment: Vec<BiasAt>,
    /// What to know of it.
    pub notes: Vec<String>,
    /// What can hurt.
    pub cautions: Vec<String>,
}

/// The enrichment at one air temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct BiasAt {
    /// The air, °C.
    pub air_temp_c: f64,
    /// What the controller believes, °C.
    pub read_c: f64,
    /// How much more fuel than without the device, %.
    pub enrichment_pct: f64,
}

/// Works out what a bias does; `None` where there is none and was none.
///
/// # Source
/// Density of a gas at equal pressure goes with 1/T: T/T_read − 1, both in K.
pub(super) fn air_temp_bias(bike: &Bike, before_c: f64, bias_c: f64) -> Option<AirTempBias> {
    if bias_c == 0.0 && before_c == 0.0 {
        return None;
    }
    let at = |air_temp_c: f64| BiasAt {
        air_temp_c,
        read_c: air_temp_c + bias_c,
        enrichment_pct: enrichment_by_bias_pct(air_temp_c, air_temp_c + bias_c),
    };
    let mut notes = vec![
        "it is the same in every cell: neither engine speed nor load stand in the ratio of densities, so that no \
         ride can tell it from the map itself. That is why it is a build: evidence with and without it must not be \
         mixed"
            .to_owned(),
    ];
    let mut cautions = Vec::new();
    match bike.controller.density {
        Density::Controller => notes.push(
            "what the controller does to spark, idle and warm-up by air temperature comes on top, and is not \
             reckoned here"
                .to_owned(),
        ),
        Density::None => cautions.push(
            "bike.yaml says `density: none`: a controller that does not look at air temperature gets no other fuel \
             from this device. Rides are corrected by the air_temp_c that they log, as it stands: where that comes \
             from the biased sensor, every correction is off by these percent; log the true temperature, or leave \
             the channel out"
                .to_owned(),
        ),
    }
    match bike.closed_loop.mode {
        ClosedLoopMode::None => {}
        ClosedLoopMode::TrimLogged | ClosedLoopMode::Unlogged => notes.push(
            "only where the controller runs closed loop it is left out: there the trim takes it back to \
             stoichiometric, and what is learnt there may carry over to the rest of the map"
                .to_owned(),
        ),
    }
    // A controller that looks at no air temperature is not misled by it.
    let acts = bike.controller.density == Density::Controller;
    if acts && bias_c > 0.0 {
        cautions.push(
            "a reading that is too warm leans the whole map, full load included: lambda under load first"
                .to_owned(),
        );
    } else if acts && bias_c > before_c {
        cautions.push(
            "less of a bias than before leans the whole map, full load included: lambda under load first"
                .to_owned(),
        );
    }
    let enrichment = TOLD_AT_C.map(at).to_vec();
    Some(AirTempBias { bias_c, before_c, enrichment, notes, cautions })
}

impl AirTempBias {
    /// In words, on one line.
    pub fn in_words(&self) -> String {
        if self.bias_c == 0.0 {
            return format!(
                "the device that made it read {} °C of what it is is gone, and fuel is what the map says again",
                units::signed(self.before_c, 1)
            );
        }
        let told = self.enrichment.iter().map(|at| {
            format!("{} % at {} °C", units::signed(at.enrichment_pct, 1), units::plain(at.air_temp_c))
        });
        format!(
            "the air reads {} °C of what it is, which gives fuel by {}",
            units::signed(self.bias_c, 1),
            told.collect::<Vec<_>>().join(", ")
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bike::{ClosedLoopMode, Template};
    use std::path::Path;

    #[test]
    fn ten_degrees_colder_enrich_by_more_in_the_cold_and_a_warmer_reading_is_cautioned() {
        let yaml = &Template { closed_loop: ClosedLoopMode::Unlogged, ..Template::default() }.files()[0].text;
        let mut bike = Bike::parse(Path::new("bike.yaml"), yaml).expect("a bike");
        let colder = air_temp_bias(&bike, 0.0, -10.0).expect("a bias");
        // T/(T − 10) − 1 at 263.15, 283.15, 298.15 and 313.15 K, by hand.
        for (at, want) in colder.enrichment.iter().zip([3.950, 3.661, 3.470, 3.299]) {
            assert!((at.enrichment_pct - want).abs() < 1e-3, "{at:?}");
        }
        assert!(colder.cautions.is_empty() && colder.notes.iter().any(|note| note.contains("closed loop")));
        let words = colder.in_words();
        assert!(words.contains("-10.0 °C") && words.contains("+3.5 % at 25 °C"), "{words}");
        assert!(air_temp_bias(&bike, 0.0, 5.0).expect("a bias").cautions[0].contains("too warm"));
        assert!(air_temp_bias(&bike, -10.0, 0.0).expect("removed").cautions[0].contains("less of a bias"));
        let gone = air_temp_bias(&bike, -10.0, 0.0).expect("removed").in_words();
        assert!(gone.contains("-10.0 °C of what it is is gone") && !gone.contains('%'), "{gone}");
        assert_eq!(air_temp_bias(&bike, 0.0, 0.0), None);
        bike.controller.density = Density::None;
        assert!(air_temp_bias(&bike, 0.0, -10.0).expect("a bias").cautions[0].contains("density: none"));
    }
}
