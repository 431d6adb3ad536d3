//! Worst margin against rate, temperature and supply, one line a module and channel, read and write apart.

use super::distributions::{Margins, shorten};
use super::plot::{AREA, Path, Plot, SLOTS, Scale, Tick, range};
use super::words::*;
use judge::judged::{JudgedCondition, JudgedRun};
use nightbench_core::condition::ConditionState;
use plan::matrix::Factor;
use std::collections::{BTreeMap, BTreeSet};

/// The setups that have a colour of their own, the same in every plot: all, or those with the lowest margins.
struct Colours {
    slots: BTreeMap<Setup, usize>,
    all: usize,
}

/// Module and channel.
type Setup = (usize, usize);

fn setup_of(judged: &JudgedCondition) -> Setup {
    (judged.condition.level(Factor::Module), judged.condition.level(Factor::Channel))
}

impl Colours {
    fn of(run: &JudgedRun) -> Colours {
        // Nothing is worse than a training that fails.
        let mut lowest: BTreeMap<Setup, f64> = BTreeMap::new();
        for judged in &run.conditions {
            let own = match (judged.state, judged.worst()) {
                (ConditionState::TrainingFailed, _) => f64::NEG_INFINITY,
                (_, Some(worst)) if worst.limit > 0.0 => worst.margin / worst.limit,
                (_, Some(worst)) => worst.margin,
                (_, None) => continue,
            };
            let known = lowest.entry(setup_of(judged)).or_insert(own);
            *known = known.min(own);
        }
        let mut setups: Vec<(Setup, f64)> = lowest.into_iter().collect();
        let all = setups.len();
        setups.sort_by(|a, b| a.1.total_cmp(&b.1));
        setups.truncate(SLOTS);
        setups.sort_by_key(|(setup, _)| *setup);
        Colours {
            slots: setups.into_iter().enumerate().map(|(slot, (setup, _))| (setup, slot)).collect(),
            all,
        }
    }

    /// Style of a setup's line and marks.
    fn class(&self, setup: Setup) -> String {
        self.slots.get(&setup).map_or("others".into(), |slot| format!("s{slot}"))
    }
}

/// One plot a metric, direction and factor, where the factor has more than one level.
pub(super) fn plots(run: &JudgedRun, margins: &[Margins], simulated: bool) -> Vec<Plot> {
    let factors = [Factor::Rate, Factor::Temperature, Factor::Supply];
    let varied = varied(run);
    let colours = &Colours::of(run);
    margins
        .iter()
        .flat_map(|metric| {
            factors
                .iter()
                .filter(|factor| varied.contains(factor))
                .map(move |factor| trend(run, metric, *factor, colours, simulated))
        })
        .collect()
}

