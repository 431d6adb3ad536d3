//! Worst margin against rate, temperature and supply, one line a module and channel.

use super::distributions::{Margins, shorten};
use super::lanes::capital;
use super::plot::{AREA, Path, Plot, Scale, Tick, range};
use super::words::*;
use judge::judged::JudgedRun;
use nightbench_core::condition::ConditionState;
use plan::matrix::Factor;
use std::collections::{BTreeMap, BTreeSet};

/// Lines of one plot: as many as the palette has.
const MOST_LINES: usize = 7;

/// One plot a metric and factor, where the factor has more than one level.
pub(super) fn plots(run: &JudgedRun, margins: &[Margins], simulated: bool) -> Vec<Plot> {
    let factors = [Factor::Rate, Factor::Temperature, Factor::Supply];
    let varied = varied(run);
    margins
        .iter()
        .flat_map(|metric| {
            factors
                .iter()
                .filter(|factor| varied.contains(factor))
                .map(move |factor| trend(run, metric, *factor, simulated))
        })
        .collect()
}

fn trend(run: &JudgedRun, margins: &Margins, factor: Factor, simulated: bool) -> Plot {
    // The worst margin of each setup at each level, over everything else that was varied.
    let mut lines: BTreeMap<(usize, usize), BTreeMap<usize, f64>> = BTreeMap::new();
    for (index, value) in &margins.values {
        let Some(judged) = run.conditions.get(*index) else { continue };
        let setup = (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel));
        let slot = lines.entry(setup).or_default().entry(judged.condition.level(factor)).or_insert(*value);
        *slot = slot.min(*value);
    }
    // A failed training has no margin: it is marked at the foot of the plot, where it cannot be overlooked.
    let mut untrained: BTreeMap<(usize, usize), BTreeSet<usize>> = BTreeMap::new();
    let mut failures = 0;
    for judged in run.conditions.iter().filter(|one| one.state == ConditionState::TrainingFailed) {
        let setup = (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel));
        untrained.entry(setup).or_default().insert(judged.condition.level(factor));
        lines.entry(setup).or_default();
        failures += 1;
    }
    let all = lines.len();
    let mut order: Vec<((usize, usize), BTreeMap<usize, f64>)> = lines.into_iter().collect();
    let lowest = |line: &BTreeMap<usize, f64>| line.values().copied().fold(f64::INFINITY, f64::min);
    if all > MOST_LINES {
        // Setups with failed trainings come first: nothing is worse.
        let trained = |setup: &(usize, usize)| !untrained.contains_key(setup);
        order.sort_by(|a, b| trained(&a.0).cmp(&trained(&b.0)).then(lowest(&a.1).total_cmp(&lowest(&b.1))));
        order.truncate(MOST_LINES);
    }
    let unit = margins.metric.base_unit();
    let mut plot = Plot::new(
        format!("{} margin against {}", capital(margins.metric.name()), factor.name()),
        String::new(),
        simulated,
    );
    let positions = positions(run, factor);
    let (left, right) = range(positions.iter().map(|(at, _)| *at), &[]);
    let x = Scale::new(left, right, AREA.left, AREA.right);
    let values = order.iter().flat_map(|(_, line)| line.values().copied());
    let (low, high) = range(values, &[0.0, -margins.guard.1, margins.guard.1]);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    plot.limit_along(y, margins.guard.1, AREA);
    let mut points = 0;
    let mut stacked: BTreeMap<usize, u32> = BTreeMap::new();
    for (slot, ((module, channel), line)) in order.iter().enumerate() {
        let mut along: Vec<(f64, f64)> = line
            .iter()
            .filter_map(|(level, value)| Some((x.at(positions.get(*level)?.0), y.at(*value))))
            .collect();
        along.sort_by(|a, b| a.0.total_cmp(&b.0));
        points += along.len();
        let (mut path, mut dots) = (Path::default(), Path::default());
        path.line(&along);
        along.iter().for_each(|(x, y)| dots.dot(*x, *y));
        let mut crosses = Path::default();
        for level in untrained.get(&(*module, *channel)).into_iter().flatten() {
            if let Some((at, _)) = positions.get(*level) {
                // One above the other where several setups fail at one level.
                let below = stacked.entry(*level).or_insert(0u32);
                crosses.cross(x.at(*at), AREA.bottom - 7.0 - 10.0 * f64::from(*below), 4.0);
                *below += 1;
            }
        }
        plot.draw(crosses, format!("untrained s{slot}"));
        plot.draw(path, format!("line s{slot}"));
        plot.draw(dots, format!("dots s{slot}"));
        let names = (level_name(run, Factor::Module, *module), level_name(run, Factor::Channel, *channel));
        plot.legend.push(format!("{}, {}", names.0, names.1));
    }
    plot.x_ticks = spaced(&positions, x);
    plot.y_ticks = y.ticks(5);
    plot.x_label = match factor {
        Factor::Rate => "data rate, MT/s".into(),
        Factor::Temperature => "temperature, \u{b0}C".into(),
        _ => factor.name().into(),
    };
    plot.y_label = format!("worst margin, {unit}");
    let left_out = if all > MOST_LINES {
        format!(" The {MOST_LINES} setups with the lowest margins of {all} are drawn.")
    } else {
        String::new()
    };
    let failed = if failures > 0 {
        format!(
            " A cross at the foot: training failed there at {}, which has no margin.",
            count(failures, "condition", "conditions")
        )
    } else {
        String::new()
    };
    plot.words = format!(
        "Worst over everything else varied. n = {} from {}.{failed}{left_out}",
        count(points, "point", "points"),
        count(margins.values.len(), "condition", "conditions")
    );
    plot
}

/// Where each level lies on the axis: its number where every level is one, else its place in the list.
fn positions(run: &JudgedRun, factor: Factor) -> Vec<(f64, String)> {
    let names = run.level_names.get(factor as usize).map_or(&[][..], Vec::as_slice);
    let numbers: Option<Vec<f64>> =
        names.iter().map(|name| name.parse().ok().filter(|n: &f64| n.is_finite())).collect();
    match numbers {
        Some(numbers) if factor != Factor::Supply => numbers.into_iter().zip(names.iter().cloned()).collect(),
        _ => names.iter().enumerate().map(|(index, name)| (index as f64, shorten(name, 14))).collect(),
    }
}

/// A tick a level, leaving out those too near to the one before.
fn spaced(positions: &[(f64, String)], x: Scale) -> Vec<Tick> {
    let mut sorted: Vec<&(f64, String)> = positions.iter().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut ticks = Vec::new();
    let mut last = f64::NEG_INFINITY;
    for (value, name) in sorted {
        let at = x.at(*value);
        let need = 6.5 * name.chars().count() as f64 + 4.0;
        if at - last >= need {
            ticks.push(Tick { at: coordinate(at), text: name.replace('-', "\u{2212}") });
            last = at;
        }
    }
    ticks
}
