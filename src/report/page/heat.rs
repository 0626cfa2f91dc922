//! Heat tables: a table whose cells are coloured and show value, sign and marks.
//!
//! Axes and cells enter, a plain HTML table leaves that says everything without its
//! colours. `assets/page.js` makes its cells reachable by keyboard.

use super::colour::Scale;
use crate::blend::Hold;
use crate::table::{CellMark, LoadAxis};
use crate::units;
use maud::{Markup, html};

/// What is to be told of a cell beside its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// The tuner locked it.
    Locked,
    /// It stopped at a limit.
    Limit,
    /// It only follows its neighbours.
    Inferred,
}

impl Mark {
    const ALL: [Mark; 3] = [Mark::Locked, Mark::Limit, Mark::Inferred];

    /// The sign beside the value; the same as on the terminal.
    pub fn sign(self) -> char {
        match self {
            Mark::Locked => '#',
            Mark::Limit => CellMark::Limit.sign(),
            Mark::Inferred => CellMark::Inferred.sign(),
        }
    }

    fn about(self) -> &'static str {
        match self {
            Mark::Locked => "locked by the tuner",
            Mark::Limit => CellMark::Limit.about(),
            Mark::Inferred => CellMark::Inferred.about(),
        }
    }

    /// The mark of what held a cell; none where it only lacks riding.
    pub fn of(hold: Hold) -> Option<Self> {
        match hold {
            Hold::Locked => Some(Mark::Locked),
            Hold::Inferred => Some(Mark::Inferred),
            hold if hold.stops_short() => Some(Mark::Limit),
            _ => None,
        }
    }

    /// The same by the name in an evidence file.
    pub fn named(held_by: Option<&str>) -> Option<Self> {
        held_by.and_then(Hold::from_name).and_then(Self::of)
    }
}

/// The axes of a heat table.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axes<'a> {
    /// Breakpoints, 1/min.
    pub rpm: &'a [f64],
    /// Breakpoints of the load axis.
    pub load: &'a [f64],
    /// What the load axis measures.
    pub load_axis: LoadAxis,
}

impl Axes<'_> {
    /// How many cells there are.
    pub fn cells(&self) -> usize {
        self.rpm.len() * self.load.len()
    }

    /// The position of the cell at these breakpoints.
    pub fn cell(&self, rpm: f64, load: f64) -> Option<usize> {
        let i = self.rpm.iter().position(|r| *r == rpm)?;
        let j = self.load.iter().position(|l| *l == load)?;
        Some(i * self.load.len() + j)
    }
}

/// One cell of a heat table.
#[derive(Debug, Clone, Default)]
pub(super) struct HeatCell {
    /// What it shows.
    pub text: String,
    /// What gives it its colour; none leaves it plain.
    pub value: Option<f64>,
    /// What is to be told of it.
    pub marks: Vec<Mark>,
}

impl HeatCell {
    /// A cell that shows a change, in %; no change is a dot.
    pub fn change(change_pct: f64, decimals: usize) -> Self {
        let text = if change_pct == 0.0 { "·".to_owned() } else { change_text(change_pct, decimals) };
        Self { text, value: Some(change_pct), marks: Vec::new() }
    }

    /// A cell that shows a value.
    pub fn value(value: f64, decimals: usize) -> Self {
        Self { text: units::fixed(value, decimals), value: Some(value), marks: Vec::new() }
    }

    /// A cell that shows seconds; few of them with a decimal.
    pub fn seconds(seconds: f64) -> Self {
        Self::value(seconds, usize::from(seconds < 10.0))
    }

    /// The same with marks.
    pub fn marked(mut self, marks: impl IntoIterator<Item = Mark>) -> Self {
        for mark in marks {
            if !self.marks.contains(&mark) {
                self.marks.push(mark);
            }
        }
        self
    }
}

/// A change with its sign; a dash where there was no fuel to compare with.
pub(super) fn change_text(change: f64, decimals: usize) -> String {
    if change.is_finite() { units::signed(change, decimals) } else { "–".to_owned() }
}

/// A heat table.
pub(super) struct Heat<'a> {
    /// Its title.
    pub title: String,
    /// Its axes.
    pub axes: Axes<'a>,
    /// Its colours.
    pub scale: Scale,
    /// Its cells, row-major.
    pub cells: Vec<HeatCell>,
    /// The slot of the page's data whose evidence its cells show; none where they show none.
    pub slot: Option<usize>,
}

