//! A fuel as it is typed: a name, a blend, a composition, a formula, or its ratio.

use super::input::{Given, Input};
use super::{Impossible, quantity};
use crate::physics::fuel::{Composition, KNOWN_FUELS, known, known_density_kg_m3};

/// A fuel, as far as it was told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fuel {
    /// kg of air for one of fuel.
    pub stoich_afr: f64,
    /// Its elements; nothing where only its ratio was told.
    pub composition: Option<Composition>,
    /// Its density, where it is made of known fuels.
    pub kg_m3: Option<f64>,
}

/// The ways to tell a fuel, for help and messages.
pub const FUEL_WAYS: [(&str, &str); 5] = [
    ("E10", "a known fuel: petrol, ethanol, methanol, or E0 to E100 by the volume % of ethanol"),
    ("petrol=60,E85=40", "a blend of known fuels, parts by volume"),
    ("carbon=0.84,hydrogen=0.14,oxygen=0.02", "mass fractions, which add up to 1"),
    ("C8H18", "a formula of C, H and O; CH1.85 is petrol"),
    ("14.1:1", "only its stoichiometric ratio by mass, where nothing else is known"),
];

/// Stoichiometric ratios that fuels of C, H and O can have: hydrogen needs 34, carbon
/// monoxide 2.5.
const STOICH_RANGE: [f64; 2] = [2.0, 35.0];
/// How far mass fractions may be from 1 together: what a data sheet's rounding leaves.
const FRACTIONS_OFF: f64 = 0.015;

impl Fuel {
    /// Reads a fuel in one of [`FUEL_WAYS`].
    ///
    /// # Errors
    /// Words on what is not understood, with the ways.
    pub fn read(text: &str) -> Result<Self, String> {
        let text = text.trim();
        if let Some((composition, kg_m3)) = named(text) {
            return Ok(Self {
                stoich_afr: composition.stoich_afr(),
                composition: Some(composition),
                kg_m3: Some(kg_m3),
            });
        }
        if text.contains('=') {
            return parts(text);
        }
        if let Ok(stoich_afr) = quantity::RATIO.read(text) {
            let [low, high] = STOICH_RANGE;
            return match (low..=high).contains(&stoich_afr) {
                true => Ok(Self { stoich_afr, composition: None, kg_m3: None }),
                false => Err(format!("a stoichiometric ratio must be {low} to {high}, got {text}")),
            };
        }
        match formula(text) {
            Some(composition) => Self::of(composition, text),
            None => {
                let ways: Vec<&str> = FUEL_WAYS.iter().map(|(example, _)| *example).collect();
                Err(format!("`{text}` is no known fuel; write it like one of: {}", ways.join(" | ")))
            }
        }
    }

    fn of(composition: Composition, text: &str) -> Result<Self, String> {
        let stoich_afr = composition.stoich_afr();
        if !stoich_afr.is_finite() || stoich_afr <= 0.0 {
            return Err(format!("`{text}` holds nothing that needs air to burn"));
        }
        Ok(Self { stoich_afr, composition: Some(composition), kg_m3: None })
    }
}

/// The fuel a sum is given.
pub(super) fn fuel(given: &Given, input: &Input) -> Result<Fuel, Impossible> {
    given.fuel(input).copied().ok_or_else(|| Impossible::new("no fuel was given", "give it with --fuel"))
}

/// Its density: told, or that of known fuels.
pub(super) fn density_kg_m3(given: &Given, fuel: &Fuel, told: &Input) -> Result<f64, Impossible> {
    given.maybe(told).or(fuel.kg_m3).ok_or_else(|| {
        Impossible::new("the density of this fuel is not known", format!("give it with --{}", told.flag()))
    })
}

/// A fuel known by name, or E and the volume % of ethanol.
fn named(text: &str) -> Option<(Composition, f64)> {
    if let Some(name) = KNOWN_FUELS.into_iter().find(|name| name.eq_ignore_ascii_case(text)) {
        return Some((known(name)?, known_density_kg_m3(name)?));
    }
    let digits = text.strip_prefix(['E', 'e'])?;
    let ethanol_pct = digits.parse::<u8>().ok().filter(|pct| *pct <= 100 && !digits.starts_with('+'))?;
    let part = |name: &str| Some((known(name)?, known_density_kg_m3(name)?));
    let ((petrol, petrol_kg_m3), (ethanol, ethanol_kg_m3)) = (part("petrol")?, part("ethanol")?);
    let vol = f64::from(ethanol_pct) / 100.0;
    Some(Composition::by_volume(&[(1.0 - vol, petrol, petrol_kg_m3), (vol, ethanol, ethanol_kg_m3)]))
}

