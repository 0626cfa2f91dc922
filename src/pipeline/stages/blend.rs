//! `blend`: evidence and today's table → the next table, within limits.

use super::super::stage::{Stage, StageKind, StageSettings};
use crate::blend::Blending;

pub type Blend = Blending;

impl StageSettings for Blending {
    const NAME: &'static str = "blend";
    const KIND: StageKind = StageKind::Blend;
    const ABOUT: &'static str = "Moves each cell towards its evidence as far as that deserves and the limits allow; \
         leaning is held tighter than enriching, and high load tightest.";
    const SOURCE: &'static str =
        "precision-weighted mean of two normal estimates; the limits are common practice, no source";
    const EXAMPLE: &'static str = "- blend: { step_up_pct: 8, step_down_pct: 4, dwells: 3, weight_s: 2 }";

    fn check(&self) -> Result<(), (&'static str, String)> {
        if let Some([low, high]) = self.cell_range
            && low >= high
        {
            return Err(("cell_range", format!("`cell_range` must ascend, got [{low}, {high}]")));
        }
        if self.step_down_pct > self.step_up_pct {
            return Err((
                "step_down_pct",
                format!(
                    "`step_down_pct` ({}) must not be above `step_up_pct` ({}): leaning is held tighter than enriching",
                    self.step_down_pct, self.step_up_pct
                ),
            ));
        }
        if self.enrich_weight_s > self.weight_s || self.enrich_dwells > self.dwells {
            return Err((
                "enrich_weight_s",
                "`enrich_weight_s` and `enrich_dwells` must not be above `weight_s` and `dwells`: leaning needs more evidence"
                    .to_owned(),
            ));
        }
        if self.high_load_step_down_pct > self.step_down_pct {
            return Err((
                "high_load_step_down_pct",
                format!(
                    "`high_load_step_down_pct` ({}) must not be above `step_down_pct` ({}): high load is leaned slowest",
                    self.high_load_step_down_pct, self.step_down_pct
                ),
            ));
        }
        Ok(())
    }

    fn into_stage(self) -> Stage {
        Stage::Blend(self)
    }
}
