//! Colours of heat maps: published palettes that colour-blind eyes can read.
//!
//! Numbers and marks say the same; colour only guides the eye.

use colorous::{CIVIDIS, Color, PURPLE_ORANGE};

/// The colour of a change: purple for more fuel, orange for less, white for none;
/// full at `largest`.
///
/// # Source
/// ColorBrewer 2.0, PuOr (C. Brewer, M. Harrower, Pennsylvania State University).
pub(super) fn of_change(change_pct: f64, largest_pct: f64) -> Color {
    let share = if largest_pct > 0.0 { (change_pct / largest_pct).clamp(-1.0, 1.0) } else { 0.0 };
    // The crate's gradient begins with purple.
    PURPLE_ORANGE.eval_continuous(0.5 - share / 2.0)
}

/// The colour of a share from 0 (dark) to 1 (light).
///
/// # Source
/// cividis: J. Nuñez, C. Anderton, R. Renslow (2018), "Optimizing colormaps with
/// consideration for color vision deficiency", PLoS ONE 13(7).
pub(super) fn of_share(share: f64) -> Color {
    CIVIDIS.eval_continuous(share.clamp(0.0, 1.0))
}

/// Black or white, whichever reads better on a colour.
pub(super) fn ink_on(paper: Color) -> Color {
    let black = Color { r: 0, g: 0, b: 0 };
    let white = Color { r: 255, g: 255, b: 255 };
    if contrast(black, paper) >= contrast(white, paper) { black } else { white }
}

/// The contrast of two colours, 1 to 21.
///
/// # Source
/// W3C, Web Content Accessibility Guidelines 2.2, "contrast ratio" and "relative
/// luminance", with the threshold 0.04045 of IEC 61966-2-1.
pub(super) fn contrast(a: Color, b: Color) -> f64 {
    const FLARE: f64 = 0.05;
    let (a, b) = (luminance(a) + FLARE, luminance(b) + FLARE);
    a.max(b) / a.min(b)
}

fn luminance(color: Color) -> f64 {
    let linear = |channel: u8| {
        let c = f64::from(channel) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * linear(color.r) + 0.7152 * linear(color.g) + 0.0722 * linear(color.b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn black_on_white_has_the_contrast_that_wcag_names() {
        let gray = |v| Color { r: v, g: v, b: v };
        assert!((contrast(gray(0), gray(255)) - 21.0).abs() < 1e-9);
        // W3C, technique G18; #777777 on white is 4.48 (printed by WebAIM).
        assert!((contrast(gray(0x77), gray(255)) - 4.48).abs() < 0.005);
    }

    #[test]
    fn text_is_readable_on_every_colour_of_the_palettes() {
        for step in 0..=200 {
            let t = f64::from(step) / 100.0 - 1.0;
            // WCAG 2.2, success criterion 1.4.3: text of ordinary size.
            for paper in [of_change(t, 1.0), of_share(t.abs())] {
                assert!(contrast(ink_on(paper), paper) >= 4.5, "{t}: {paper:?}");
            }
        }
    }

    #[test]
    fn less_fuel_is_orange_and_more_is_purple() {
        let (less, more) = (of_change(-0.7, 1.0), of_change(0.7, 1.0));
        assert!(less.r > less.b && more.b > more.g, "{less:?} {more:?}");
    }
}
