//! `average`: kept samples → a weighted mean a cell, with its error bar.

use super::super::stage::{Stage, StageKind, StageSettings};
use crate::evidence::{Averaging, Estimator};

pub type Average = Averaging;

impl StageSettings for Averaging {
    const NAME: &'static str = "average";
    const KIND: StageKind = StageKind::Estimate;
    const ABOUT: &'static str = "Averages what the kept samples ask of each cell, weighted by how near they were \
         and how long they lasted; outliers lose weight, and the error bar counts visits and rides, not samples. Each sample is carried to the cell \
         along the slope of the table it was ridden on, so that a map that is right is left alone.";
    const SOURCE: &'static str = "bilinear weights as regression weights: Vogt, Müller and Isermann, J. Dyn. Sys. Meas. \
         Control 126 (2004); Huber (1981); cluster-robust variance: Liang and Zeger (1986); Kish (1965). The presumed \
         spreads are common practice, no source";
    const EXAMPLE: &'static str = "- average: { outlier_k: 1.345, dwell_gap_s: 1 }";

    fn into_stage(self) -> Stage {
        Stage::Estimate(Estimator::Mean(self))
    }
}