impl Heat<'_> {
    /// The table in a box that scrolls by itself, with its legend.
    pub fn render(&self) -> Markup {
        html! {
            figure.heat {
                figcaption { (self.title) }
                (self.grid(None))
                (legend(self.is_coloured().then_some(self.scale), &self.marks()))
            }
        }
    }

    /// The table in its box.
    pub fn grid(&self, id: Option<&str>) -> Markup {
        let columns = self.axes.load.len().max(1);
        html! {
            div.scroll tabindex="0" role="group" aria-label=(self.title) {
                table.grid id=[id] data-slot=[self.slot] aria-label=(self.title) style={ "--columns:" (columns) } {
                    thead { tr {
                        th.corner scope="col" {
                            span { (self.axes.load_axis.words()) ", " (self.axes.load_axis.unit()) " →" }
                            span { "↓ rpm" }
                        }
                        @for load in self.axes.load { th scope="col" { (units::plain(*load)) } }
                    } }
                    tbody {
                        @for (rpm, cells) in self.axes.rpm.iter().zip(self.cells.chunks(columns)) {
                            tr {
                                th scope="row" { (units::plain(*rpm)) }
                                @for cell in cells {
                                    td class=[cell.value.and_then(|v| self.scale.class(v))] {
                                        (cell.text)
                                        @if !cell.marks.is_empty() {
                                            i { @for mark in &cell.marks { (mark.sign()) } }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }

    fn is_coloured(&self) -> bool {
        self.cells.iter().any(|c| c.value.is_some())
    }

    fn marks(&self) -> Vec<Mark> {
        let used = |mark: &Mark| self.cells.iter().any(|c| c.marks.contains(mark));
        Mark::ALL.into_iter().filter(used).collect()
    }
}

/// What colours and marks mean.
fn legend(scale: Option<Scale>, marks: &[Mark]) -> Markup {
    html! {
        p.legend {
            @if let Some(scale) = scale {
                @let changes = matches!(scale, Scale::Change(_));
                @if changes { span { "orange: less fuel, %" } }
                span.swatches aria-hidden="true" {
                    @for (value, text) in swatches(scale) { span class=[scale.class(value)] { (text) } }
                }
                @if changes { span { "purple: more fuel, %; a dot is no change" } }
            }
            @for mark in marks { span { b { (mark.sign()) } " " (mark.about()) } }
        }
    }
}

/// A few values of a scale with their words.
fn swatches(scale: Scale) -> [(f64, String); 5] {
    [0.0, 0.25, 0.5, 0.75, 1.0].map(|share| match scale {
        Scale::Change(most) => {
            let value = (share * 2.0 - 1.0) * most;
            // Half of an odd end is no whole number.
            (value, units::signed(value, usize::from(most < 10.0 || most % 2.0 != 0.0)))
        }
        Scale::Value(low, high) => {
            let value = low + share * (high - low);
            (value, units::fixed(value, if high - low < 2.0 { 2 } else { usize::from(high - low < 100.0) }))
        }
        Scale::Root(high) => {
            let value = share * share * high;
            (value, units::fixed(value, 0))
        }
    })
}

/// What every mark means, for tables that a script fills.
pub(super) fn full_legend() -> Markup {
    html! {
        p.legend { @for mark in Mark::ALL { span { b { (mark.sign()) } " " (mark.about()) } } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_marked_and_thin_evidence_is_not() {
        assert_eq!(Mark::named(Some("step_up")), Some(Mark::Limit));
        assert_eq!(Mark::named(Some("locked")), Some(Mark::Locked));
        assert_eq!(Mark::named(Some("inferred")), Some(Mark::Inferred));
        assert_eq!(Mark::named(Some("too_few_rides")), None);
        assert_eq!(Mark::named(None), None);
    }

    #[test]
    fn a_cell_tells_sign_and_mark_without_its_colour() {
        let heat = Heat {
            title: "change".to_owned(),
            axes: Axes { rpm: &[1000.0], load: &[2.5, 5.0], load_axis: LoadAxis::ThrottlePct },
            scale: Scale::Change(5.0),
            cells: vec![
                HeatCell::change(2.44, 1).marked([Mark::Limit, Mark::Limit]),
                HeatCell::change(0.0, 1),
            ],
            slot: None,
        };
        let text = heat.render().into_string();
        assert!(text.contains("<td class=\"c15\">+2.4<i>*</i></td><td>·</td>"), "{text}");
        assert!(text.contains("<b>*</b> stopped at a limit"), "{text}");
        // A cell that held no fuel cannot change in percent.
        let empty = HeatCell::change(f64::NAN, 1);
        assert_eq!((empty.text.as_str(), heat.scale.class(f64::NAN)), ("–", None));
    }
}
