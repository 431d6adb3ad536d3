//! Has anything got worse? Two judged runs compared lane by lane: the mean over the lanes of each condition, single lanes over
//! their conditions, non-inferiority against a stated loss, false alarms held over everything (Bonferroni).

mod lanes;
pub mod power;
mod training;

pub use lanes::{ByLanes, LaneChange, PooledChange};
pub use training::{FailureRate, TrainingChange};

use crate::judged::{JudgedCondition, JudgedMetric, JudgedRun};
use lanes::LaneDifferences;
use nightbench_core::condition::ConditionState;
use nightbench_core::results::EyeName;
use nightbench_core::text::counted;
use plan::limits::Metric;
use serde::Serialize;
use statistics::StatisticsError;
use statistics::comparisons::{Difference, non_inferiority};
use statistics::special::{normal_quantile, t_quantile};
use std::collections::BTreeSet;

/// One condition measured in both runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Index into the baseline's conditions.
    pub before: usize,
    /// Index into the run's conditions.
    pub after: usize,
    /// Bit time, ps.
    pub ui_ps: f64,
    pub vddq_mv: f64,
}

/// What counts as a loss, and how sure an answer must be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Demands {
    /// Loss along the delay axis that still counts as not worse, UI.
    pub loss_ui: f64,
    /// Loss along the voltage axis that still counts as not worse, percent of VDDQ.
    pub loss_percent_vddq: f64,
    /// Risk that an unchanged run is called worse anywhere, and that any one answer "not worse" is false.
    pub level: f64,
    /// The same chip answered in both runs: delay line and Vref cancel in a difference.
    pub same_chip: bool,
}

impl Default for Demands {
    /// What a comparison asks where nothing is said: 0.02 UI, 1 % of VDDQ, 95 %.
    fn default() -> Demands {
        Demands { loss_ui: 0.02, loss_percent_vddq: 1.0, level: 0.05, same_chip: true }
    }
}

impl Demands {
    /// Loss allowed along the delay axis, ps.
    fn loss_ps(&self, pair: &Pair) -> f64 {
        self.loss_ui * pair.ui_ps
    }

    /// Loss allowed along the voltage axis, mV.
    fn loss_mv(&self, pair: &Pair) -> f64 {
        self.loss_percent_vddq / 100.0 * pair.vddq_mv
    }
}

/// Answer for one condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// Lost more than the loss allowed.
    Worse,
    /// Neither shown.
    Undecided,
    /// Shown not to have lost more than the loss allowed.
    NotWorse,
}

impl Answer {
    pub fn words(self) -> &'static str {
        match self {
            Answer::Worse => "worse",
            Answer::Undecided => "undecided",
            Answer::NotWorse => "not worse",
        }
    }
}

/// The metric of a condition that lost most, in units of its uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MetricChange {
    pub eye: EyeName,
    pub metric: Metric,
    /// Worst lane before and after.
    pub lanes: (u16, u16),
    /// Margin before and after, against the baseline's limit, ps or mV.
    pub margins: (f64, f64),
    /// After minus before, ps or mV.
    pub difference: f64,
    pub standard_uncertainty: f64,
    /// Its one-sided confidence limits, which decide: the lower at 1 - level, the upper at that of the whole family.
    pub interval: (f64, f64),
    /// Lanes it is the mean of; 0 where the worst lanes were compared.
    pub mean_of: usize,
    /// Loss allowed, ps or mV.
    pub allowed: f64,
    /// Degrees of freedom of the uncertainty; infinite where nothing of it was estimated from few values.
    #[serde(skip)]
    pub freedom: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedCondition {
    pub name: String,
    /// Indices into both runs' conditions.
    #[serde(skip)]
    pub pair: Pair,
    pub answer: Answer,
    /// Why, where numbers do not say it.
    pub reason: String,
    /// The metric that lost most; `None` where nothing could be compared.
    pub worst: Option<MetricChange>,
    /// p of "worse", adjusted over all conditions and metrics (Bonferroni), and of "not worse", each answer for itself.
    pub adjusted_p: Option<(f64, f64)>,
}

