//! What the counts can tell of the figures: intervals from the scatter between lanes and between eyes, correlations, the weakest direction.

use super::equations::Solved;
use super::frames::Frame;
use super::normal::Normal;
use super::problem::{OWN, Problem, State};
use nightbench_core::figure_model::Figure;
use statistics::eigen::eigen;
use statistics::nonnegative::Symmetric;
use statistics::special::t_quantile;
use std::collections::BTreeMap;

/// Correlation from which on two figures have no names of their own.
const ONE: f64 = 0.9;
/// Parts of a direction that are named.
const NAMED: f64 = 0.25;
/// Fewest lanes whose scatter says anything.
pub const FEWEST_LANES: usize = 4;
/// The same of eyes.
const FEWEST_EYES: usize = 3;

/// A direction in the space of the figures' logarithms.
#[derive(Debug, Clone, PartialEq)]
pub struct Direction {
    /// Share of each free figure.
    pub parts: Vec<f64>,
    /// Standard uncertainty along it.
    pub u: f64,
    pub words: String,
}

/// Two figures of which only a combination is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Fixed {
    pub first: usize,
    pub second: usize,
    pub correlation: f64,
    pub words: String,
}

/// What is known of the figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Identified {
    /// Covariance of the logarithms: scatter between lanes and between eyes, and what the priors hold back.
    pub covariance: Symmetric,
    /// The same with the contacts of each setup behind the figures.
    pub all: Symmetric,
    /// Factor from a standard uncertainty to an interval of 95 %.
    pub k: f64,
    /// Lanes whose scatter it rests on.
    pub lanes: usize,
    /// Correlations by the information of the counts.
    pub correlation: Symmetric,
    pub weakest: Direction,
    pub fixed: Vec<Fixed>,
}

/// What each piece of copper pulls at the figures, its own and its delay line's unknowns eliminated; those fitted only.
pub fn scores(solved: &Solved, figures: usize) -> Vec<Vec<f64>> {
    let fitted = solved.whos.iter().zip(&solved.line_of).filter(|(_, line)| **line != usize::MAX);
    fitted
        .map(|(who, line)| {
            let own = &who.g[figures..];
            (0..figures).map(|at| who.g[at] + solved.lines[*line].passed_on(at, own)).collect()
        })
        .collect()
}

/// What each eye pulls at the figures, everything that its lanes have of their own eliminated.
fn eye_scores(problem: &Problem<'_>, solved: &Solved, figures: usize) -> Vec<Vec<f64>> {
    let mut by_eye: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (at, pull) in problem.used.iter().zip(&solved.pulls) {
        let lane = &problem.lanes.lanes[*at];
        let line = &solved.lines[lane.line];
        let (shared, own) = pull.split_at(pull.len() - OWN);
        let who = &solved.who_back[lane.who];
        let passed: Vec<f64> =
            shared.iter().enumerate().map(|(column, g)| g + who.passed_on(column, own)).collect();
        let score = by_eye.entry(lane.eye).or_insert_with(|| vec![0.0; figures]);
        for (column, sum) in score.iter_mut().enumerate() {
            *sum += passed[column] + line.passed_on(column, &passed[figures..]);
        }
    }
    by_eye.into_values().collect()
}

/// Covariance of the sum of scores.
pub fn scatter(scores: &[Vec<f64>], figures: usize) -> Symmetric {
    let n = scores.len() as f64;
    let mean: Vec<f64> =
        (0..figures).map(|at| scores.iter().map(|score| score[at]).sum::<f64>() / n).collect();
    let mut sum = Symmetric::zero(figures);
    for score in scores {
        let off: Vec<f64> = score.iter().zip(&mean).map(|(score, mean)| score - mean).collect();
        sum.add_outer(&off, n / (n - 1.0));
    }
    sum
}

fn product(a: &Symmetric, b: &Symmetric) -> Symmetric {
    let n = a.size;
    let mut entries = vec![0.0; n * n];
    for row in 0..n {
        for column in 0..n {
            entries[row * n + column] = (0..n).map(|k| a.at(row, k) * b.at(k, column)).sum();
        }
    }
    Symmetric { size: n, entries }
}

