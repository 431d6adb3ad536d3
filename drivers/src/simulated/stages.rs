//! Training of one eye as the firmware does it: deskew and centring, then Vref, lane by lane, on the model.

use super::draws::Draws;
use super::physics::training::{self, Run};
use super::physics::{LaneSurface, TrainingFailure};
use super::target::centre;
use crate::contract::TrainingRequest;
use plans::results::{Direction, Grid, LanePoint, LaneTraining, TrainingStage};

/// Spread of the pass threshold from start to start, decades of bit error ratio (estimate): a training sees few bits.
const THRESHOLD_SPREAD: f64 = 0.15;
/// Spread of the centre a training settles on, taps and Vref steps (estimate).
const CENTRE_SPREAD: f64 = 0.35;

/// Stages run on one eye and the settings they gave; settings are complete only when every stage passed.
pub struct TrainedLanes {
    /// The stages, the failed one last.
    pub stages: Vec<TrainingStage>,
    /// Operating point of each lane.
    pub settings: Vec<LanePoint>,
}

/// Trains every lane of one eye.
pub fn train_eye(
    request: &TrainingRequest,
    direction: Direction,
    grid: &Grid,
    lanes: &[u16],
    surfaces: &mut [LaneSurface],
    draws: &mut Draws,
) -> TrainedLanes {
    let mut centring = Vec::new();
    let mut reference = Vec::new();
    let mut settings = Vec::new();
    for (lane, surface) in lanes.iter().zip(surfaces) {
        let threshold = request.pass_ber * 10f64.powf(THRESHOLD_SPREAD * draws.normal());
        let (tap_shift, vref_shift) = (CENTRE_SPREAD * draws.normal(), CENTRE_SPREAD * draws.normal());
        let (taps, steps) = (surface.taps(), surface.vref_steps());
        let found = training::train(taps, steps, threshold, |tap, vref| surface.ber(tap, vref));
        let fewest = (usize::from(request.fewest_taps), usize::from(request.fewest_steps));
        let mut delay = LaneTraining {
            lane: *lane,
            delay_taps: None,
            width_taps: None,
            vref_step: None,
            height_steps: None,
            end_stop: false,
            passed: false,
        };
        let mut vref = delay;
        let mut setting = centre(grid);
        match found {
            Ok(trained) => {
                let tap = settle(trained.tap, tap_shift, &trained.tap_run);
                let step = settle(trained.vref, vref_shift, &trained.vref_run);
                setting = LanePoint { tap, vref: step };
                delay.delay_taps = Some(f64::from(tap));
                delay.width_taps = Some(trained.tap_run.len() as f64);
                delay.end_stop = trained.tap_run.censored_low || trained.tap_run.censored_high;
                delay.passed = trained.tap_run.len() >= fewest.0;
                vref.vref_step = Some(f64::from(step));
                vref.height_steps = Some(trained.vref_run.len() as f64);
                vref.end_stop = trained.vref_run.censored_low || trained.vref_run.censored_high;
                vref.passed = trained.vref_run.len() >= fewest.1;
            }
            Err(TrainingFailure::NothingPasses) => delay.width_taps = Some(0.0),
            Err(TrainingFailure::TooFewTaps { found, .. }) => delay.width_taps = Some(found as f64),
            Err(TrainingFailure::TooFewVrefSteps { found, .. }) => {
                delay.passed = true;
                vref.height_steps = Some(found as f64);
            }
        }
        centring.push(delay);
        reference.push(vref);
        settings.push(setting);
    }
    let (centring_name, reference_name) = match direction {
        Direction::Read => ("read deskew and centring", "read VrefDQ"),
        Direction::Write => ("write deskew and centring", "VrefDQ training"),
    };
    let mut stages = vec![stage(
        centring_name,
        centring,
        &[
            "one lane narrow: local skew or crosstalk",
            "all lanes narrow: Vref, termination (RTT), or the data rate",
            "zero width on one lane: stuck or shorted DQ",
        ],
    )];
    if stages[0].passed() {
        stages.push(stage(
            reference_name,
            reference,
            &["no code passes: swing or termination (RTT)", "best code at the end stop: wrong Vref range"],
        ));
    }
    TrainedLanes { stages, settings }
}

/// A centre shifted by a start's noise, kept inside the run it was found in.
fn settle(centre: usize, shift: f64, run: &Run) -> u16 {
    let moved = (centre as f64 + shift).round().max(0.0) as usize;
    moved.clamp(run.first, run.last) as u16
}

fn stage(name: &str, lanes: Vec<LaneTraining>, causes: &[&str]) -> TrainingStage {
    let failed = lanes.iter().any(|lane| !lane.passed);
    let causes = if failed { causes.iter().map(ToString::to_string).collect() } else { Vec::new() };
    TrainingStage { name: name.into(), eye: None, by_byte_lane: false, lanes, causes }
}
