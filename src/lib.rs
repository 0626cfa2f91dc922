pub mod bike;
pub mod physics;
pub mod problem;
pub mod ride;
pub mod table;
pub mod units;
pub mod yaml;