/// Two runs compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// What was asked.
    pub demands: Demands,
    /// Conditions in both runs: worse first, then undecided, each by how much was lost.
    pub conditions: Vec<ComparedCondition>,
    /// Single lanes, and means over everything, levels and byte lanes.
    pub by_lanes: ByLanes,
    /// Jobs of each condition, each in a mounting of its own and in both runs, that would decide half of what is undecided
    /// with 80 % probability; `None` where nothing is undecided by its numbers.
    pub jobs_to_decide: Option<u32>,
    /// Names of the conditions in one run only: baseline, run.
    pub unmatched: (Vec<String>, Vec<String>),
    /// Training that fails now and did not, or the other way.
    pub training: Vec<TrainingChange>,
    /// Failed starts of all pairs, baseline and run.
    pub failure_rates: (FailureRate, FailureRate),
    /// One-sided p that the failure rate did not rise, whole mountings permuted within each setup; `None` of too few mountings.
    pub failure_rise_p: Option<f64>,
}

impl Comparison {
    /// Smallest and largest loss allowed over the pairs, in ps (delay axis) and mV (voltage axis).
    pub fn allowed(&self) -> [(f64, f64); 2] {
        let range = |loss: fn(&Demands, &Pair) -> f64| {
            let losses = self.conditions.iter().map(|condition| loss(&self.demands, &condition.pair));
            losses.fold((f64::INFINITY, 0.0f64), |(least, most), loss| (least.min(loss), most.max(loss)))
        };
        [range(Demands::loss_ps), range(Demands::loss_mv)]
    }

    /// Nothing was decided, and some run has a single job of everything compared: without repeats a difference is told
    /// from chance by an estimate only.
    pub fn lacks_repeats(&self, before: &JudgedRun, after: &JudgedRun) -> bool {
        let compared = || self.conditions.iter().filter(|condition| condition.worst.is_some());
        let single = |run: &JudgedRun, index: fn(&Pair) -> usize| {
            compared()
                .all(|one| run.conditions.get(index(&one.pair)).is_some_and(|judged| judged.jobs.len() < 2))
        };
        compared().next().is_some()
            && self.count(Answer::Undecided) == self.conditions.len()
            && (single(before, |pair| pair.before) || single(after, |pair| pair.after))
    }

    /// Number of conditions with an answer.
    pub fn count(&self, answer: Answer) -> usize {
        self.conditions.iter().filter(|condition| condition.answer == answer).count()
    }
}

struct Tested {
    remark: String,
    worst: Option<MetricChange>,
    p_worse: f64,
    p_not_worse: f64,
    /// Tests made.
    count: f64,
}

/// Compares the pairs of two runs judged by the same limits.
pub fn compare(before: &JudgedRun, after: &JudgedRun, pairs: &[Pair], demands: Demands) -> Comparison {
    let mut conditions: Vec<ComparedCondition> = Vec::new();
    let mut tested: Vec<(usize, Tested)> = Vec::new();
    let mut all = Vec::new();
    for pair in pairs {
        let (Some(old), Some(new)) = (before.conditions.get(pair.before), after.conditions.get(pair.after))
        else {
            continue;
        };
        let mut compared = ComparedCondition {
            name: old.name.clone(),
            pair: *pair,
            answer: Answer::Undecided,
            reason: String::new(),
            worst: None,
            adjusted_p: None,
        };
        let failed = |judged: &JudgedCondition| judged.state == ConditionState::TrainingFailed;
        match (failed(old), failed(new)) {
            (false, true) if old.verdict.is_some() => {
                compared.answer = Answer::Worse;
                compared.reason = "training fails now".into();
            }
            (true, false) if new.verdict.is_some() => {
                compared.answer = Answer::NotWorse;
                compared.reason = "training failed before".into();
            }
            // Nothing but the starts can be compared.
            (true, true) => {
                let (was, is) = (training::starts(old), training::starts(new));
                let remark = format!(
                    "training fails in both: {} of {} starts before, {} of {} now",
                    was.0, was.1, is.0, is.1
                );
                // Too few mountings answer nothing.
                let [rise, fall] = [(old, new), (new, old)].map(|(a, b)| training::rise(a, b).unwrap_or(1.0));
                tested.push((
                    conditions.len(),
                    Tested { remark, worst: None, p_worse: rise, p_not_worse: fall, count: 1.0 },
                ));
            }
            _ => match test(old, new, pair, demands, &mut all) {
                Ok(found) => tested.push((conditions.len(), found)),
                Err(words) => compared.reason = words,
            },
        }
        conditions.push(compared);
    }
    answer(&mut conditions, tested, demands.level);
    let jobs_to_decide = jobs_to_decide(before, after, &conditions);
    let lost = |condition: &ComparedCondition| {
        condition.worst.as_ref().map_or(f64::NEG_INFINITY, |worst| {
            (worst.difference + worst.allowed) / worst.standard_uncertainty
        })
    };
    conditions
        .sort_by(|a, b| a.answer.cmp(&b.answer).then(lost(a).total_cmp(&lost(b))).then(a.name.cmp(&b.name)));
    let (training, failure_rates, failure_rise_p) = training::compare(before, after, pairs);
    Comparison {
        by_lanes: lanes::by_lanes(&all, before, &demands),
        jobs_to_decide,
        demands,
        unmatched: (
            alone(before, pairs.iter().map(|pair| pair.before)),
            alone(after, pairs.iter().map(|pair| pair.after)),
        ),
        conditions,
        training,
        failure_rates,
        failure_rise_p,
    }
}

