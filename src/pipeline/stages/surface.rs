//! `surface`: kept samples → the table that explains all of them together.

use super::super::stage::{Stage, StageKind, StageSettings};
use crate::evidence::{Estimator, SurfaceFit};

pub type Surface = SurfaceFit;

impl StageSettings for SurfaceFit {
    const NAME: &'static str = "surface";
    const KIND: StageKind = StageKind::Estimate;
    const ABOUT: &'static str = "Solves for the table whose bilinear interpolation best explains all samples, instead of \
         averaging cell by cell: neighbours are untangled, each ride may be off by an amount of its own, and the error \
         bar is that of the cell. Cells that no ride came near keep their value.";
    const SOURCE: &'static str = "cell heights as a linear regression: Vogt, Müller and Isermann, J. Dyn. Sys. Meas. Control \
         126 (2004); regularised least squares on the change; rides as random effects, Henderson's mixed model \
         equations, from memory; Huber (1981). The presumed spreads are common practice, no source";
    const EXAMPLE: &'static str = "- surface: { bend_pct: 4, ride_spread_pct: 1 }";

    fn into_stage(self) -> Stage {
        Stage::Estimate(Estimator::Surface(self))
    }
}
