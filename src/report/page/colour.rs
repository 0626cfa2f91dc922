//! The colours of heat tables and surfaces.
//!
//! A value's place on its scale enters, the name of a colour class leaves. There
//! are two published palettes that colour-blind eyes tell apart: PuOr for changes
//! (purple is more fuel, orange is less) and cividis for values. Each is cut into
//! classes, so that a page names a colour with two or three letters. The text on
//! every colour is black or white, whichever stands out more (`report/palette.rs`).

use crate::report::palette;
use colorous::Color;
use std::fmt::Write as _;

/// Classes of the palette of changes: odd, so that the middle one is zero.
pub(super) const CHANGE_CLASSES: usize = 21;
/// Classes of the palette of values.
pub(super) const VALUE_CLASSES: usize = 32;

/// What a colour scale shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Scale {
    /// Changes, in %: symmetric about zero, up to this size.
    Change(f64),
    /// Values between two ends.
    Value(f64, f64),
    /// Amounts from none to this one; few large ones do not hide the small ones, since the
    /// colour follows the square root.
    Root(f64),
}

impl Scale {
    /// A scale of changes that holds them all; its end is a round number.
    pub fn of_changes(changes: impl Iterator<Item = f64>) -> Self {
        /// Ends that are easy to read, %; beyond the last one colours stay the same.
        const ENDS_PCT: [f64; 9] = [1.0, 2.0, 3.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0];
        let most = changes.filter(|c| c.is_finite()).fold(0.0, |most: f64, c| most.max(c.abs()));
        Scale::Change(ENDS_PCT.into_iter().find(|end| most <= *end).unwrap_or(ENDS_PCT[ENDS_PCT.len() - 1]))
    }

    /// A scale of values that holds them all.
    pub fn of_values(values: impl Iterator<Item = f64>) -> Self {
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        if low <= high { Scale::Value(low, high) } else { Scale::Value(0.0, 1.0) }
    }

    /// A scale of amounts that holds them all.
    pub fn of_amounts(amounts: impl Iterator<Item = f64>) -> Self {
        Scale::Root(amounts.filter(|a| a.is_finite()).fold(0.0, f64::max))
    }

    /// The colour class of a value; none for a change of nothing, which stays uncoloured.
    pub fn class(self, value: f64) -> Option<String> {
        let place = |share: f64, classes: usize| {
            let last = (classes - 1) as f64;
            (share.clamp(0.0, 1.0) * last).round() as usize
        };
        match self {
            _ if !value.is_finite() => None,
            Scale::Change(_) if value == 0.0 => None,
            Scale::Change(most) => Some(format!("c{}", place((value / most + 1.0) / 2.0, CHANGE_CLASSES))),
            Scale::Root(most) => Some(format!(
                "v{}",
                place(if most > 0.0 { (value / most).sqrt() } else { 0.0 }, VALUE_CLASSES)
            )),
            Scale::Value(low, high) if low == high => Some(format!("v{}", VALUE_CLASSES / 2)),
            Scale::Value(low, high) => {
                Some(format!("v{}", place((value - low) / (high - low), VALUE_CLASSES)))
            }
        }
    }
}

/// The colours of changes, from least fuel to most.
fn change_colours() -> Vec<Color> {
    shares(CHANGE_CLASSES).map(|share| palette::of_change(2.0 * share - 1.0, 1.0)).collect()
}

/// The colours of values, from lowest to highest.
fn value_colours() -> Vec<Color> {
    shares(VALUE_CLASSES).map(palette::of_share).collect()
}

/// Evenly from 0 to 1.
fn shares(classes: usize) -> impl Iterator<Item = f64> {
    (0..classes).map(move |i| i as f64 / (classes - 1) as f64)
}

/// A palette as the stops of a surface's colour scale.
pub(super) fn stops(changes: bool) -> Vec<(f64, String)> {
    let colours = if changes { change_colours() } else { value_colours() };
    let last = (colours.len() - 1) as f64;
    colours.into_iter().enumerate().map(|(i, c)| (i as f64 / last, format!("#{c:x}"))).collect()
}

/// The style rules of all classes.
pub(super) fn css() -> String {
    let mut text = String::new();
    for (name, colours) in [("c", change_colours()), ("v", value_colours())] {
        for (i, colour) in colours.into_iter().enumerate() {
            let _ =
                writeln!(text, ".{name}{i}{{background:#{colour:x};color:#{:x}}}", palette::ink_on(colour));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_fuel_is_purple_less_is_orange_and_nothing_has_no_colour() {
        let scale = Scale::of_changes([-4.0, 2.5].into_iter());
        assert_eq!(scale, Scale::Change(5.0));
        assert_eq!(scale.class(0.0), None);
        assert_eq!(scale.class(99.0).as_deref(), Some("c20"));
        assert_eq!(scale.class(-5.0).as_deref(), Some("c0"));
        let colours = change_colours();
        assert!(colours[20].b > colours[20].r && colours[0].r > colours[0].b);
        let middle = colours[CHANGE_CLASSES / 2];
        assert!(middle.r > 230 && middle.g > 230 && middle.b > 230, "#{middle:x}");
    }

    #[test]
    fn a_table_of_one_value_has_a_colour() {
        let scale = Scale::of_values([3.0, 3.0].into_iter());
        assert_eq!(scale.class(3.0).as_deref(), Some("v16"));
        assert_eq!(Scale::of_values(std::iter::empty()), Scale::Value(0.0, 1.0));
    }
}