/// Looks at a fit.
///
/// # Errors
/// Figures that the counts leave undetermined.
pub fn identify(
    problem: &Problem<'_>,
    frames: &[Option<Frame>],
    state: &State,
) -> Result<Identified, String> {
    let k = state.theta.len();
    let solved = problem.system(&problem.stacks(frames, None, k), state, &vec![0.0; k], k, None);
    let mut whole: Normal = solved.normal.clone();
    (0..k).for_each(|at| whole.known(at, state.theta[at], problem.column_sd(at)));
    let failed = "the counts leave the figures undetermined";
    let inverse = whole.matrix().inverse().ok_or(failed)?;
    let scores = scores(&solved, k);
    let lanes = scores.len();
    let (mut covariance, factor) = if lanes >= FEWEST_LANES {
        let mut both = scatter(&scores, k);
        let mut fewest = lanes;
        // What all lanes of an eye share, the model's faults above all, shows between eyes only.
        let eyes = eye_scores(problem, &solved, k);
        if eyes.len() >= FEWEST_EYES {
            both.entries.iter_mut().zip(&scatter(&eyes, k).entries).for_each(|(sum, part)| *sum += part);
            fewest = fewest.min(eyes.len());
        }
        let t = t_quantile(0.975, fewest as f64 - 1.0).map_err(|error| error.to_string())?;
        (product(&product(&inverse, &both), &inverse), t)
    } else {
        (inverse.clone(), 2.0)
    };
    // Where a prior holds an estimate back, the truth may lie as far away as the prior allows.
    for row in 0..k {
        for column in 0..k {
            let held = (0..k)
                .map(|at| inverse.at(row, at) * inverse.at(at, column) * problem.column_sd(at).powi(-2));
            covariance.entries[row * k + column] += held.sum::<f64>();
        }
    }
    // The contacts of the mountings are part of what is not known; what follows is of the figures.
    let free = problem.asked.free.len();
    let (inverse, all) = (first(&inverse, free), covariance);
    let k = free;
    let covariance = first(&all, free);
    let information = inverse.inverse().ok_or(failed)?;
    let sd: Vec<f64> = (0..k).map(|at| inverse.at(at, at).sqrt()).collect();
    let mut correlation = Symmetric::zero(k);
    for row in 0..k {
        for column in 0..k {
            correlation.entries[row * k + column] = inverse.at(row, column) / (sd[row] * sd[column]);
        }
    }
    let figures: Vec<&Figure> = problem.asked.free.iter().map(|at| &problem.asked.figures[*at]).collect();
    let directions = eigen(&information).ok_or(failed)?;
    let parts = directions.vectors.first().cloned().unwrap_or_default();
    let weakest = weakest(&figures, parts, &covariance);
    let mut fixed = Vec::new();
    for one in 0..k {
        for other in one + 1..k {
            let r = correlation.at(one, other);
            if r.abs() > ONE {
                fixed.push(combined(&figures, state, &covariance, (one, other), r));
            }
        }
    }
    Ok(Identified { covariance, all, k: factor, lanes, correlation, weakest, fixed })
}

/// The first rows and columns.
fn first(matrix: &Symmetric, size: usize) -> Symmetric {
    let rows = (0..size).flat_map(|row| (0..size).map(move |column| matrix.at(row, column)));
    Symmetric { size, entries: rows.collect() }
}

fn along(covariance: &Symmetric, parts: &[f64]) -> f64 {
    let n = covariance.size;
    let rows = (0..n)
        .map(|row| parts[row] * (0..n).map(|column| covariance.at(row, column) * parts[column]).sum::<f64>());
    rows.sum::<f64>().max(0.0).sqrt()
}

fn weakest(figures: &[&Figure], mut parts: Vec<f64>, covariance: &Symmetric) -> Direction {
    // The largest part goes up.
    let largest = parts.iter().copied().max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(1.0);
    parts.iter_mut().for_each(|part| *part *= largest.signum());
    let mut order: Vec<usize> = (0..parts.len()).filter(|at| parts[*at].abs() >= NAMED).collect();
    order.sort_by(|a, b| parts[*b].abs().total_cmp(&parts[*a].abs()));
    let u = along(covariance, &parts);
    let named: Vec<String> = order
        .iter()
        .map(|at| {
            let way = if parts[*at] > 0.0 { "up" } else { "down" };
            format!("{} {way} by {:.1} %", figures[*at].name, 100.0 * u * parts[*at].abs())
        })
        .collect();
    let words = match named.len() {
        0 => String::new(),
        1 => {
            format!("Least known: {}, to {:.1} % (standard uncertainty).", figures[order[0]].name, 100.0 * u)
        }
        _ => format!(
            "Least known: {}, together: the counts change least along this way (one standard uncertainty).",
            named.join(", ")
        ),
    };
    Direction { parts, u, words }
}

fn combined(
    figures: &[&Figure],
    state: &State,
    covariance: &Symmetric,
    (first, second): (usize, usize),
    r: f64,
) -> Fixed {
    let value = |at: usize| figures[at].value * state.theta[at].exp();
    let (a, b) = (figures[first], figures[second]);
    let words = if r < 0.0 && a.unit == b.unit {
        let mut parts = vec![0.0; covariance.size];
        (parts[first], parts[second]) = (value(first), value(second));
        format!(
            "{} and {} (correlation {r:+.2}): only their sum is known, {:.4} {} with a standard uncertainty of {:.2} {}",
            a.name,
            b.name,
            value(first) + value(second),
            a.unit,
            along(covariance, &parts),
            a.unit
        )
    } else {
        let mut parts = vec![0.0; covariance.size];
        (parts[first], parts[second]) = (1.0, -r.signum());
        let what = if r < 0.0 { "product" } else { "ratio" };
        format!(
            "{} and {} (correlation {r:+.2}): only their {what} is known, to {:.1} % (standard uncertainty)",
            a.name,
            b.name,
            100.0 * along(covariance, &parts)
        )
    };
    Fixed { first, second, correlation: r, words }
}
