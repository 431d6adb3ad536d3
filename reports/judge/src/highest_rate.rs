//! The highest rate of each series: what is asked next, and what was found.
//!
//! While a search goes on, a condition's answer rests on its own jobs in the first mounting alone, so that no choice hangs on what
//! else was measured, in which order, or by how many threads. Where nothing more is asked, the page's verdicts, which the whole run
//! stands behind, are asked in their place; a series is finished by them alone.

use crate::audit::HighestRateNote;
use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun, Verdict};
use nightbench_core::condition::ConditionState;
use nightbench_core::results::EyeName;
use plan::Plan;
use plan::expand::Expansion;
use plan::highest_rate::RateSeries;
use plan::limits::Metric;
use plan::matrix::Factor;
use statistics::special::t_quantile;
use std::collections::BTreeSet;

/// What a condition says of its rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    Pass,
    /// Within the guard band, or nothing can be said.
    Doubtful,
    Fail,
}

impl Answer {
    /// `None` where it was not measured at all.
    pub fn of(judged: &JudgedCondition) -> Option<Answer> {
        match (judged.state, judged.verdict) {
            (state, _) if state.is_untouched() => None,
            (_, Some(Verdict::Pass)) => Some(Answer::Pass),
            (_, Some(Verdict::Fail)) => Some(Answer::Fail),
            _ => Some(Answer::Doubtful),
        }
    }
}

/// Places of the rates of a series that are asked next, slowest rate first; empty when the highest passing rate is known.
///
/// `start` is asked first. Then one faster as long as no fail lies above the fastest pass, and one slower as long as nothing
/// passes, until the series ends. What was asked is one stretch without gaps.
pub fn next(answers: &[Option<Answer>], start: usize) -> Vec<usize> {
    let asked = |place: &usize| answers[*place].is_some();
    let Some(first) = (0..answers.len()).find(asked) else {
        return if answers.is_empty() { Vec::new() } else { vec![start.min(answers.len() - 1)] };
    };
    let last = (first..answers.len()).rev().find(asked).unwrap_or(first);
    let gaps: Vec<usize> = (first..last).filter(|place| answers[*place].is_none()).collect();
    if !gaps.is_empty() {
        return gaps;
    }
    let pass = (first..=last).rev().find(|place| answers[*place] == Some(Answer::Pass));
    let fails = (pass.unwrap_or(first)..=last).any(|place| answers[place] == Some(Answer::Fail));
    let mut next = Vec::new();
    if pass.is_none() && first > 0 {
        next.push(first - 1);
    }
    if !fails && last + 1 < answers.len() {
        next.push(last + 1);
    }
    next
}

/// Was anything asked, and is nothing asked any more?
pub fn is_finished(answers: &[Option<Answer>]) -> bool {
    answers.iter().any(Option::is_some) && next(answers, 0).is_empty()
}

/// Where a series begins: at the fastest rate that the series before it passes, else at the fastest that the module is rated for.
/// `before`: answers of the earlier series, where it is finished.
pub fn start(
    plan: &Plan,
    expansion: &Expansion,
    series: &RateSeries,
    before: Option<(&RateSeries, &[Option<Answer>])>,
) -> usize {
    let rate = |index: &u32| expansion.conditions[*index as usize].rate(plan);
    let up_to = |most| series.conditions.iter().rposition(|index| rate(index) <= most).unwrap_or(0);
    match before {
        Some((other, answers)) => {
            let passing = answers.iter().rposition(|answer| *answer == Some(Answer::Pass));
            passing.and_then(|place| other.conditions.get(place)).map_or(0, |index| up_to(rate(index)))
        }
        None => {
            let first = series.conditions.first().map(|index| &expansion.conditions[*index as usize]);
            first.map_or(0, |condition| up_to(condition.module(plan).rated))
        }
    }
}

/// Share of the step between two rates that a margin's curve may leave its chord by, one standard deviation. A chord over two
/// steps of DDR4 misses the rate between by 7 % of its fall once noise is taken out, over one step by half of that (leave-one-out
/// over 69 crossings of the simulated target; the bench `highest_rate` counts how often the bound holds).
const CURVATURE: f64 = 0.1;
/// Confidence of the bound, one-sided.
const CONFIDENCE: f64 = 0.95;

