//! The surface, the slider through the revisions and the table that follows it.
//!
//! Only a script can move them: without one the block is not shown, and the tables
//! above it say the same of the newest revision.

use super::colour::Scale;
use super::data::cell_words;
use super::heat::{Axes, Heat, HeatCell, full_legend};
use crate::bike::FuelTableKind;
use maud::{Markup, html};

/// What the block is about.
pub(super) struct Explorer<'a> {
    /// Position of the slot in the page's data.
    pub slot: usize,
    pub name: &'a str,
    pub axes: Axes<'a>,
    pub fuel_table: FuelTableKind,
    /// How many steps the slider has; without one there is no slider.
    pub steps: Option<usize>,
    /// The revision that changes are counted from, if there is an older one.
    pub start: Option<&'a str>,
}

impl Explorer<'_> {
    /// The block.
    pub fn render(&self) -> Markup {
        let cell = cell_words(self.fuel_table);
        let id = |what: &str| format!("{what}-{}", self.slot);
        let mut choices = vec![("values", format!("values ({cell})"))];
        choices.extend(self.start.map(|start| ("start", format!("change since {start}"))));
        choices.extend(self.steps.map(|_| ("before", "change against the one before".to_owned())));
        html! {
            div.explorer.js-only data-slot=(self.slot) {
                div.controls {
                    @if let Some(steps) = self.steps {
                        div.slider {
                            button type="button" data-go="-1" aria-label={ "Revision before, " (self.name) } { "‹ before" }
                            input type="range" min="0" max=(steps.saturating_sub(1)) step="1" value=(steps.saturating_sub(1))
                                aria-label={ "Revision shown, " (self.name) };
                            button type="button" data-go="1" aria-label={ "Revision after, " (self.name) } { "after ›" }
                        }
                        p.shown id=(id("shown")) aria-live="polite" {}
                    }
                    fieldset {
                        legend { "Show" }
                        @for (i, (value, words)) in choices.iter().enumerate() {
                            label {
                                input type="radio" name=(id("mode")) value=(value) checked[i == 0];
                                " " (words)
                            }
                        }
                    }
                }
                div.stage {
                    div.surface id=(id("surface")) role="img"
                        aria-label={ "Surface of the map, " (self.name) "; tables of this page hold the same numbers" } {}
                    p.no-webgl hidden {
                        "This browser draws no surfaces (WebGL is missing or switched off). The tables hold the same numbers."
                    }
                    div.follows {
                        p.legend id=(id("legend")) {}
                        // Without a slider the tables above show it all.
                        @if self.steps.is_some() {
                            (self.table())
                            (full_legend())
                        }
                    }
                }
            }
        }
    }

    fn table(&self) -> Markup {
        let heat = Heat {
            title: format!("The map of {} at the chosen revision", self.name),
            axes: self.axes,
            scale: Scale::Value(0.0, 1.0),
            cells: vec![HeatCell::default(); self.axes.cells()],
            slot: Some(self.slot),
        };
        heat.grid(Some(&format!("chosen-{}", self.slot)))
    }
}
