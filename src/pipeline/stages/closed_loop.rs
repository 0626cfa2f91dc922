//! `closed_loop`: the controller's own trim, used or kept out.

use super::super::rows::{Reason, RideContext, Rows};
use super::super::stage::{Filter, Stage, StageKind, StageSettings};
use crate::bike::{Bike, ClosedLoopMode, SlotTables};
use crate::ride::Channel;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What to do about a controller that trims the mixture by itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct ClosedLoopTrim {
    /// A logged trim beyond this is not believed, %.
    #[schemars(range(min = 1.0, max = 100.0))]
    pub largest_trim_pct: f64,
    /// Without a region in bike.yaml, a controller that hides its trim is taken
    /// to do so where the wanted lambda lies this near to 1.
    #[schemars(range(min = 0.0, max = 0.2))]
    pub near_stoich: f64,
}

impl Default for ClosedLoopTrim {
    fn default() -> Self {
        Self { largest_trim_pct: 25.0, near_stoich: 0.03 }
    }
}

static TRIM_MISSING: Reason =
    Reason { key: "trim_missing", about: "the closed loop's trim is not in this row" };
static TRIM_TOO_LARGE: Reason =
    Reason { key: "trim_too_large", about: "the closed loop's trim is too large to be true" };
static HIDDEN: Reason = Reason {
    key: "closed_loop_hidden",
    about: "the controller trims here and the log does not show by how much",
};

impl StageSettings for ClosedLoopTrim {
    const NAME: &'static str = "closed_loop";
    const KIND: StageKind = StageKind::Filter;
    const ABOUT: &'static str = "Uses the closed loop's trim where it is logged (it multiplies the correction), and drops \
         samples from where the controller trims unseen; the cells there stay as they are. Does nothing on a bike without closed loop.";
    const SOURCE: &'static str = "required multiplier = (lambda measured / lambda wanted) (1 + trim/100); the trim adds fuel \
         when positive: SAE J1979 mode 01, parameters 06 and 07";
    const EXAMPLE: &'static str = "- closed_loop: { largest_trim_pct: 20 }";
    const REASONS: &'static [&'static Reason] = &[&TRIM_MISSING, &TRIM_TOO_LARGE, &HIDDEN];

    fn into_stage(self) -> Stage {
        Stage::Filter(Box::new(self))
    }
}

impl Filter for ClosedLoopTrim {
    fn needs(&self, bike: &Bike) -> Vec<Channel> {
        match bike.closed_loop.mode {
            ClosedLoopMode::TrimLogged => vec![Channel::TrimPct],
            ClosedLoopMode::None | ClosedLoopMode::Unlogged => Vec::new(),
        }
    }

    fn governed(&self, bike: &Bike, today: &SlotTables) -> Vec<bool> {
        let grid = &today.fuel.grid;
        let governed = (0..grid.cells()).map(|cell| {
            let (rpm, load) = grid.point(cell);
            let wanted = today.mixture.at(rpm, load);
            bike.closed_loop.hides_trim_at(rpm, load, wanted, self.near_stoich)
        });
        governed.collect()
    }

    fn apply(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        match context.bike.closed_loop.mode {
            ClosedLoopMode::None => {}
            ClosedLoopMode::TrimLogged => self.use_trim(rows),
            ClosedLoopMode::Unlogged => self.drop_hidden(rows, context),
        }
    }
}

impl ClosedLoopTrim {
    fn use_trim(&self, rows: &mut Rows<'_>) {
        let trim = rows.channel(Channel::TrimPct).unwrap_or_default().to_vec();
        let trim = if trim.len() == rows.len() { trim } else { vec![f64::NAN; rows.len()] };
        for (i, value) in trim.iter().enumerate() {
            if value.is_nan() {
                rows.drop_sample(i, &TRIM_MISSING);
            } else if value.abs() > self.largest_trim_pct {
                rows.drop_sample(i, &TRIM_TOO_LARGE);
            }
        }
        rows.set_trim_pct(trim);
    }