/// Where a straight line through two margins crosses zero, and its lower bound, MT/s. `slow` and `fast`: rate (MT/s), margin and its
/// standard uncertainty (in one unit, the first margin not below zero, the second below it), and degrees of freedom.
fn crossing(slow: (f64, f64, f64, f64), fast: (f64, f64, f64, f64)) -> (f64, f64) {
    let ((r1, m1, u1, dof1), (r2, m2, u2, dof2)) = (slow, fast);
    let at = r1 + (r2 - r1) * m1 / (m1 - m2);
    let spread = (((at - r1) * u2).powi(2) + ((r2 - at) * u1).powi(2)) / (m1 - m2).powi(2);
    let curve = CURVATURE * (r2 - r1);
    let factor = t_quantile(CONFIDENCE, dof1.min(dof2).max(1.0)).unwrap_or(f64::INFINITY);
    (at, at - factor * (spread + curve * curve).sqrt())
}

/// The lowest bound over metrics and eyes of the rate at which the margin is used up, MT/s; `None` where no metric changes its sign
/// between two rates that were measured, or one has no margin above the last pass.
fn bound(plan: &Plan, run: &JudgedRun, series: &[usize], pass: usize) -> Option<f64> {
    let rate = |index: usize| run.conditions[index].condition.rate(plan).mega_transfers();
    let find = |index: usize, of: (Metric, EyeName)| -> Option<&JudgedMetric> {
        run.conditions[index].metrics.iter().find(|metric| (metric.metric, metric.eye) == of)
    };
    let point = |index: usize, metric: &JudgedMetric| {
        let dof = metric.parts.degrees_of_freedom.unwrap_or(f64::INFINITY);
        let share = 1.0 / metric.limit;
        (rate(index), metric.margin * share, metric.standard_uncertainty * share, dof)
    };
    let mut lowest: Option<f64> = None;
    let slow = &run.conditions[series[pass]];
    let kinds: BTreeSet<(Metric, EyeName)> =
        slow.metrics.iter().filter(|one| one.limit > 0.0).map(|one| (one.metric, one.eye)).collect();
    for of in kinds {
        let mut before = (series[pass], find(series[pass], of)?);
        for index in &series[pass + 1..] {
            if run.conditions[*index].state == ConditionState::TrainingFailed {
                return None;
            }
            let Some(metric) = find(*index, of) else { continue };
            // A closed eye is somewhere below its limit: no line can be drawn to it, and a bound from below none either.
            if metric.margin < 0.0 {
                if metric.closed || before.1.at_least {
                    return None;
                }
                let (_, low) = crossing(point(before.0, before.1), point(*index, metric));
                lowest = Some(lowest.map_or(low, |known: f64| known.min(low)));
                break;
            }
            before = (*index, metric);
        }
    }
    // The slower rate was measured and passes.
    lowest.map(|low| low.max(rate(series[pass])))
}

