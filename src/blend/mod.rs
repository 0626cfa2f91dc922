//! Evidence and today's table → the proposed table, within limits.
//!
//! Two steps: [`propose`] moves every cell as far as its evidence deserves and
//! its limits allow, and names what held it; [`refuse`] looks at the whole and
//! says no when it cannot be right. [`by_hand`] judges a change that a person made
//! by the same limits.

pub mod by_hand;
mod guards;
mod hold;
mod propose;
mod settings;
mod steepness;

pub use guards::{Refusal, refuse};
pub use hold::Hold;
pub use propose::{BlendInput, CellProposal, Proposal, propose};
pub use settings::{Blending, Inferred};