    fn drop_hidden(&self, rows: &mut Rows<'_>, context: &RideContext<'_>) {
        let (rpm, load) = (rows.rpm(), rows.load());
        let target = rows.logged_target();
        let ridden = rows.ridden(context);
        let asked = ridden.wanted(rows);
        let logged = |i: usize| target.as_ref().map(|t| t[i]).filter(|t| !t.is_nan());
        let wanted = |i: usize| logged(i).unwrap_or_else(|| asked(i));
        let governed: Vec<bool> = (0..rows.len())
            .map(|i| context.bike.closed_loop.hides_trim_at(rpm[i], load[i], wanted(i), self.near_stoich))
            .collect();
        rows.drop_where(&governed, &HIDDEN);
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::rows::tests::ride;
    use super::super::tests::{apply, bike};
    use super::{ClosedLoopTrim, Filter};
    use crate::bike::{ClosedLoopMode, Region};
    use crate::ride::{Channel, Ride};

    fn sample() -> Ride {
        ride(&[
            (Channel::Rpm, vec![2000.0, 2000.0, 6000.0, 6000.0]),
            (Channel::ThrottlePct, vec![5.0, 5.0, 90.0, 90.0]),
            (Channel::Lambda, vec![1.0, 1.0, 0.88, 0.88]),
            (Channel::TrimPct, vec![4.0, f64::NAN, 0.0, 60.0]),
        ])
    }

    #[test]
    fn a_logged_trim_must_be_there_and_believable() {
        let (kept, reasons) =
            apply("- closed_loop: {}", &sample(), |b| b.closed_loop.mode = ClosedLoopMode::TrimLogged);
        assert_eq!(kept, [true, false, true, false]);
        assert_eq!(reasons, ["trim_missing", "trim_too_large"]);
    }

    #[test]
    fn a_hidden_trim_keeps_its_region_out() {
        let hidden = |b: &mut crate::bike::Bike| b.closed_loop.mode = ClosedLoopMode::Unlogged;
        assert_eq!(apply("- closed_loop: {}", &sample(), hidden).0, [false, false, true, true]);
        let region = Some(Region { rpm: [5000.0, 7000.0], load: [0.0, 100.0] });
        let (kept, reasons) = apply("- closed_loop: {}", &sample(), |b| {
            hidden(b);
            b.closed_loop.region = region;
        });
        assert_eq!(kept, [true, true, false, false]);
        assert_eq!(reasons, ["closed_loop_hidden"]);
    }

    #[test]
    fn governed_cells_are_those_whose_own_point_the_rule_of_the_samples_covers() {
        let (mut bike, tables) = bike();
        let grid = &tables.fuel.grid;
        let stage = ClosedLoopTrim::default();
        for mode in [ClosedLoopMode::None, ClosedLoopMode::TrimLogged] {
            bike.closed_loop.mode = mode;
            assert!(!stage.governed(&bike, &tables).contains(&true), "{mode:?}");
        }
        bike.closed_loop.mode = ClosedLoopMode::Unlogged;
        let near_one = stage.governed(&bike, &tables);
        for (cell, governed) in near_one.iter().enumerate() {
            let (rpm, load) = grid.point(cell);
            let far = (tables.mixture.at(rpm, load) - 1.0).abs();
            assert_eq!(*governed, far < 0.0301, "{rpm} {load}");
        }
        assert!(near_one.contains(&true) && near_one.contains(&false));
        // From one breakpoint's edge to just short of another.
        let (rpm, load) = (grid.rpm.breakpoints(), grid.load.breakpoints());
        bike.closed_loop.region = Some(Region { rpm: [rpm[1], rpm[3] - 1.0], load: [load[0], load[1]] });
        let inside = stage.governed(&bike, &tables);
        let expected = [grid.cell(1, 0), grid.cell(1, 1), grid.cell(2, 0), grid.cell(2, 1)];
        for (cell, governed) in inside.iter().enumerate() {
            assert_eq!(*governed, expected.contains(&cell), "{:?}", grid.point(cell));
        }
    }

    #[test]
    fn a_bike_without_closed_loop_loses_nothing() {
        assert_eq!(apply("- closed_loop: {}", &sample(), |_| {}).0, [true; 4]);
    }
}