fn trend(run: &JudgedRun, margins: &Margins, factor: Factor, colours: &Colours, simulated: bool) -> Plot {
    // The worst margin of each setup at each level, over everything else that was varied.
    let mut lines: BTreeMap<Setup, BTreeMap<usize, f64>> = BTreeMap::new();
    for (index, value) in &margins.values {
        let Some(judged) = run.conditions.get(*index) else { continue };
        let setup = setup_of(judged);
        let slot = lines.entry(setup).or_default().entry(judged.condition.level(factor)).or_insert(*value);
        *slot = slot.min(*value);
    }
    // A failed training has no margin: it is marked at the foot of the plot, where it cannot be overlooked.
    let mut untrained: BTreeMap<Setup, BTreeSet<usize>> = BTreeMap::new();
    let mut failures = 0;
    for judged in run.conditions.iter().filter(|one| one.state == ConditionState::TrainingFailed) {
        let setup = setup_of(judged);
        untrained.entry(setup).or_default().insert(judged.condition.level(factor));
        lines.entry(setup).or_default();
        failures += 1;
    }
    // Those with a colour come last, on top of the others.
    let mut order: Vec<(Setup, BTreeMap<usize, f64>)> = lines.into_iter().collect();
    order.sort_by_key(|(setup, _)| (colours.slots.contains_key(setup), *setup));
    let unit = margins.metric.base_unit();
    let mut plot =
        Plot::new(format!("{}, against {}", margins.title(), factor.name()), String::new(), simulated);
    let positions = positions(run, factor);
    let (mut left, mut right) = range(positions.levels.iter().map(|(at, _)| *at), &[]);
    if !positions.numbers {
        (left, right) = (left - 0.4, right + 0.4);
    }
    let x = Scale::new(left, right, AREA.left, AREA.right);
    let values = order.iter().flat_map(|(_, line)| line.values().copied());
    let (low, high) = range(values, &[0.0, -margins.guard.1, margins.guard.1]);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    plot.limit_along(y, margins.guard.1, AREA);
    let mut points = 0;
    let mut stacked: BTreeMap<usize, u32> = BTreeMap::new();
    let last = order.len().saturating_sub(1) as f64;
    for (place, (setup, line)) in order.iter().enumerate() {
        // Levels that are names, not numbers, are not joined; side by side, so that none hides another.
        let aside =
            if positions.numbers { 0.0 } else { ((place as f64) - last / 2.0) * (40.0 / last.max(8.0)) };
        let mut along: Vec<(f64, f64)> = line
            .iter()
            .filter_map(|(level, value)| Some((x.at(positions.levels.get(*level)?.0) + aside, y.at(*value))))
            .collect();
        along.sort_by(|a, b| a.0.total_cmp(&b.0));
        points += along.len();
        let (mut path, mut dots, mut crosses) = (Path::default(), Path::default(), Path::default());
        if positions.numbers {
            path.line(&along);
        }
        along.iter().for_each(|(x, y)| dots.dot(*x, *y));
        for level in untrained.get(setup).into_iter().flatten() {
            if let Some((at, _)) = positions.levels.get(*level) {
                // One above the other where several setups fail at one level.
                let below = stacked.entry(*level).or_insert(0u32);
                crosses.cross(x.at(*at), AREA.bottom - 7.0 - 10.0 * f64::from(*below), 4.0);
                *below += 1;
            }
        }
        let class = colours.class(*setup);
        plot.draw(crosses, format!("untrained {class}"));
        plot.draw(path, format!("line {class}"));
        plot.draw(dots, format!("dots {class}"));
        if let Some(slot) = colours.slots.get(setup) {
            let names = (level_name(run, Factor::Module, setup.0), level_name(run, Factor::Channel, setup.1));
            plot.legend.push((*slot, format!("{}, {}", names.0, names.1)));
        }
    }
    plot.x_ticks = spaced(&positions.levels, x);
    plot.y_ticks = y.ticks(5);
    plot.x_label = match factor {
        Factor::Rate => "data rate, MT/s".into(),
        Factor::Temperature => "temperature, \u{b0}C".into(),
        _ => factor.name().into(),
    };
    plot.y_label = format!("worst margin, {unit}");
    let left_out = if colours.all > SLOTS {
        format!(
            " Of {} the {SLOTS} with the lowest margins have a colour, the same in every plot; the others are grey.",
            count(colours.all, "setup", "setups")
        )
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

/// Where the levels of a factor lie on an axis.
struct Positions {
    /// Every level is a number, and lies at it; else each at its place in the list.
    numbers: bool,
    levels: Vec<(f64, String)>,
}

fn positions(run: &JudgedRun, factor: Factor) -> Positions {
    let names = run.level_names.get(factor as usize).map_or(&[][..], Vec::as_slice);
    let numbers: Option<Vec<f64>> =
        names.iter().map(|name| name.parse().ok().filter(|n: &f64| n.is_finite())).collect();
    match numbers {
        Some(numbers) if factor != Factor::Supply => {
            Positions { numbers: true, levels: numbers.into_iter().zip(names.iter().cloned()).collect() }
        }
        _ => {
            let place = |(index, name): (usize, &String)| (index as f64, shorten(name, 14));
            Positions { numbers: false, levels: names.iter().enumerate().map(place).collect() }
        }
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
