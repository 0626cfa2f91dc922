//! The only module that knows git: revisions in, commits and tags out.
//!
//! `store` holds the repository of one bike folder and makes commits that a
//! kill at any instant cannot tear; `record` is what a revision says of itself.

mod audit;
mod crash;
mod disk;
mod error;
mod journal;
mod lock;
mod objects;
mod record;
mod settings;
mod sign;
mod store;
mod worktree;
mod write;

#[cfg(test)]
mod store_tests;

pub use audit::{BrokenObject, ObjectAudit, ObjectIs, TagInfo};
pub use error::LedgerError;
pub use journal::Recovery;
pub use lock::WriterLock;
pub use record::{
    ImportRef, PipelineRef, Revision, RevisionKind, RevisionRecord, RideRef, revision_of, revisions,
};
pub use settings::TABLE_DRIVER;
pub use store::{CommitInfo, Moment, Store};
pub use write::{Draft, FileWrite};
