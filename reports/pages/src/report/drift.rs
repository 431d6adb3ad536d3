//! Drift of a held training: where the eye's centre goes, as seen from the point trained, when temperature changes.

use super::plot::{AREA, Path, Plot, Scale, range};
use super::words::*;
use judge::judged::{JudgedRun, LaneValues, RunFacts};
use nightbench_core::results::EyeName;
use plan::matrix::Factor;
use std::collections::BTreeMap;

/// Lines of one plot: as many as the palette has.
const MOST_LINES: usize = 7;

/// Everything but temperature that tells two lines apart.
type Line = (EyeName, [u16; Factor::ALL.len()]);

/// Delay and Vref drift, where training was held and something moved.
pub(super) fn plots(run: &JudgedRun, facts: &RunFacts) -> Vec<Plot> {
    let Some(held) = facts.held_degc else { return Vec::new() };
    [
        (
            "Delay drift of the held training",
            "ps",
            (|lanes| lanes.centre_ps) as fn(&LaneValues) -> Option<f32>,
        ),
        ("Vref drift of the held training", "mV", |lanes| lanes.centre_mv),
    ]
    .into_iter()
    .filter_map(|(title, unit, value)| plot(run, facts.simulated, held, title, unit, value))
    .collect()
}

fn plot(
    run: &JudgedRun,
    simulated: bool,
    held: f64,
    title: &str,
    unit: &str,
    value: fn(&LaneValues) -> Option<f32>,
) -> Option<Plot> {
    let names = run.level_names.get(Factor::Temperature as usize)?;
    let mut lines: BTreeMap<Line, Vec<(f64, f64)>> = BTreeMap::new();
    for judged in &run.conditions {
        let name = names.get(judged.condition.level(Factor::Temperature));
        let Some(at) = name.and_then(|name| name.parse::<f64>().ok()) else { continue };
        for lanes in &judged.lanes {
            let Some(centre) = value(lanes) else { continue };
            let mut levels = judged.condition.levels;
            levels[Factor::Temperature as usize] = 0;
            lines.entry((lanes.eye, levels)).or_default().push((at, f64::from(centre)));
        }
    }
    lines.retain(|_, points| points.len() > 1);
    let all = lines.len();
    let mut order: Vec<(Line, Vec<(f64, f64)>)> = lines.into_iter().collect();
    let moved = |points: &[(f64, f64)]| {
        let (low, high) = range(points.iter().map(|point| point.1), &[points.first().map_or(0.0, |p| p.1)]);
        high - low
    };
    order.sort_by(|a, b| moved(&b.1).total_cmp(&moved(&a.1)));
    order.truncate(MOST_LINES);
    let (left, right) = range(order.iter().flat_map(|(_, points)| points).map(|point| point.0), &[held]);
    let (low, high) = range(order.iter().flat_map(|(_, points)| points).map(|point| point.1), &[0.0]);
    if order.is_empty() {
        return None;
    }
    let mut plot = Plot::new(title.into(), String::new(), simulated);
    let x = Scale::new(left, right, AREA.left, AREA.right);
    let y = Scale::new(low, high, AREA.bottom, AREA.top);
    let mut at = Path::default();
    at.line(&[(x.at(held), AREA.top), (x.at(held), AREA.bottom)]);
    at.line(&[(AREA.left, y.at(0.0)), (AREA.right, y.at(0.0))]);
    plot.draw(at, "hands");
    let factors: Vec<Factor> =
        varied(run).into_iter().filter(|factor| *factor != Factor::Temperature).collect();
    let mut n = 0;
    for (slot, ((eye, levels), points)) in order.iter_mut().enumerate() {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let along: Vec<(f64, f64)> = points.iter().map(|(t, v)| (x.at(*t), y.at(*v))).collect();
        n += along.len();
        let (mut path, mut dots) = (Path::default(), Path::default());
        path.line(&along);
        along.iter().for_each(|(x, y)| dots.dot(*x, *y));
        plot.draw(path, format!("line s{slot}"));
        plot.draw(dots, format!("dots s{slot}"));
        let condition = plan::expand::Condition { levels: *levels };
        let same = describe(run, &condition, &factors);
        plot.legend.push((slot, if same.is_empty() { eye.to_string() } else { format!("{same}, {eye}") }));
    }
    plot.x_ticks = x.ticks(6);
    plot.y_ticks = y.ticks(5);
    plot.x_label = "temperature, \u{b0}C".into();
    plot.y_label = format!("eye centre from the trained point, {unit}");
    plot.words = format!(
        "Mean over lanes whose eye is open; trained at {} \u{b0}C (dashed) and held. n = {}.{}",
        plain(held, 0),
        count(n, "point", "points"),
        if all > MOST_LINES {
            format!(" The {MOST_LINES} that move most of {all} are drawn.")
        } else {
            String::new()
        }
    );
    Some(plot)
}
