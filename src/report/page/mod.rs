//! Pages for a browser: one HTML file each that needs nothing else.
//!
//! The operations' reports enter, the text of a file leaves. Nothing is calculated
//! but layout and colour. Without scripts a page still holds the summary, the heat
//! tables, every list and the audit; with them come the surface, the slider, the
//! charts and what stands behind a cell.

mod changed_table;
mod charts;
mod coding;
mod colour;
mod compare;
mod data;
mod explorer;
mod heat;
mod lists;
mod parts;
mod power;
mod revision;
mod season;
mod shell;
mod slot;
mod summary;

pub use compare::compare;
pub use revision::show;
pub use season::season;

/// What stands near the beginning of every page of ours.
pub const MARK: &str = "name=\"generator\" content=\"rideloop";

/// What a page says of itself.
#[derive(Debug, Clone, Copy)]
pub struct PageContext<'a> {
    /// When it was made, for people.
    pub made: &'a str,
    /// The program and its version.
    pub tool: &'a str,
}
