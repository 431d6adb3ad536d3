//! What the channel model expects of every condition: a nominal lane without any deviation, at the middle supply and three
//! temperatures; what lies between is interpolated.

use super::note::{Kept, Marks, keep_expected};
use crate::console::exit::Failure;
use crate::console::slow_notice::SlowNotice;
use crate::console::terminal::Terminal;
use crate::forecast::Forecast;
use crate::run::execute::Executor;
use crate::store::Store;
use contract::{CancelToken, Setting};
use eye::counts::ber_limit;
use judge::prediction::{Expected, EyeSize, Prior, Size, eye_size};
use nightbench_core::lane_model::{FRINGE, LaneModel};
use nightbench_core::results::{Direction, Grid};
use plan::Plan;
use plan::expand::{Condition, Expansion, Job};
use plan::matrix::Factor;
use rayon::prelude::*;
use simulator::nominal::NominalLane;
use simulator::physics::Measured;
use simulator::target::{MODEL_VERSION, expected_eyes};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

const ASKING: &str = "asking the channel model what it expects of each condition ...";

/// Levels that a nominal lane hangs on.
type Place = [u16; 5];

/// The model's answers as a folder keeps them for its plan; asked for, and kept, where it has none.
///
/// # Errors
/// Exit 74: the store cannot be read or written.
pub fn kept_expected(
    terminal: &Terminal,
    (plan, forecast, executor): (&Plan, &Forecast, &Executor<'_>),
    measured: &BTreeMap<String, Measured>,
    (store, marks): (&mut Store, &Marks),
    threads: usize,
    cancel: &CancelToken,
) -> Result<Prior, Failure> {
    if let Some(kept) = Kept::of(store.reader(), marks)?.filter(|kept| kept.model == MODEL_VERSION) {
        return Ok(kept.prior);
    }
    terminal.note(ASKING);
    let prior = expected(plan, &forecast.expansion, executor, measured, threads, cancel);
    if cancel.is_cancelled() {
        // What was not asked must not be taken for what it has no answer for.
        return Ok(Prior::default());
    }
    keep_expected(store, MODEL_VERSION, &prior, marks)?;
    // As every later run and report reads it.
    Ok(Kept::of(store.reader(), marks)?.map_or(prior, |kept| kept.prior))
}

/// As [`kept_expected`], where nothing is kept.
pub fn ask(
    terminal: &Terminal,
    (plan, forecast, executor): (&Plan, &Forecast, &Executor<'_>),
    measured: &BTreeMap<String, Measured>,
) -> Prior {
    let _notice = SlowNotice::start(terminal, ASKING);
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get);
    expected(plan, &forecast.expansion, executor, measured, threads, &CancelToken::new())
}

/// Asks the model for the conditions of a whole plan; those it has no answer for are left out. `measured`: data of measured channels.
pub fn expected(
    plan: &Plan,
    expansion: &Expansion,
    executor: &Executor<'_>,
    measured: &BTreeMap<String, Measured>,
    threads: usize,
    cancel: &CancelToken,
) -> Prior {
    let supply = middle_supply(plan);
    let asked_at = asked_temperatures(plan);
    let place = |condition: &Condition, temperature: u16| -> Place {
        let level = |factor: Factor| condition.levels[factor as usize];
        [
            level(Factor::Module),
            level(Factor::Channel),
            level(Factor::Rate),
            level(Factor::Pattern),
            temperature,
        ]
    };
    let mut asked: BTreeMap<Place, Condition> = BTreeMap::new();
    for condition in &expansion.conditions {
        let celsius = condition.temperature(plan).0;
        for (temperature, _) in around(&asked_at, celsius) {
            let mut nominal = *condition;
            nominal.levels[Factor::Temperature as usize] = temperature;
            nominal.levels[Factor::Supply as usize] = supply;
            nominal.levels[Factor::Chip as usize] = 0;
            nominal.levels[Factor::Firmware as usize] = 0;
            asked.entry(place(condition, temperature)).or_insert(nominal);
        }
    }
    let asked: Vec<(Place, Condition)> = asked.into_iter().collect();
    let answer = |(place, condition): &(Place, Condition)| {
        if cancel.is_cancelled() {
            return (*place, BTreeMap::new());
        }
        (*place, sizes(plan, condition, executor, measured))
    };
    let ask = || asked.par_iter().map(answer).collect::<BTreeMap<Place, BTreeMap<Direction, Sizes>>>();
    let answers = match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
        Ok(pool) => pool.install(ask),
        Err(_) => asked.iter().map(answer).collect(),
    };
    let mut prior = Prior::default();
    for (index, condition) in (0_u32..).zip(&expansion.conditions) {
        let between = around(&asked_at, condition.temperature(plan).0);
        for direction in &plan.capture.directions {
            let of = |temperature: u16| answers.get(&place(condition, temperature))?.get(direction).copied();
            let mut mixed: Option<Sizes> = Some([Size { share: 0.0, scatter: 0.0 }; 2]);
            for (temperature, weight) in &between {
                mixed = mixed.zip(of(*temperature)).map(|(sum, one)| {
                    std::array::from_fn(|at| Size {
                        share: sum[at].share + weight * one[at].share,
                        scatter: sum[at].scatter + weight * one[at].scatter,
                    })
                });
            }
            if let (Some([width, height]), Some(grid)) = (mixed, grid_of(plan, condition, *direction)) {
                prior.expected.push(Expected {
                    condition: index,
                    direction: *direction,
                    width: rounded(width),
                    height: rounded(height),
                    ui_ps: grid.ui.0,
                    tap_ps: grid.tap_step.0,
                    vddq_mv: grid.vddq.0,
                    step_mv: grid.vref_step.0,
                });
            }
        }
    }
    prior
}

