//! Mixture, air, injector, engine and road sums as pure functions with their sources.

pub mod air;
pub mod engine;
pub mod exhaust_gas;
pub mod fuel;
pub mod fuel_system;
pub mod injector;
pub mod mixture;
pub mod power;
pub mod rescale;
pub mod road_load;
pub mod thermistor;
