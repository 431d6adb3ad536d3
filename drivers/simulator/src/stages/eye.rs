//! Training of one eye as the firmware does it: deskew and centring, then Vref, lane by lane, on the model.

use super::super::draws::Draws;
use super::super::physics::training::{self, Needed, Run};
use super::super::physics::{LaneSurface, Parameters, Trained, TrainingFailure};
use super::super::target::centre;
use super::{StartSpread, stage, untrained};
use contract::TrainingRequest;
use nightbench_core::results::{Grid, LanePoint, LaneTraining, TrainingStage};

/// Stages run on one eye and the settings they gave; settings are complete only when every stage passed.
pub struct TrainedLanes {
    /// The stages, the failed one last.
    pub stages: Vec<TrainingStage>,
    /// Operating point of each lane.
    pub settings: Vec<LanePoint>,
}

/// DFE adaptation (`name`) of the lanes of a read eye: each lane's taps are set against its own post-cursors. The height is
/// what the worst pattern leaves with them (peak distortion), in Vref steps. Adapting never makes an eye worse on the
/// model, so the stage passes; a tap at the end of its range is its warning, and what it leaves closed fails centring.
pub fn dfe(name: &str, grid: &Grid, lanes: &[u16], surfaces: &[LaneSurface]) -> TrainingStage {
    let results = lanes.iter().zip(surfaces).map(|(lane, surface)| {
        let mut result = untrained(*lane);
        let height_mv = surface.worst_height_v() * 1e3;
        result.height_steps = Some((height_mv / grid.vref_step.0).floor().max(0.0));
        result.end_stop = surface.feedback_at_end();
        result.passed = true;
        result
    });
    stage(name, false, results.collect(), &[])
}

/// Trains every lane of one eye; `names`: of centring and of its reference; with the lanes: how many of them share a reference.
pub fn train_eye(
    names: [&str; 2],
    p: &Parameters,
    request: &TrainingRequest,
    grid: &Grid,
    (lanes, group): (&[u16], u16),
    surfaces: &mut [LaneSurface],
    draws: &mut Draws,
) -> TrainedLanes {
    let spread = StartSpread::of(p, request.start);
    let mut centring = Vec::new();
    let mut reference = Vec::new();
    let mut settings = Vec::new();
    let mut found_runs: Vec<Option<Found>> = Vec::new();
    for (lane, surface) in lanes.iter().zip(surfaces.iter_mut()) {
        let threshold = request.pass_ber * 10f64.powf(spread.threshold_dec * draws.normal());
        let (tap_shift, vref_shift) =
            (p.train_centre_tap * draws.normal(), p.train_centre_step * draws.normal());
        let needed =
            Needed { taps: usize::from(request.fewest_taps), steps: usize::from(request.fewest_steps) };
        let found = training::train_coarse_to_fine(surface, threshold, needed);
        let mut delay = untrained(*lane);
        let mut vref = delay;
        let mut setting = centre(grid);
        found_runs.push(found.ok().map(|trained| Found { trained, threshold, tap_shift, vref_shift }));
        match found {
            Ok(trained) => {
                let tap = settle(trained.tap, tap_shift, &trained.tap_run);
                let step = settle(trained.vref, vref_shift, &trained.vref_run);
                setting = LanePoint { tap, vref: step };
                delay.delay_taps = Some(f64::from(tap));
                delay.width_taps = Some(trained.tap_run.len() as f64);
                delay.end_stop = trained.tap_run.censored_low || trained.tap_run.censored_high;
                delay.passed = true;
                vref.vref_step = Some(f64::from(step));
                vref.height_steps = Some(trained.vref_run.len() as f64);
                vref.end_stop = trained.vref_run.censored_low || trained.vref_run.censored_high;
                vref.passed = true;
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
    if group > 1 {
        let passed = |place: &usize| found_runs[*place].is_some();
        for number in lanes.iter().map(|lane| lane / group).collect::<std::collections::BTreeSet<_>>() {
            let members: Vec<usize> =
                (0..lanes.len()).filter(|place| lanes[*place] / group == number).filter(passed).collect();
            let runs: Vec<&Found> = members.iter().filter_map(|place| found_runs[*place].as_ref()).collect();
            let Some(step) = shared_step(&runs) else { continue };
            for (place, found) in members.iter().zip(&runs) {
                let at = (&mut centring[*place], &mut reference[*place], &mut settings[*place]);
                retrain(found, step, &mut surfaces[*place], request, at);
            }
        }
    }
    let mut stages = vec![stage(
        names[0],
        false,
        centring,
        &[
            "one lane narrow: local skew or crosstalk",
            "all lanes narrow: Vref, termination (RTT), or the data rate",
            "zero width on one lane: stuck or shorted DQ",
        ],
    )];
    if stages[0].passed() {
        stages.push(stage(
            names[1],
            false,
            reference,
            &["no code passes: swing or termination (RTT)", "best code at the end stop: wrong Vref range"],
        ));
    }
    TrainedLanes { stages, settings }
}

/// Where a lane trained by itself, and the draws it did so with.
struct Found {
    trained: Trained,
    threshold: f64,
    tap_shift: f64,
    vref_shift: f64,
}

/// The reference of lanes that share one: the middle of the steps that all of them pass at their taps, moved by the first
/// lane's draw; where no step passes on all, the mean of their own middles.
fn shared_step(lanes: &[&Found]) -> Option<u16> {
    let first = lanes.iter().map(|found| found.trained.vref_run.first).max()?;
    let last = lanes.iter().map(|found| found.trained.vref_run.last).min()?;
    if first > last {
        let sum: usize = lanes.iter().map(|found| found.trained.vref).sum();
        return Some((sum as f64 / lanes.len() as f64).round() as u16);
    }
    let run = Run { first, last, censored_low: false, censored_high: false };
    Some(settle(run.middle(), lanes.first()?.vref_shift, &run))
}

/// Centres a lane at a reference that is not its own.
fn retrain(
    found: &Found,
    step: u16,
    surface: &mut LaneSurface,
    request: &TrainingRequest,
    (delay, vref, setting): (&mut LaneTraining, &mut LaneTraining, &mut LanePoint),
) {
    let at = usize::from(step);
    let (taps, steps) = (surface.taps(), surface.vref_steps());
    let run = training::longest_run(taps, |tap| surface.ber(tap, at) <= found.threshold);
    let Some(run) = run.filter(|run| run.len() >= usize::from(request.fewest_taps)) else {
        vref.passed = false;
        vref.height_steps = Some(0.0);
        return;
    };
    let tap = settle(run.middle(), found.tap_shift, &run);
    let height =
        training::run_through(steps, at, |step| surface.ber(usize::from(tap), step) <= found.threshold);
    *setting = LanePoint { tap, vref: step };
    delay.delay_taps = Some(f64::from(tap));
    delay.width_taps = Some(run.len() as f64);
    delay.end_stop = run.censored_low || run.censored_high;
    vref.vref_step = Some(f64::from(step));
    vref.height_steps = Some(height.map_or(0.0, |run| run.len() as f64));
    vref.end_stop = height.is_some_and(|run| run.censored_low || run.censored_high);
    vref.passed = height.is_some_and(|run| run.len() >= usize::from(request.fewest_steps));
}

/// A centre shifted by a start's noise, kept inside the run it was found in.
fn settle(centre: usize, shift: f64, run: &Run) -> u16 {
    let moved = (centre as f64 + shift).round().max(0.0) as usize;
    moved.clamp(run.first, run.last) as u16
}