/// Width and height.
type Sizes = [Size; 2];

/// To a millionth: the last bits of exponentials differ between systems, and no choice may hang on them.
fn rounded(size: Size) -> Size {
    let round = |value: f64| (value * 1e6).round() / 1e6;
    Size { share: round(size.share), scatter: round(size.scatter) }
}

fn grid_of(plan: &Plan, condition: &Condition, direction: Direction) -> Option<Grid> {
    let (module, rate, supply) = (condition.module(plan), condition.rate(plan), condition.supply(plan));
    let eyes = expected_eyes(&plan.interface, module, rate, supply, &[direction]);
    eyes.first().map(|eye| eye.grid)
}

/// The narrowest eye of each direction, as shares; nothing where the model has no answer.
fn sizes(
    plan: &Plan,
    condition: &Condition,
    executor: &Executor<'_>,
    measured: &BTreeMap<String, Measured>,
) -> BTreeMap<Direction, Sizes> {
    let job = Job { condition: 0, mounting: 0, repeat: 0, start: 0 };
    let setting = without_faults(executor.setting(condition, &job, 1));
    let data = measured.get(&setting.channel.name).cloned();
    if setting.channel.measured.is_some() && data.is_none() {
        return BTreeMap::new();
    }
    let Ok(lane) = NominalLane::new(&plan.interface, &setting, &plan.model, data) else {
        return BTreeMap::new();
    };
    let eyes = expected_eyes(
        &plan.interface,
        &setting.module,
        setting.rate,
        &setting.supply,
        &plan.capture.directions,
    );
    let limit = ber_limit(&plan.capture.rule);
    let mut narrowest: BTreeMap<Direction, Sizes> = BTreeMap::new();
    let mut seen = BTreeSet::new();
    for eye in eyes {
        // Sub-channels have the same lines.
        if !seen.insert((eye.eye.direction, eye.eye.rank)) {
            continue;
        }
        let Ok(ratios) = lane.error_ratios(eye.eye, &[]) else {
            return BTreeMap::new();
        };
        let (taps, steps) = (usize::from(eye.grid.taps), usize::from(eye.grid.vref_steps));
        let fringe = usize::from(FRINGE) * taps;
        let Some(own) = ratios.get(fringe..fringe + taps * steps) else { return BTreeMap::new() };
        let found = shares(&eye_size(own, taps, limit), &eye.grid);
        let slot = narrowest.entry(eye.eye.direction).or_insert(found);
        if found[0].share < slot[0].share {
            *slot = found;
        }
    }
    narrowest
}

fn shares(size: &EyeSize, grid: &Grid) -> Sizes {
    let (tap, step) = (grid.tap_step.0 / grid.ui.0, grid.vref_step.0 / grid.vddq.0);
    [
        Size { share: size.width_taps * tap, scatter: size.width_scatter_taps * tap },
        Size { share: size.height_steps * step, scatter: size.height_scatter_steps * step },
    ]
}

/// A planted fault is what a run is to find: the model does not know it.
fn without_faults(mut setting: Setting) -> Setting {
    if setting.module.fault.is_some() {
        let mut sound = (*setting.module).clone();
        sound.overrides.clear();
        sound.lane_models.clear();
        setting.module = Arc::new(sound);
    }
    setting
}

/// The supply level in the middle, by the mean of its rails.
fn middle_supply(plan: &Plan) -> u16 {
    let mean = |index: &usize| {
        let rails = &plan.supplies[*index].rails;
        rails.iter().map(|(_, volts)| volts.0).sum::<f64>() / rails.len().max(1) as f64
    };
    let mut levels: Vec<(f64, u16)> = plan.matrix.supplies.iter().map(mean).zip(0..).collect();
    levels.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    levels.get(levels.len() / 2).map_or(0, |(_, level)| *level)
}

/// Coldest, hottest, and the one nearest 25 °C: level and °C in rising order.
fn asked_temperatures(plan: &Plan) -> Vec<(u16, f64)> {
    let mut all: Vec<(u16, f64)> =
        (0..).zip(&plan.matrix.temperatures).map(|(level, one)| (level, one.0)).collect();
    all.sort_by(|a, b| a.1.total_cmp(&b.1));
    let middle = all.iter().copied().min_by(|a, b| (a.1 - 25.0).abs().total_cmp(&(b.1 - 25.0).abs()));
    let mut asked: Vec<(u16, f64)> =
        [all.first().copied(), middle, all.last().copied()].into_iter().flatten().collect();
    asked.sort_by(|a, b| a.1.total_cmp(&b.1));
    asked.dedup();
    asked
}

/// The temperatures asked for on either side of one, each with its weight.
fn around(asked: &[(u16, f64)], celsius: f64) -> Vec<(u16, f64)> {
    for pair in asked.windows(2) {
        let ((low, from), (high, to)) = (pair[0], pair[1]);
        if (from..=to).contains(&celsius) && to > from {
            let part = (celsius - from) / (to - from);
            return [(low, 1.0 - part), (high, part)]
                .into_iter()
                .filter(|(_, weight)| *weight > 0.0)
                .collect();
        }
    }
    asked.first().map(|(level, _)| (*level, 1.0)).into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::around;

    #[test]
    fn a_temperature_between_two_takes_its_share_of_either() {
        let asked = [(3, -40.0), (0, 25.0), (1, 95.0)];
        assert_eq!(around(&asked, 25.0), [(0, 1.0)]);
        assert_eq!(around(&asked, 95.0), [(1, 1.0)]);
        assert_eq!(around(&asked, 60.0), [(0, 0.5), (1, 0.5)]);
        assert_eq!(around(&asked[1..2], 25.0), [(0, 1.0)]);
    }
}
