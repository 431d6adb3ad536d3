//! Gathers what the jobs of each condition measured, lane by lane, so that nothing else of a job need be kept.

use crate::eye::counts::{CaptureView, CountError};
use crate::eye::metrics::{Wanted, lane_metrics};
use crate::eye::value::{EyeState, Reading};
use crate::judged::JobNote;
use plans::plan::judge::Metric;
use plans::results::{Capture, EyeName, Grid};

/// What one lane gave in one metric over the jobs of a condition.
#[derive(Debug, Clone, Copy, Default)]
pub struct LaneTally {
    /// Jobs with a value that counts into the mean.
    pub jobs: u16,
    /// Sum of their values, ps or mV.
    sum: f64,
    /// Sum of their squares.
    squares: f64,
    /// Sum of their edges' variances, ps^2 or mV^2.
    variances: f64,
    /// Largest lower bound seen ("at least"), ps or mV.
    pub at_least: Option<f64>,
    /// Jobs whose operating point failed.
    pub closed: u16,
    /// Of these, jobs with an eye elsewhere.
    pub off_centre: u16,
}

impl LaneTally {
    fn add(&mut self, value: f64, u: f64, at_least: bool, state: EyeState) {
        if at_least {
            self.at_least = Some(self.at_least.map_or(value, |known| known.min(value)));
            return;
        }
        self.jobs += 1;
        self.sum += value;
        self.squares += value * value;
        self.variances += u * u;
        self.closed += u16::from(state != EyeState::Open);
        self.off_centre += u16::from(state == EyeState::OffCentre);
    }

    /// Mean of the values that count; else the lower bound; `None` before any job.
    pub fn value(&self) -> Option<f64> {
        if self.jobs > 0 { Some(self.sum / f64::from(self.jobs)) } else { self.at_least }
    }

    /// Standard uncertainty of the mean from the edges alone.
    pub fn edges_u(&self) -> f64 {
        let n = f64::from(self.jobs.max(1));
        self.variances.sqrt() / n
    }

    /// Sum of squared deviations from the mean, and degrees of freedom.
    pub fn scatter(&self) -> (f64, f64) {
        if self.jobs < 2 {
            return (0.0, 0.0);
        }
        let n = f64::from(self.jobs);
        ((self.squares - self.sum * self.sum / n).max(0.0), n - 1.0)
    }
}

/// One eye of a condition.
#[derive(Debug, Clone)]
pub struct EyeTally {
    /// Which eye.
    pub eye: EyeName,
    /// Its axes.
    pub grid: Grid,
    /// The captured lanes' numbers.
    pub lanes: Vec<u16>,
    /// Judged metrics, each with one tally a lane.
    pub metrics: Vec<(Metric, Vec<LaneTally>)>,
    /// Width and height of each lane: kept for strips and distributions whether judged or not.
    pub sizes: [Vec<LaneTally>; 2],
    /// Sum of the eyes' centres over open lanes and jobs, ps and mV, and their number.
    centres: (f64, f64, u32),
}

impl EyeTally {
    /// Centre of the eye as seen from the operating point, ps and mV; mean over open lanes and jobs.
    pub fn centre(&self) -> Option<(f64, f64)> {
        let (ps, mv, count) = self.centres;
        (count > 0).then(|| (ps / f64::from(count), mv / f64::from(count)))
    }
}

/// Everything measured at one condition.
#[derive(Debug, Clone, Default)]
pub struct ConditionTally {
    /// Its eyes.
    pub eyes: Vec<EyeTally>,
    /// Its jobs.
    pub notes: Vec<JobNote>,
    /// Jobs whose training failed.
    pub failed_trainings: u16,
    /// Why jobs were not measured.
    pub faults: Vec<String>,
}

impl ConditionTally {
    /// Adds a captured eye.
    ///
    /// # Errors
    /// Counts that contradict themselves.
    pub fn add(&mut self, capture: &Capture, judged: &[Metric]) -> Result<(), CountError> {
        let view = CaptureView::new(capture)?;
        let lanes = lane_metrics(&view, &Wanted::margins());
        let blank = || vec![LaneTally::default(); capture.lanes.len()];
        let index = match self.eyes.iter().position(|known| known.eye == capture.eye) {
            Some(index) => index,
            None => {
                self.eyes.push(EyeTally {
                    eye: capture.eye,
                    grid: capture.grid,
                    lanes: capture.lanes.clone(),
                    metrics: judged.iter().map(|metric| (*metric, blank())).collect(),
                    sizes: [blank(), blank()],
                    centres: (0.0, 0.0, 0),
                });
                self.eyes.len() - 1
            }
        };
        let eye = &mut self.eyes[index];
        for lane in lanes.iter().filter(|lane| lane.state == EyeState::Open) {
            let half = |one: Metric, other: Metric| {
                let value = |metric: Metric| lane.value(metric.into(), Reading::SubTap);
                let (one, other) = (value(one)?, value(other)?);
                // A side that runs off the grid has no edge, so the eye has no centre.
                let both = !one.at_least && !other.at_least;
                both.then(|| (one.base_value(&capture.grid) - other.base_value(&capture.grid)) / 2.0)
            };
            let across = half(Metric::RightMargin, Metric::LeftMargin);
            if let (Some(ps), Some(mv)) = (across, half(Metric::UpMargin, Metric::DownMargin)) {
                eye.centres = (eye.centres.0 + ps, eye.centres.1 + mv, eye.centres.2 + 1);
            }
        }
        let sizes = [Metric::Width, Metric::Height];
        for (position, lane) in lanes.iter().enumerate() {
            let tallies = eye.metrics.iter_mut().map(|(metric, tallies)| (*metric, tallies));
            let all = tallies.chain(sizes.iter().copied().zip(eye.sizes.iter_mut()));
            for (metric, tallies) in all {
                let Some(value) = lane.value(metric.into(), Reading::SubTap) else { continue };
                let Some(tally) = tallies.get_mut(position) else { continue };
                tally.add(
                    value.base_value(&capture.grid),
                    value.base_u(&capture.grid),
                    value.at_least,
                    value.state,
                );
            }
        }
        Ok(())
    }
}
