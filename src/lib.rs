//! Motorcycle ride logs in, the next revision of the fuel map out.
//!
//! Data flows one way:
//!
//! ```text
//! rides → samples → kept samples → evidence per cell → proposed table → revision → report
//!  ride            pipeline          evidence             blend          ledger    report
//! ```
//!
//! The modules stand below in that order; each uses only those above it.
//! Library code never prints, exits, or reads clock, environment or terminal:
//! `cli` hands these in.
//!
//! # Example
//!
//! ```
//! use rideloop::table::{LoadAxis, Resolution, parse, write};
//! use std::path::Path;
//!
//! let text = "rpm/throttle_pct,2,5\n1000,48.0,52.5\n1500,50.5,55.0\n";
//! let resolution = Resolution::new(0.1).expect("a decimal step");
//! let table = parse(Path::new("fuel.csv"), text, LoadAxis::ThrottlePct, resolution, 0.0..=250.0)?;
//! assert_eq!(table.at(1250.0, 2.0), 49.25);
//! assert_eq!(write(&table), text);
//! # Ok::<(), rideloop::problem::Problems>(())
//! ```

pub mod units;

pub mod problem;
pub mod shell;
pub mod statistics;

pub mod revision;

pub mod yaml;

pub mod physics;

pub mod table;

pub mod bike;

pub mod ride;

pub mod evidence;

pub mod blend;

pub mod mixture_plan;

pub mod pipeline;

pub mod findings;

pub mod power;
pub mod throttle_response;

pub mod cache;

pub mod ledger;

pub mod virtual_bike;

pub mod operations;

pub mod report;

pub mod cli;
