//! Mixture, air and injector sums as pure functions with their sources.

pub mod air;
pub mod fuel;
pub mod injector;