/// Names of a run's conditions that are in no pair.
fn alone(run: &JudgedRun, paired: impl Iterator<Item = usize>) -> Vec<String> {
    let paired: BTreeSet<usize> = paired.collect();
    let conditions = run.conditions.iter().enumerate();
    conditions.filter(|(index, _)| !paired.contains(index)).map(|(_, judged)| judged.name.clone()).collect()
}

/// Tests every metric of a condition; worse when any metric is, not worse when all are not (intersection-union). What was
/// compared lane by lane is added to `all`.
fn test(
    old: &JudgedCondition,
    new: &JudgedCondition,
    pair: &Pair,
    demands: Demands,
    all: &mut Vec<LaneDifferences>,
) -> Result<Tested, String> {
    // Jobs that were added and not measured take nothing from those that were.
    let without = [("baseline", old), ("run", new)]
        .into_iter()
        .filter(|(_, judged)| judged.verdict.is_none() && !judged.lacks_jobs);
    let without: Vec<String> = without.map(|(run, judged)| format!("{run}: {}", judged.reason())).collect();
    if !without.is_empty() {
        return Err(without.join("; "));
    }
    let mut found: Option<Tested> = None;
    let mut least = f64::INFINITY;
    let mut count = 0.0;
    let mut off_grid = None;
    for earlier in &old.metrics {
        let same = |judged: &&JudgedMetric| judged.eye == earlier.eye && judged.metric == earlier.metric;
        let later = new.metrics.iter().find(same);
        let Some(later) = later else { return Err(format!("no {} in the run", earlier.metric.name())) };
        if earlier.at_least && later.at_least {
            // Neither end is seen: whatever was lost lies outside both grids.
            off_grid = Some(earlier.metric.name());
            continue;
        }
        let u = |judged: &JudgedMetric| {
            if demands.same_chip {
                (judged.parts.independent, judged.parts.independent_freedom)
            } else {
                (judged.standard_uncertainty, judged.parts.degrees_of_freedom)
            }
        };
        let of_lanes = lanes::differences((old, new), (earlier, later), pair, &demands);
        let mean = of_lanes.as_ref().and_then(|lanes| Some((lanes.count(), lanes.mean()?)));
        all.extend(of_lanes);
        // An eye of one lane, or one whose lanes run off the grid, has its worst lanes alone.
        let worst_lanes = || (0, combine(later.value - earlier.value, u(earlier), u(later)));
        let (mean_of, difference) = mean.unwrap_or_else(worst_lanes);
        let allowed = if earlier.metric.is_time() { demands.loss_ps(pair) } else { demands.loss_mv(pair) };
        let result =
            non_inferiority(&difference, allowed, demands.level).map_err(|error| error.to_string())?;
        count += 1.0;
        let (p_worse, p_not_worse) =
            found.as_ref().map_or((1.0f64, 0.0f64), |found| (found.p_worse, found.p_not_worse));
        let score = (difference.value + allowed) / difference.standard_uncertainty;
        let worst = if score < least {
            least = score;
            Some(MetricChange {
                eye: earlier.eye,
                metric: earlier.metric,
                lanes: (earlier.lane, later.lane),
                margins: (earlier.margin, later.margin),
                difference: difference.value,
                standard_uncertainty: difference.standard_uncertainty,
                interval: (result.interval.lower, result.interval.upper),
                freedom: difference.dof,
                mean_of,
                allowed,
            })
        } else {
            match found.take() {
                Some(found) => found.worst,
                None => continue,
            }
        };
        found = Some(Tested {
            remark: String::new(),
            count,
            worst,
            p_worse: p_worse.min(result.p_worse),
            // A baseline that is only a lower bound may show a loss, never that there is none.
            p_not_worse: p_not_worse.max(if earlier.at_least { 1.0 } else { result.p_not_worse }),
        });
    }
    let mut found = found.ok_or_else(|| match off_grid {
        Some(name) => format!("the {name} runs off the grid in both"),
        None => "nothing was judged".into(),
    })?;
    let mut remarks: Vec<String> =
        off_grid.iter().map(|name| format!("{name} runs off the grid in both: left out")).collect();
    if let Some(worst) = found.worst.as_ref().filter(|worst| worst.mean_of > 0) {
        let eye = old.lanes.iter().find(|values| values.eye == worst.eye);
        let left_out = eye.map_or(0, |values| values.lanes.len().saturating_sub(worst.mean_of));
        if left_out > 0 {
            let (name, lanes) = (worst.metric.name(), counted(left_out, "lane"));
            remarks.push(format!("{name} of {lanes} not seen whole in both runs: left out"));
        }
    }
    for (run, judged) in [("baseline", old), ("run", new)].iter().filter(|(_, judged)| judged.lacks_jobs) {
        remarks.push(format!("{run}: {}", judged.detail));
    }
    found.remark = remarks.join("; ");
    Ok(found)
}