/// `name=part,…`: mass fractions of elements, or volumes of known fuels.
fn parts(text: &str) -> Result<Fuel, String> {
    let mut read = Vec::new();
    for part in text.split(',') {
        let pair = part.split_once('=').map(|(name, value)| (name.trim(), value.trim().parse::<f64>()));
        match pair {
            Some((name, Ok(value))) if value.is_finite() && value >= 0.0 => read.push((name, value)),
            _ => return Err(format!("`{part}` is not a name and a number from 0 up, such as `ethanol=15`")),
        }
    }
    let mut names: Vec<String> = read.iter().map(|(name, _)| name.to_lowercase()).collect();
    names.sort();
    if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        return Err(format!("`{}` stands there twice", twice[0]));
    }
    let share =
        |wanted: &str| read.iter().find(|(name, _)| name.eq_ignore_ascii_case(wanted)).map(|(_, v)| *v);
    let elements = ["carbon", "hydrogen", "oxygen"];
    if elements.iter().any(|element| share(element).is_some()) {
        if let Some(other) =
            read.iter().find(|(name, _)| !elements.iter().any(|e| e.eq_ignore_ascii_case(name)))
        {
            return Err(format!("`{}` is no element of a fuel; known: {}", other.0, elements.join(", ")));
        }
        let [carbon, hydrogen, oxygen] = elements.map(|element| share(element).unwrap_or_default());
        let sum = carbon + hydrogen + oxygen;
        if (sum - 1.0).abs() > FRACTIONS_OFF {
            return Err(format!("mass fractions must add up to 1, these to {sum:.3}; 86.5 % is 0.865"));
        }
        // What a data sheet's rounding left is shared out.
        return Fuel::of(
            Composition { carbon: carbon / sum, hydrogen: hydrogen / sum, oxygen: oxygen / sum },
            text,
        );
    }
    let mut blend = Vec::new();
    for (name, part) in read {
        let (composition, kg_m3) = named(name).ok_or_else(|| {
            format!("`{name}` is no known fuel; known: {}, E0 to E100", KNOWN_FUELS.join(", "))
        })?;
        blend.push((part, composition, kg_m3));
    }
    let volume: f64 = blend.iter().map(|(part, ..)| part).sum();
    if volume <= 0.0 || !volume.is_finite() {
        return Err("a blend needs a part of more than 0".to_owned());
    }
    let (composition, kg_m3) = Composition::by_volume(&blend);
    Fuel::of(composition, text).map(|fuel| Fuel { kg_m3: Some(kg_m3), ..fuel })
}

/// `C8H18`, `CH1.85`, `C2H5OH`.
fn formula(text: &str) -> Option<Composition> {
    let mut atoms = [0.0; 3];
    let mut rest = text;
    while let Some(element) = rest.chars().next() {
        let place = "CHO".find(element)?;
        rest = &rest[1..];
        let end = rest.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(rest.len());
        let count = if end == 0 { 1.0 } else { rest[..end].parse::<f64>().ok()? };
        atoms[place] += count;
        rest = &rest[end..];
    }
    let [carbon, hydrogen, oxygen] = atoms;
    (carbon + hydrogen > 0.0 && (carbon + hydrogen + oxygen).is_finite())
        .then(|| Composition::from_formula(carbon, hydrogen, oxygen))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn stoich(text: &str) -> f64 {
        Fuel::read(text).unwrap_or_else(|e| panic!("{text}: {e}")).stoich_afr
    }

    #[test]
    fn a_fuel_is_the_same_in_every_way_to_write_it() {
        assert_eq!(stoich("e10"), stoich("E10"));
        assert!((stoich("petrol=90,ethanol=10") - stoich("E10")).abs() < 1e-12);
        assert!((stoich("petrol=0.9, ethanol=0.1") - stoich("E10")).abs() < 1e-12);
        assert!((stoich("CH1.85") - stoich("petrol")).abs() < 1e-12);
        assert!((stoich("C2H5OH") - stoich("ethanol")).abs() < 1e-12);
        assert!((stoich("E100") - stoich("ethanol")).abs() < 1e-12);
        assert_eq!(stoich("14.1:1"), 14.1);
        let e85 = Fuel::read("E85").expect("known").composition.expect("made of elements");
        let told = format!("carbon={},hydrogen={},oxygen={}", e85.carbon, e85.hydrogen, e85.oxygen);
        assert!((stoich(&told) - stoich("E85")).abs() < 1e-9);
        for (example, _) in FUEL_WAYS {
            assert!(stoich(example) > 5.0);
        }
    }

    #[test]
    fn what_is_no_fuel_is_refused_with_the_reason() {
        for (bad, words) in [
            ("diesel", "write it like one of"),
            ("E101", "write it like one of"),
            ("", "write it like one of"),
            ("carbon=86.5,hydrogen=13.5", "86.5 % is 0.865"),
            ("carbon=0.5,sulphur=0.5", "no element"),
            ("petrol=1,petrol=2", "twice"),
            ("petrol=0", "more than 0"),
            ("petrol=-1", "from 0 up"),
            ("petrol=nan", "from 0 up"),
            ("petrol=1,milk=1", "no known fuel"),
            ("147", "2 to 35"),
            ("CO2", "needs air"),
            ("carbon=0,hydrogen=0,oxygen=1", "needs air"),
        ] {
            let error = Fuel::read(bad).expect_err(bad);
            assert!(error.contains(words), "{bad}: {error}");
        }
    }

    proptest! {
        #[test]
        fn no_text_panics_and_what_is_read_burns(text in "\\PC{0,14}|[CHOE0-9.=,:]{0,12}|(petrol|E85|carbon)=[0-9.e]{1,6}(,ethanol=[0-9]{1,3})?") {
            if let Ok(fuel) = Fuel::read(&text) {
                prop_assert!(fuel.stoich_afr.is_finite() && fuel.stoich_afr > 0.0);
            }
        }
    }
}
