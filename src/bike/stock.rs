//! The stock map below an add-on module: `maps/<slot>/stock.csv`.
//!
//! The tool reads it, for what stock and module give together, and never changes it. It is a setting:
//! it goes along with the next revision as locks and bike.yaml do.

use super::config::{Bike, FuelTableKind};
use super::folder::FileSource;
use super::stock_doubts::StockInQuestion;
use crate::problem::{Problem, Problems};
use crate::table::{self, Resolution, Table};
use std::ops::RangeInclusive;
use std::path::Path;

/// What a cell of a stock map may hold: volumetric efficiency in %, or an effective pulse width in ms.
pub const STOCK_CELLS: RangeInclusive<f64> = 0.0..=250.0;

/// The finest step that a stock map is read in.
const FINEST_STEP: f64 = 1e-6;

/// The stock map's file.
pub fn stock_path(slot: &str) -> String {
    format!("{}/{slot}/stock.csv", super::MAPS_FOLDER)
}

/// Whether a file of the bike folder is a stock map.
pub fn is_stock_path(path: &str) -> bool {
    path.strip_prefix(super::MAPS_FOLDER)
        .is_some_and(|rest| rest.starts_with('/') && rest.ends_with("/stock.csv"))
}

/// Reads a slot's stock map; `None` where there is no file. Its axes may be others than the trim's.
///
/// # Errors
/// Every problem of the file, and that it lies below a table that is no trim.
pub fn read_stock(slot: &str, bike: &Bike, files: &dyn FileSource) -> Result<Option<Table>, Problems> {
    let path = stock_path(slot);
    let Some(text) = files.text(&path)? else { return Ok(None) };
    let kind = bike.controller.fuel_table;
    if kind != FuelTableKind::TrimPct {
        let what =
            format!("a stock map lies below a table of trim_pct only, and fuel_table is {}", kind.name());
        return Err(Problem::in_file(path, what).with_hint("move it out of maps/").into());
    }
    let step = Resolution::new(FINEST_STEP).expect("a decimal step");
    table::parse(Path::new(&path), &text, bike.controller.load, step, STOCK_CELLS).map(Some)
}

/// The stock map below a slot's trims, and what its cells are.
#[derive(Debug, Clone, PartialEq)]
pub struct StockBelow {
    /// The map.
    pub table: Table,
    /// Volumetric efficiency or pulse width.
    pub kind: FuelTableKind,
}

impl StockBelow {
    /// Reads it; `None` where there is none, it cannot be read, or its size leaves open what it is.
    pub fn of(slot: &str, bike: &Bike, files: &dyn FileSource) -> Option<Self> {
        let table = read_stock(slot, bike, files).ok()??;
        let kind = StockInQuestion::below_trims(&table, bike).kind()?;
        Some(Self { table, kind })
    }
}

/// What stock map and trim give together at a point, in the stock map's unit.
///
/// Source: contract section 3, the product applies to 1 + cell/100.
pub fn stock_and_trim(stock: &Table, trim: &Table, rpm: f64, load: f64) -> f64 {
    stock.at(rpm, load) * FuelTableKind::TrimPct.amount(trim.at(rpm, load))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bike::Template;

    struct One(String);

    impl FileSource for One {
        fn bytes(&self, path: &str) -> Result<Option<Vec<u8>>, Problem> {
            Ok((path == "maps/main/stock.csv").then(|| self.0.clone().into_bytes()))
        }

        fn list(&self, _: &str) -> Result<Vec<String>, Problem> {
            Ok(Vec::new())
        }
    }

    #[test]
    fn stock_and_trim_are_multiplied_whatever_their_axes_and_a_bad_file_is_told_with_its_line() {
        let template = Template { fuel_table: FuelTableKind::TrimPct, ..Template::default() };
        let bike = |kind: &str| {
            let yaml = &template.files()[0].text;
            Bike::parse(Path::new("bike.yaml"), &yaml.replace("fuel_table: trim_pct", kind)).expect("a bike")
        };
        let trims = bike("fuel_table: trim_pct");
        let read = |text: &str, bike: &Bike| read_stock("main", bike, &One(text.to_owned()));
        let text = "rpm/throttle_pct,0,100\n1000,2.00,4.00\n9000,4.00,8.125\n";
        let stock = read(text, &trims).expect("readable").expect("there");
        let mut trim = template.fuel_table();
        trim.values.fill(10.0);
        // Half way between 2 and 4 ms is 3 ms; a tenth more is 3.3.
        assert!((stock_and_trim(&stock, &trim, 1000.0, 50.0) - 3.3).abs() < 1e-12);
        assert!(read_stock("other", &trims, &One(text.to_owned())).expect("no file").is_none());
        for (bad, why) in [
            ("rpm/throttle_pct,0,100\n1000,2.00,nan\n", "2:"),
            ("rpm/throttle_pct,0,100\n1000,-2.00,1\n", "between 0 and 250"),
            ("rpm/map_kpa,0,100\n1000,2.00,1\n", "rpm/throttle_pct"),
        ] {
            let found = read(bad, &trims).expect_err(bad).to_string();
            assert!(found.contains(why) && found.contains("maps/main/stock.csv"), "{found}");
        }
        let other = read(text, &bike("fuel_table: ve_pct")).expect_err("no trim").to_string();
        assert!(other.contains("trim_pct only"), "{other}");
    }
}