/// What is known of one series.
pub(crate) fn found(plan: &Plan, run: &JudgedRun, series: &RateSeries, finished: bool) -> HighestRateNote {
    let all: Vec<usize> = series.conditions.iter().map(|index| *index as usize).collect();
    let rate = |index: usize| run.conditions[index].condition.rate(plan).nominal();
    let answers: Vec<Option<Answer>> = all.iter().map(|index| Answer::of(&run.conditions[*index])).collect();
    let pass = answers.iter().rposition(|answer| *answer == Some(Answer::Pass));
    let above = pass.map_or(0, |pass| pass + 1);
    let with = |wanted: &dyn Fn(usize) -> bool| -> Vec<u32> {
        (above..all.len()).filter(|place| wanted(*place)).map(|place| rate(all[place])).collect()
    };
    let unmeasured = |place: usize| run.conditions[all[place]].state == ConditionState::NotMeasured;
    let measured: Vec<usize> =
        all.iter().copied().filter(|index| Answer::of(&run.conditions[*index]).is_some()).collect();
    let bound = pass.and_then(|pass| {
        let place = measured.iter().position(|index| *index == all[pass])?;
        bound(plan, run, &measured, place)
    });
    let first = run.conditions[all[0]].condition;
    let highest = pass.map(|pass| rate(all[pass]));
    HighestRateNote {
        condition: first,
        name: first.describe_without(plan, Factor::Rate),
        rated_mts: first.module(plan).rated.nominal(),
        highest_mts: highest,
        holds_to_mts: bound,
        doubtful_mts: with(&|place| answers[place] == Some(Answer::Doubtful) && !unmeasured(place)),
        fails_at_mts: with(&|place| answers[place] == Some(Answer::Fail)).first().copied(),
        not_measured_mts: with(&|place| unmeasured(place)),
        asked: measured.len(),
        rates: all.len(),
        fastest_passes: pass.is_some_and(|pass| pass + 1 == all.len()),
        finished,
        reaches: plan
            .highest_rate
            .and_then(|asked| asked.at_least)
            .map(|least| highest.is_some_and(|highest| highest >= least.nominal())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightbench_core::random::SplitMix64;

    /// Asks until nothing is asked any more; the answers, and how many were asked.
    fn search(truth: &[Answer], start: usize) -> (Vec<Option<Answer>>, usize) {
        let mut answers = vec![None; truth.len()];
        loop {
            let asked = next(&answers, start);
            if asked.is_empty() {
                let count = answers.iter().flatten().count();
                return (answers, count);
            }
            for place in asked {
                assert!(answers[place].is_none(), "asked twice");
                answers[place] = Some(truth[place]);
            }
        }
    }

    fn highest(answers: &[Option<Answer>]) -> Option<usize> {
        answers.iter().rposition(|answer| *answer == Some(Answer::Pass))
    }

    /// Every series of up to seven rates that passes, is in doubt and fails in this order, from every start.
    #[test]
    fn the_highest_passing_rate_is_found_from_wherever_it_begins() {
        for rates in 1..=7 {
            for passes in 0..=rates {
                for doubts in 0..=rates - passes {
                    let truth: Vec<Answer> = (0..rates)
                        .map(|place| match place {
                            _ if place < passes => Answer::Pass,
                            _ if place < passes + doubts => Answer::Doubtful,
                            _ => Answer::Fail,
                        })
                        .collect();
                    for start in 0..rates {
                        let (answers, asked) = search(&truth, start);
                        assert_eq!(highest(&answers), passes.checked_sub(1), "{truth:?} from {start}");
                        // What is asked leads from the start to the answer, and one beyond it on either side.
                        let needed = [start, passes.saturating_sub(1), (passes + doubts).min(rates - 1)];
                        let (low, high) =
                            (needed.iter().min().unwrap_or(&0), needed.iter().max().unwrap_or(&0));
                        assert!(asked <= high - low + 1, "{truth:?} from {start}: {asked}");
                    }
                }
            }
        }
    }

    /// 1,000 series whose neighbours' margins differ by more than U, measured with noise: a verdict beyond its guard band may be
    /// in doubt, never wrong in the middle of a series, and the rate found is the true one or its neighbours are in doubt.
    #[test]
    fn a_thousand_noisy_series_give_no_wrong_answer() {
        let mut wrong = 0;
        for seed in 0..1000_u64 {
            let mut random = SplitMix64::new(seed);
            let mut uniform = || random.next_u64() as f64 / u64::MAX as f64;
            let rates = 4 + (seed % 3) as usize;
            // In standard uncertainties; U is 2 of them.
            let mut margin = 2.0 + 20.0 * uniform();
            let truth: Vec<f64> = (0..rates)
                .map(|_| {
                    margin -= 2.0 + 6.0 * uniform();
                    margin
                })
                .collect();
            let seen: Vec<Answer> = truth
                .iter()
                .map(|margin| {
                    // Irwin-Hall: twelve uniform numbers.
                    let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                    match margin + noise {
                        m if m >= 2.0 => Answer::Pass,
                        m if m < -2.0 => Answer::Fail,
                        _ => Answer::Doubtful,
                    }
                })
                .collect();
            let (answers, _) = search(&seen, (seed % rates as u64) as usize);
            // Every rate measured gives this.
            let all: Vec<Option<Answer>> = seen.iter().copied().map(Some).collect();
            wrong += usize::from(highest(&answers) != highest(&all));
        }
        assert_eq!(wrong, 0);
    }

    /// The line through (2400, 0.3) and (3200, -0.1) crosses zero at 3000; its spread is that of the two ends, each weighed by the
    /// other's distance (propagation of uncertainty, JCGM 100:2008, 5.1.2).
    #[test]
    fn the_bound_follows_from_both_ends_and_the_curve() {
        let (at, low) = crossing((2400.0, 0.3, 0.02, f64::INFINITY), (3200.0, -0.1, 0.04, f64::INFINITY));
        assert!((at - 3000.0).abs() < 1e-9);
        let ends = ((600.0_f64 * 0.04).powi(2) + (200.0_f64 * 0.02).powi(2)) / 0.16;
        let expected = 3000.0 - 1.644_853_627 * (ends + 80.0 * 80.0).sqrt();
        assert!((low - expected).abs() < 1e-3, "{low} {expected}");
    }
}
