//! The truth of a simulated run: what a lane gains with a cause taken out, from the target's exact surfaces.

use contract::{Call, CancelToken, Driver, DriverError, Setting, TrainingRequest};
use eye::shapes::Mask;
use judge::causes::{Cause, LaneTruth, Trained, TrueLane};
use nightbench_core::results::{EyeName, Grid, LanePoint};
use simulator::nominal::knob_of;
use simulator::target::{SimulatedOptions, SimulatedTarget};
use std::collections::BTreeSet;
use std::sync::Arc;

/// One eye as it was measured.
pub struct Measured<'a> {
    /// As the target was asked for it, with the noise of the attempt that counts.
    pub setting: &'a Setting,
    pub training: TrainingRequest,
    pub eye: EyeName,
    pub grid: Grid,
    pub ber_limit: f64,
    /// The box at scale 1.
    pub limits: &'a Mask,
    pub by: Trained,
}

/// The exact error ratios of a lane, row by row, where the start of the job left its strobe; `None`: no such lane.
fn ratios(
    target: &mut SimulatedTarget,
    measured: &Measured<'_>,
    setting: &Setting,
    lane: u16,
) -> Result<Option<Vec<f64>>, DriverError> {
    let call = Call::within(crate::run::execute::NO_LIMIT, &CancelToken::new());
    target.apply(setting, &call)?;
    target.train(&measured.training, &call)?;
    let found = target.lane_surfaces().find(|(eye, number, _)| *eye == measured.eye && *number == lane);
    let grid = measured.grid;
    Ok(found.map(|(_, _, surface)| {
        let ratio = |at| {
            let point = grid.point(at);
            surface.ber(point.tap.into(), point.vref.into())
        };
        (0..grid.len()).map(ratio).collect()
    }))
}

/// The truth of one lane: what it gains without each kind of value that was planted in it alone, and by training it anew. `None` where
/// the exact eye is closed.
///
/// # Errors
/// The target refuses what it took when it measured.
pub fn of_lane(
    options: &Arc<SimulatedOptions>,
    measured: &Measured<'_>,
    lane: u16,
    operating: LanePoint,
) -> Result<Option<LaneTruth>, DriverError> {
    let mut target = SimulatedTarget::new(Arc::clone(options));
    let Some(now) = ratios(&mut target, measured, measured.setting, lane)? else { return Ok(None) };
    let grid = &measured.grid;
    let Some(lane_now) =
        TrueLane::new(grid, &now, operating, measured.limits, measured.ber_limit, measured.by)
    else {
        return Ok(None);
    };
    let module = &measured.setting.module;
    let planted = module.lane_models.iter().filter(|model| model.lane == lane);
    let kind = |figure: &str| knob_of(figure).map(Cause::of);
    let causes: BTreeSet<Cause> =
        planted.flat_map(|model| &model.overrides).filter_map(|value| kind(&value.name)).collect();
    let mut gains = Vec::new();
    for cause in causes {
        let mut without = (**module).clone();
        for model in without.lane_models.iter_mut().filter(|model| model.lane == lane) {
            model.overrides.retain(|value| kind(&value.name) != Some(cause));
        }
        let setting = Setting { module: Arc::new(without), ..measured.setting.clone() };
        let other = ratios(&mut target, measured, &setting, lane)?;
        gains.extend(other.and_then(|other| lane_now.with(grid, &other)).map(|gain| (cause, gain)));
    }
    let centring = if measured.by.held { Cause::Drift } else { Cause::Centring };
    gains.push((centring, lane_now.retraining()));
    gains.sort_by(|a, b| b.1.total_cmp(&a.1));
    Ok(Some(LaneTruth { trained: lane_now.box_now(), gains }))
}