/// Difference of two values with independent uncertainties (Welch-Satterthwaite).
fn combine(value: f64, old: (f64, Option<f64>), new: (f64, Option<f64>)) -> Difference {
    let part = |(u, freedom): (f64, Option<f64>)| freedom.map_or(0.0, |freedom| u.powi(4) / freedom);
    let variance = old.0 * old.0 + new.0 * new.0;
    let denominator = part(old) + part(new);
    let dof = if denominator > 0.0 { (variance * variance / denominator).max(1.0) } else { f64::INFINITY };
    Difference { value, standard_uncertainty: variance.sqrt(), dof }
}

/// Answers: not worse by each condition's own p; worse over the whole family of conditions and metrics, with half of the false
/// alarms allowed (the other half is for single lanes; Bonferroni).
fn answer(conditions: &mut [ComparedCondition], tested: Vec<(usize, Tested)>, level: f64) {
    let family: f64 = 2.0 * tested.iter().map(|(_, found)| found.count).sum::<f64>();
    for (index, mut found) in tested {
        let Some(condition) = conditions.get_mut(index) else { continue };
        let worse = (found.p_worse * family).min(1.0);
        condition.answer = if worse <= level {
            Answer::Worse
        } else if found.p_not_worse <= level {
            Answer::NotWorse
        } else {
            Answer::Undecided
        };
        if let Some(worst) = &mut found.worst
            && let Ok(reach) = upper_quantile(level / family, worst.freedom)
        {
            worst.interval.1 = worst.difference + reach * worst.standard_uncertainty;
        }
        condition.adjusted_p = Some((worse, found.p_not_worse));
        condition.worst = found.worst;
        condition.reason = found.remark;
    }
}

fn upper_quantile(p: f64, freedom: f64) -> Result<f64, StatisticsError> {
    if freedom.is_finite() { t_quantile(1.0 - p, freedom) } else { normal_quantile(1.0 - p) }
}

/// Power that [`Comparison::jobs_to_decide`] is stated for: 80 % (normal quantile).
const POWER: f64 = 0.841_621_233_572_914_3;
/// More jobs than anybody measures.
const MOST_JOBS: f64 = 10_000.0;

/// Jobs that would decide half of what is undecided, as the differences stand: uncertainties shrink with the root of the jobs
/// where each has a mounting of its own.
fn jobs_to_decide(before: &JudgedRun, after: &JudgedRun, conditions: &[ComparedCondition]) -> Option<u32> {
    let mut needed: Vec<f64> = conditions
        .iter()
        .filter(|one| one.answer == Answer::Undecided)
        .filter_map(|one| {
            let worst = one.worst.as_ref()?;
            let jobs =
                |run: &JudgedRun, index: usize| run.conditions.get(index).map_or(1, |one| one.jobs.len());
            let now = jobs(before, one.pair.before).min(jobs(after, one.pair.after)).max(1) as f64;
            let apart = (worst.difference + worst.allowed).abs();
            let reach = (1.645 + POWER) * worst.standard_uncertainty;
            Some((now * (reach / apart).powi(2)).ceil().clamp(now + 1.0, MOST_JOBS))
        })
        .collect();
    needed.sort_by(f64::total_cmp);
    needed.get(needed.len() / 2).map(|jobs| *jobs as u32)
}
