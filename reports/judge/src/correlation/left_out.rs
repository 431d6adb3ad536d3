//! What the likelihood would gain if a figure that was not fitted were free: a model that is wrong elsewhere shows here, however well it
//! meets the counts.

use super::frames::Frame;
use super::identify::{FEWEST_LANES, scatter, scores};
use super::problem::{PRIOR_SD, Problem, State, What};
use statistics::nonnegative::Symmetric;
use statistics::special::{normal_quantile, t_quantile};

/// Risk that chance tells any figure of a model that is right.
const LEVEL: f64 = 0.05;
/// A change that is none, logarithm: rounding of surfaces, the same in every lane, shows as one.
const LEAST_CHANGE: f64 = 0.03;

/// What the model's rounding does to every point at most, in its standard deviations: over many points it adds up.
const ROUNDING: f64 = 0.1;

/// One figure that was not fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    pub name: String,
    /// Gain of the logarithm of the weighted likelihood, the figures fitted following.
    pub gain: f64,
    /// Where it would go: logarithm of the factor.
    pub change: f64,
    /// What the lanes say, in standard deviations of their scatter; `None` with too few lanes.
    pub lanes_say: Option<f64>,
    /// More than chance: by the likelihood and by the lanes' agreement among themselves.
    pub told: bool,
}

/// Every figure left out that the counts tell anything of, most gained first, and the gain that chance and the model's rounding give.
///
/// # Errors
/// A model without an answer.
pub fn left_out(
    problem: &Problem<'_>,
    frames: &[Option<Frame>],
    state: &State,
) -> Result<(Vec<LeftOut>, f64), String> {
    let free = state.theta.len();
    let candidates: Vec<usize> =
        (0..problem.asked.figures.len()).filter(|at| !problem.asked.free.contains(at)).collect();
    let sources = problem.sources_of(&problem.used);
    let all = free + candidates.len();
    let mut more = frames.to_vec();
    let what: Vec<What> = candidates.iter().copied().map(What::Figure).collect();
    problem.add(&sources, &state.theta, &mut more, &what)?;
    let stacks = problem.stacks(&more, None, all);
    drop(more);
    let solved = problem.system(&stacks, state, &vec![0.0; all], all, None);
    let h = solved.normal.matrix();
    let scores = scores(&solved, all);
    let lanes = scores.len();
    let scattered = (lanes >= FEWEST_LANES).then(|| scatter(&scores, all));
    let mut known = Symmetric::zero(free);
    for row in 0..free {
        for column in 0..free {
            known.entries[row * free + column] = h.at(row, column);
        }
        known.entries[row * free + row] += problem.column_sd(row).powi(-2);
    }
    let every: Vec<usize> = (0..free).collect();
    let effective: Vec<usize> =
        (0..candidates.len()).filter(|at| h.at(free + at, free + at) > 1e-6).collect();
    let tail = LEVEL / 2.0 / effective.len().max(1) as f64;
    let fault = |error: statistics::StatisticsError| error.to_string();
    let z = normal_quantile(1.0 - tail).map_err(fault)?;
    let t = match lanes {
        lanes if lanes >= FEWEST_LANES => t_quantile(1.0 - tail, lanes as f64 - 1.0).map_err(fault)?,
        _ => z,
    };
    let points: usize = problem.used.iter().map(|at| problem.lanes.lanes[*at].counts.len()).sum();
    let chance = 0.5 * z * z + 0.5 * ROUNDING * ROUNDING * points as f64;
    let mut found = Vec::new();
    for at in effective {
        let place = free + at;
        let column: Vec<f64> = every.iter().map(|row| h.at(*row, place)).collect();
        let Some(follow) = known.solve(&column, &every) else { continue };
        // The figures follow: what is left of the pull and of the hold. Their own pull is that of their priors, and settled.
        let held: f64 = column.iter().zip(&follow).map(|(a, b)| a * b).sum();
        let information = h.at(place, place) - held;
        if information < 1e-6 * h.at(place, place).max(1.0) {
            continue;
        }
        let figures_pull: f64 = follow
            .iter()
            .enumerate()
            .map(|(row, by)| by * (solved.normal.g[row] - state.theta[row] * problem.column_sd(row).powi(-2)))
            .sum();
        let pull = solved.normal.g[place] - figures_pull;
        let hold = information + PRIOR_SD.powi(-2);
        let gain = 0.5 * pull * pull / hold;
        let change = pull / hold;
        let lanes_say = scattered.as_ref().map(|scattered| {
            let mut parts = vec![0.0; all];
            parts[place] = 1.0;
            parts.iter_mut().zip(&follow).for_each(|(part, by)| *part = -by);
            let variance: f64 = (0..all)
                .filter(|row| parts[*row] != 0.0)
                .map(|row| {
                    parts[row] * (0..all).map(|other| scattered.at(row, other) * parts[other]).sum::<f64>()
                })
                .sum();
            pull / variance.max(1e-12).sqrt()
        });
        let sure = 0.5 * pull * pull / information > chance;
        let told = sure && lanes_say.is_none_or(|said| said.abs() > t) && change.abs() > LEAST_CHANGE;
        let name = problem.asked.figures[candidates[at]].name.clone();
        found.push(LeftOut { name, gain, change: change.clamp(-1.5, 1.5), lanes_say, told });
    }
    found.sort_by(|a, b| b.told.cmp(&a.told).then(b.gain.total_cmp(&a.gain)));
    Ok((found, chance))
}
