//! What a lane truly gains without a cause, from exact surfaces: a simulated target knows them, and estimates are held against it.

use super::Trained;
use super::found::signed;
use super::signatures::Cause;
use super::surface::{HalfBox, Place, Surface, quantile};
use eye::shapes::Mask;
use nightbench_core::results::{Grid, LanePoint};
use serde::{Deserialize, Serialize};

/// The truth of one lane of a simulated target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LaneTruth {
    /// Limit box about the trained point.
    pub trained: f64,
    /// What the lane gains without each cause that was planted in it, and trained anew; limit boxes, largest first.
    pub gains: Vec<(Cause, f64)>,
}

impl LaneTruth {
    /// In words, marked as what it is.
    pub fn words(&self) -> String {
        let gains: Vec<String> =
            self.gains.iter().map(|(cause, gain)| format!("{}: {}", cause.words(), signed(*gain))).collect();
        format!("simulated truth: {}", gains.join("; "))
    }
}

/// One lane with its exact surface.
pub struct TrueLane {
    now: Surface,
    trained: Place,
    half: HalfBox,
    /// z of the BER limit.
    limit: f64,
    by: Trained,
    box_now: f64,
    /// Where training would go, and how far the trained point lies from it.
    rule: Place,
    off: Place,
}

impl TrueLane {
    /// Of exact error ratios over a grid, row by row; `None` where they are not as many as its points, or nothing is open.
    pub fn new(
        grid: &Grid,
        ratios: &[f64],
        operating: LanePoint,
        limits: &Mask,
        ber_limit: f64,
        by: Trained,
    ) -> Option<TrueLane> {
        let now = Surface::new(grid.taps.into(), grid.vref_steps.into(), ratios)?;
        let (half, limit) = (HalfBox::of(grid, limits), quantile(ber_limit));
        let trained = Place { tap: operating.tap.into(), step: operating.vref.into() };
        let rule = now.retrained(limit, by.shared_vref.then_some(trained.step))?;
        let off = Place { tap: trained.tap - rule.tap, step: trained.step - rule.step };
        let box_now = now.box_about(trained, half, limit);
        Some(TrueLane { now, trained, half, limit, by, box_now, rule, off })
    }

    /// Limit box about the trained point.
    pub fn box_now(&self) -> f64 {
        self.box_now
    }

    /// What training the lane anew would gain.
    pub fn retraining(&self) -> f64 {
        self.now.box_about(self.rule, self.half, self.limit) - self.box_now
    }

    /// What it would gain with other error ratios, trained as far off as it is; `None` where nothing is open.
    pub fn with(&self, grid: &Grid, ratios: &[f64]) -> Option<f64> {
        let other = Surface::new(grid.taps.into(), grid.vref_steps.into(), ratios)?;
        let there = other.retrained(self.limit, self.by.shared_vref.then_some(self.trained.step))?;
        let point = Place { tap: there.tap + self.off.tap, step: there.step + self.off.step };
        Some(other.box_about(point, self.half, self.limit) - self.box_now)
    }
}
