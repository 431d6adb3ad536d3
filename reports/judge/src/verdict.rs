//! The verdict of one condition: its worst lane in every judged metric, against limit and guard band.

use super::aggregate::{ConditionTally, Eye, LaneTally, Scatter, training_variance};
use super::between_lanes::{self, BetweenLanes, TrainingOf};
use super::budget::{Common, Coverage, Inputs};
use super::eye_summary::mask_of;
use super::sample;
use super::tap_size::TapSizes;
use crate::judged::{
    Budget, JudgedCondition, JudgedMetric, MetricParts, NoJudgement, UnjudgedMetric, Verdict, WorstLane,
};
use eye::shapes::Mask;
use nightbench_core::condition::ConditionState;
use nightbench_core::faults::Fault;
use nightbench_core::rates::DataRate;
use nightbench_core::results::{CaptureMode, EyeName, Grid};
use plan::Plan;
use plan::criteria::AcceptanceCriteria;
use plan::expand::Condition;
use plan::limits::{DecisionRule, Limit, Metric};
use statistics::StatisticsError;
use statistics::conformity::{DecisionRule as Rule, Measured, Tolerance, conformance, judge};
use statistics::minimum::{Minimum, Spread};
use statistics::special::{normal_sf, t_quantile};
use std::collections::BTreeMap;

/// What every condition is judged with.
pub struct Bench<'a> {
    pub plan: &'a Plan,
    /// Limits, rule and budget lines.
    pub criteria: &'a AcceptanceCriteria,
    /// Scatter known from this run.
    pub scatter: &'a BTreeMap<Metric, Scatter>,
    /// Size of a tap as sweeps of this run show it.
    pub taps: TapSizes,
    /// Jobs a condition was planned with.
    pub jobs_per_condition: usize,
    /// Coverage of U, where the rule's can be had.
    pub coverage: Result<Coverage, StatisticsError>,
}

/// A value and what its budget was made from.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    eye: EyeName,
    value: f64,
    edges: (f64, f64),
    grid: Grid,
    mode: CaptureMode,
    jobs: u16,
    mountings: u16,
    mounting_weight: f64,
    training: f64,
    off: (f64, f64),
}

/// Most values of a metric that its printed budget is chosen from.
const MOST_TYPICAL: usize = 10_000;

/// Typical figures of each judged metric, for the printed budgets.
#[derive(Debug, Default)]
pub struct Typical {
    /// Number of values of each metric, and a sample of them.
    seen: BTreeMap<Metric, (usize, Vec<Seen>)>,
    /// Every so many values one is kept.
    every: usize,
}

impl Typical {
    /// For so many conditions.
    pub fn new(conditions: usize, plan: &Plan) -> Typical {
        Typical { every: sample::step(conditions, MOST_TYPICAL, plan), ..Typical::default() }
    }

    /// Adds what a condition showed; conditions come in their order.
    pub fn add(&mut self, seen: Vec<(Metric, Seen)>) {
        // A median needs no more than a regular sample.
        for (metric, seen) in seen {
            let (count, sample) = self.seen.entry(metric).or_default();
            if count.is_multiple_of(self.every) {
                sample.push(seen);
            }
            *count += 1;
        }
    }

    /// The budget of each metric at its median value over the conditions.
    pub fn budgets(self, bench: &Bench<'_>) -> Vec<Budget> {
        let mut budgets = Vec::new();
        for (metric, (_, mut seen)) in self.seen {
            seen.sort_by(|a, b| a.value.total_cmp(&b.value).then(a.edges.0.total_cmp(&b.edges.0)));
            let Some(Ok(mut budget)) = seen.get(seen.len() / 2).map(|seen| seen.budget(bench, metric)) else {
                continue;
            };
            let mut ranges: BTreeMap<String, (f64, f64)> = BTreeMap::new();
            for one in &seen {
                for (name, u) in Common::new(&one.inputs(bench, metric), false).assumed(one.value) {
                    match ranges.get_mut(name) {
                        Some(range) => *range = (range.0.min(u), range.1.max(u)),
                        None => {
                            ranges.insert(name.to_string(), (u, u));
                        }
                    }
                }
            }
            for row in budget.rows.iter_mut().filter(|row| row.assumed) {
                row.range = ranges.get(&row.name).copied();
            }
            budgets.push(budget);
        }
        budgets
    }
}

impl Seen {
    /// The budget at this value.
    fn budget(&self, bench: &Bench<'_>, metric: Metric) -> Result<Budget, StatisticsError> {
        let common = Common::new(&self.inputs(bench, metric), true);
        common.table(metric, self.value, self.edges, bench.criteria.decision.coverage)
    }

    fn inputs<'a>(&'a self, bench: &'a Bench<'_>, metric: Metric) -> Inputs<'a> {
        Inputs {
            metric,
            direction: self.eye.direction,
            grid: &self.grid,
            mode: self.mode,
            jobs: self.jobs,
            mountings: self.mountings,
            mounting_weight: self.mounting_weight,
            scatter: bench.scatter.get(&metric).copied().unwrap_or_default(),
            training: self.training,
            tap: bench.taps.of(self.eye.direction),
            lines: &bench.criteria.budget.lines,
            off_kelvin: self.off.0,
            off_percent: self.off.1,
        }
    }
}

/// The budget of every judged metric of a condition, at its own values.
pub fn own_budgets(
    bench: &Bench<'_>,
    condition: &Condition,
    tally: &ConditionTally,
) -> Vec<(EyeName, Budget)> {
    // A budget is of the lane as read: what the other lanes say of it is left aside.
    let (_, seen) = judge_condition(bench, &BetweenLanes::default(), condition, tally, None);
    seen.iter().filter_map(|(metric, seen)| Some((seen.eye, seen.budget(bench, *metric).ok()?))).collect()
}

/// Judges a condition on everything its jobs measured; also gives the values behind it, for [`Typical::add`].
/// `suspect` says why no verdict may be given.
pub fn judge_condition(
    bench: &Bench<'_>,
    between: &BetweenLanes,
    condition: &Condition,
    tally: &ConditionTally,
    suspect: Option<&str>,
) -> (JudgedCondition, Vec<(Metric, Seen)>) {
    let mut seen = Vec::new();
    let mut judged = JudgedCondition {
        condition: *condition,
        name: condition.describe(bench.plan),
        anchor: tally.notes.first().map_or_else(
            || format!("not-run-{}", condition.levels.map(|level| level.to_string()).join("-")),
            |note| format!("c-{}", note.key),
        ),
        beyond_rating: condition.beyond_rating(bench.plan),
        verdict: None,
        state: ConditionState::NotRun,
        detail: String::new(),
        metrics: Vec::new(),
        unjudged: Vec::new(),
        lanes: Vec::new(),
        jobs: Vec::new(),
        lacks_jobs: false,
        predicted: None,
    };
    let rate = condition.rate(bench.plan);
    let off = off_set_point(bench.plan, condition, tally);
    for name in tally.eyes() {
        let eye = Eye::of(tally, name);
        let limits = bench.criteria.limits.iter().enumerate();
        for (number, limit) in limits.filter(|(_, limit)| limit.applies(name.direction, rate)) {
            let strobe = strobe_lanes(bench.plan, condition);
            let population = Population { spread: between.spread(number, condition), strobe };
            match judge_metric(bench, &eye, limit, off, &population, &mut seen) {
                Ok(metric) => judged.metrics.push(metric),
                Err(Unjudged { why, words, guard_band }) => {
                    let metric = limit.metric;
                    judged.unjudged.push(UnjudgedMetric { eye: name, metric, why, words, guard_band });
                }
            }
        }
        let grid = eye.captures.first().map(|(_, first)| first.grid);
        let limits = bench.criteria.limits.iter().filter(|limit| limit.applies(name.direction, rate));
        let metrics: Vec<_> =
            limits.map(|limit| (limit.metric, grid.as_ref().and_then(|grid| mask_of(limit, grid)))).collect();
        let mut values = eye.values(&metrics);
        values.margin_share = margin_shares(&eye, bench.criteria, rate);
        judged.lanes.push(values);
    }
    judged.metrics.sort_by(|a, b| a.compare_worst(b).then(a.eye.cmp(&b.eye)).then(a.metric.cmp(&b.metric)));
    let planned = bench.plan.repeats.repeats;
    let done = tally.notes.iter().filter(|note| note.repeat < planned).count();
    if let Some(words) = suspect {
        (judged.state, judged.detail) = (ConditionState::NotMeasured, words.to_string());
    } else if tally.failed_trainings > 0 {
        judged.verdict = Some(Verdict::Fail);
        judged.state = ConditionState::TrainingFailed;
        judged.metrics.clear();
    } else if !tally.faults.is_empty() {
        let mut faults: Vec<String> = tally.faults.iter().map(Fault::to_string).collect();
        faults.sort();
        faults.dedup();
        judged.state = ConditionState::NotMeasured;
        judged.detail = faults.join("; ");
    } else if tally.notes.is_empty() {
        judged.state = ConditionState::NotRun;
    } else if done < bench.jobs_per_condition {
        judged.state = ConditionState::NotMeasured;
        judged.detail = format!("{done} of {} jobs done", bench.jobs_per_condition);
        judged.lacks_jobs = true;
    } else if judged.metrics.is_empty() && judged.unjudged.is_empty() {
        judged.state = ConditionState::NotJudged;
    } else {
        let worst = judged.metrics.iter().map(|metric| metric.verdict).max();
        // What fails, fails whatever else could not be judged.
        let decided = judged.unjudged.is_empty() || worst == Some(Verdict::Fail);
        judged.state = if decided { ConditionState::Judged } else { ConditionState::Undecided };
        judged.verdict = worst.filter(|_| decided);
    }
    // Kept by the ten thousand.
    judged.metrics.shrink_to_fit();
    (judged, seen)
}

/// Margin of every lane as a share of its limit, the lowest over the limits of its eye; empty where none applies.
fn margin_shares(eye: &Eye<'_>, criteria: &AcceptanceCriteria, rate: DataRate) -> Vec<f32> {
    let Some((_, first)) = eye.captures.first() else { return Vec::new() };
    let grid = &first.grid;
    let mut shares = Vec::new();
    for limit in criteria.limits.iter().filter(|limit| limit.applies(eye.name.direction, rate)) {
        let bound = limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step);
        if bound <= 0.0 {
            continue;
        }
        let lanes = eye.lanes(limit.metric, mask_of(limit, grid).as_ref());
        shares.resize(first.lanes.len(), f32::NAN);
        for (share, lane) in shares.iter_mut().zip(lanes.iter()) {
            // The lesser of two; a value beats no value.
            *share = share.min(lane.value().map_or(f32::NAN, |value| (value / bound - 1.0) as f32));
        }
    }
    shares
}

/// Largest differences of achieved and set temperature (K) and VDDQ (percent) over the jobs.
fn off_set_point(plan: &Plan, condition: &Condition, tally: &ConditionTally) -> (f64, f64) {
    use plan::matrix::Factor;
    let set = plan.matrix.temperatures.get(condition.level(Factor::Temperature)).map(|level| level.0);
    let vddq = condition.supply(plan).vddq().0;
    tally.notes.iter().fold((0.0, 0.0), |most: (f64, f64), note| {
        let kelvin = note.temperature_degc.zip(set).map_or(0.0, |(is, set)| (is - set).abs());
        let percent = note.vddq_v.map_or(0.0, |is| 100.0 * (is - vddq).abs() / vddq);
        (most.0.max(kelvin), most.1.max(percent))
    })
}

/// How bad a lane is, lower being worse: the verdict it would give, then [`JudgedMetric::badness`].
type LaneScore = (u8, (f64, f64));

/// Guard bands are taken this much wider where lanes are compared before their own coverage factor is known.
const NEAR: f64 = 1.05;

/// Guard band in U, or in u where the rule is in u: 1.65 u is what 95 % of a normal distribution lie above, and of Student's
/// with its own degrees of freedom somewhat more.
fn guard_factor(rule: &DecisionRule, freedom: f64) -> Result<f64, StatisticsError> {
    let factor = rule.guard_band_factor;
    if !rule.in_standard || freedom.is_infinite() || factor == 0.0 {
        return Ok(factor);
    }
    Ok(factor.signum() * t_quantile(1.0 - normal_sf(factor.abs()), freedom)?)
}

/// Lanes that share a strobe: 8, or 4 on x4 parts.
pub fn strobe_lanes(plan: &Plan, condition: &Condition) -> u16 {
    use plan::matrix::Factor;
    let module = plan.matrix.modules.get(condition.level(Factor::Module));
    let width = module.and_then(|module| plan.modules.get(*module)).map_or(8, |module| module.device_width);
    u16::from(width.clamp(4, 8))
}

/// What the lanes that are open in every job have, half of them more and half of them less; twice the limit where none is, since nothing then
/// tells what another start would show.
fn others(lanes: &[LaneTally], bound: f64) -> Option<f64> {
    if !lanes.iter().any(|lane| lane.closed > 0) {
        return None;
    }
    let mut open: Vec<f64> =
        lanes.iter().filter(|lane| lane.closed == 0).filter_map(LaneTally::value).collect();
    open.sort_by(f64::total_cmp);
    Some(open.get(open.len() / 2).copied().unwrap_or(2.0 * bound))
}

/// What is known of the lanes that a worst one is the worst of.
struct Population<'a> {
    spread: Option<&'a Spread>,
    strobe: u16,
}

/// What a budget of an eye is made from, and the budget itself.
pub fn common_of<'a>(
    bench: &'a Bench<'_>,
    eye: &'a Eye<'_>,
    limit: &Limit,
    mask: Option<&Mask>,
    off: (f64, f64),
) -> (Common, Option<Inputs<'a>>) {
    let metric = limit.metric;
    let captures = &eye.captures;
    let Some((_, first)) = captures.first() else { return (Common::default(), None) };
    let mut mountings: BTreeMap<u16, u32> = BTreeMap::new();
    captures.iter().for_each(|(mounting, _)| *mountings.entry(*mounting).or_default() += 1);
    // The mean is over jobs: a mounting weighs as many of them as it has (1 / sqrt(mountings) where all have as many).
    let squares: f64 = mountings.values().map(|jobs| f64::from(*jobs).powi(2)).sum();
    let mounting_weight = (squares.sqrt() / captures.len() as f64).min(1.0);
    let inputs = Inputs {
        metric,
        direction: eye.name.direction,
        grid: &first.grid,
        mode: first.mode,
        jobs: captures.len() as u16,
        mountings: mountings.len() as u16,
        mounting_weight,
        scatter: bench.scatter.get(&metric).copied().unwrap_or_default(),
        training: training_variance(captures, metric, mask).sqrt(),
        tap: bench.taps.of(eye.name.direction),
        lines: &bench.criteria.budget.lines,
        off_kelvin: off.0,
        off_percent: off.1,
    };
    (Common::new(&inputs, false), Some(inputs))
}

/// Why a metric has no verdict; see [`UnjudgedMetric`].
struct Unjudged {
    why: NoJudgement,
    words: String,
    guard_band: Option<f64>,
}

impl From<(NoJudgement, String)> for Unjudged {
    fn from((why, words): (NoJudgement, String)) -> Unjudged {
        Unjudged { why, words, guard_band: None }
    }
}

fn judge_metric(
    bench: &Bench<'_>,
    eye: &Eye<'_>,
    limit: &Limit,
    off: (f64, f64),
    population: &Population<'_>,
    seen: &mut Vec<(Metric, Seen)>,
) -> Result<JudgedMetric, Unjudged> {
    use NoJudgement::{GuardBandTooWide, LimitBeyondGrid, NoValue, RunsOffGrid};
    let metric = limit.metric;
    let captures = &eye.captures;
    let Some((_, first)) = captures.first() else { return Err((NoValue, "no capture".into()).into()) };
    let grid = &first.grid;
    let rule = &bench.criteria.decision;
    let bound = limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step);
    let unit = metric.base_unit();
    let name = metric.name();
    let most = if metric.is_time() {
        f64::from(grid.taps) * grid.tap_step.0
    } else {
        f64::from(grid.vref_steps) * grid.vref_step.0
    };
    if bound > most {
        let words = format!(
            "the {name} limit of {bound:.1} {unit} is more than the grid can show ({most:.1} {unit})"
        );
        return Err((LimitBeyondGrid, words).into());
    }
    let mask = mask_of(limit, grid);
    if let Some(mask) = &mask {
        let height = f64::from(grid.vref_steps) * grid.vref_step.0;
        if 2.0 * mask.half_height.0 > height {
            let words = format!(
                "the mask's height of {:.1} mV is more than the grid can show ({height:.1} mV)",
                2.0 * mask.half_height.0
            );
            return Err((LimitBeyondGrid, words).into());
        }
    }
    let (mut common, Some(inputs)) = common_of(bench, eye, limit, mask.as_ref(), off) else {
        return Err((NoValue, "no capture".into()).into());
    };
    let mut jobs = inputs.jobs;
    let unknown = |error: StatisticsError| (NoValue, format!("no uncertainty for the {name}: {error}"));
    let coverage = bench.coverage.clone().map_err(unknown)?;
    let lanes = eye.lanes(metric, mask.as_ref());
    let others = others(&lanes, bound);
    let mut worst: Option<(LaneScore, usize, LaneTally, f64)> = None;
    let mut near = None;
    for (lane, tally) in lanes.iter().enumerate() {
        let Some(value) = tally.value() else { continue };
        if !value.is_finite() {
            return Err((NoValue, format!("the {name} of lane {} is no number", first.lanes[lane])).into());
        }
        // Fewer jobs count in a lane that ran off the grid in some.
        if tally.jobs.max(1) != jobs {
            jobs = tally.jobs.max(1);
            common = Common::new(&Inputs { jobs, ..inputs }, false);
        }
        let (sampling, step) = tally.edges();
        let edges = sampling + step + tally.verge(others);
        let variance = common.variance(value, edges);
        let margin = value - bound;
        // Without root and division: most lanes pass beyond doubt, and by more than the worst so far.
        if let (Some(k), Some((.., known))) = (near, &worst)
            && tally.closed == 0
            && margin >= known - bound
            && margin > 0.0
        {
            let sure = (rule.guard_band(1.0, k).abs() * NEAR).max(JudgedMetric::CERTAIN);
            if margin * margin >= sure * sure * variance {
                continue;
            }
        }
        let u = variance.sqrt();
        let k = match near {
            Some(k) => k,
            None => common.combine(value, edges, coverage).map_err(unknown)?.k,
        };
        near = Some(k);
        // Lanes by the verdict they would give. Their own k may differ a little: one near a border counts as worse, and
        // its verdict is then worked out exactly.
        let band = rule.guard_band(u, k).abs();
        let tier =
            u8::from(margin >= -band / NEAR) + u8::from(margin >= 0.0) + u8::from(margin >= band * NEAR);
        // Nothing is worse than an operating point that fails, whatever other jobs showed.
        let tier = if tally.is_closed() { 0 } else { tier };
        let score = (tier, JudgedMetric::badness(margin, bound, u));
        if worst.as_ref().is_none_or(|(least, ..)| score < *least) {
            worst = Some((score, lane, *tally, value));
        }
    }
    let Some((_, index, lane, as_read)) = worst else {
        let words = match first.mode {
            CaptureMode::RowAndColumn => {
                format!("the {name} is not seen by row and column; measure again with `mode = \"exact\"`")
            }
            _ => format!("no lane has a {name} value"),
        };
        return Err((NoValue, words).into());
    };
    let edges = lane.edges();
    let verge = lane.verge(others);
    if lane.jobs.max(1) != jobs {
        common = Common::new(&Inputs { jobs: lane.jobs.max(1), ..inputs }, false);
    }
    let combined = common.combine(as_read, edges.0 + edges.1 + verge, coverage).map_err(unknown)?;
    let only_bound = lane.jobs == 0;
    let (jobs, mountings) = (lane.jobs.max(1), inputs.mountings);
    let (mounting_weight, training) = (inputs.mounting_weight, inputs.training);
    seen.push((
        metric,
        Seen {
            eye: eye.name,
            value: as_read,
            edges,
            grid: *grid,
            mode: first.mode,
            jobs,
            mountings,
            mounting_weight,
            training,
            off,
        },
    ));
    let k = combined.k;
    // A lane that is closed, or only seen to reach the border, is no sample of the others.
    let least = if only_bound || lane.closed > 0 {
        None
    } else {
        let group = |lane: usize| first.lanes.get(lane).map_or(0, |lane| lane / population.strobe);
        let own = |value: f64| common.by_lanes(value).0;
        let (noisy, shared) =
            between_lanes::lanes(&lanes, population.spread, group, &TrainingOf::of(&inputs), own);
        let (_, of_strobe, of_all) = common.by_lanes(as_read);
        let minimum = Minimum::new(&noisy, population.spread, of_strobe + shared, of_all).map_err(unknown)?;
        let place = lanes[..index].iter().filter(|lane| lane.value().is_some()).count();
        let centred = noisy.get(place).map_or(0.0, |one| one.value - as_read);
        Some((minimum, noisy.iter().filter(|one| one.alone).count() as u16, centred))
    };
    let (value, u) = match &least {
        Some((minimum, ..)) => {
            let (middle, half) = minimum.interval(coverage.probability()).map_err(unknown)?;
            (middle, half / coverage.normal_k())
        }
        None => (as_read, combined.standard),
    };
    let (_, of_strobe, of_all) = common.by_lanes(as_read);
    let of_strobe_and_all = of_strobe + of_all;
    let rule_factor = guard_factor(rule, combined.freedom).map_err(unknown)?;
    let guard_band = rule_factor * if rule.in_standard { u } else { k * u };
    let margin = value - bound;
    // Of a lane on the verge the band reaches from nothing to what the other lanes have: it fails, but not for sure.
    if bound > 0.0 && guard_band.abs() > bound && (lane.closed == 0 || lane.is_closed()) {
        let words = format!(
            "the guard band of {guard_band:.1} {unit} is wider than the {name} limit of {bound:.1} {unit} itself: \
             under this rule the measurement decides nothing; measure more finely or repeat more"
        );
        return Err(Unjudged { why: GuardBandTooWide, words, guard_band: Some(guard_band) });
    }
    if only_bound && margin < guard_band {
        let words = format!(
            "the {name} runs off the grid: at least {value:.1} {unit}, which does not decide against {bound:.1} {unit}; \
             sweep a wider range"
        );
        return Err((RunsOffGrid, words).into());
    }
    let judgement = judge(
        &Measured { value, standard_uncertainty: u, dof: combined.freedom },
        &Tolerance::Lower(bound),
        &Rule::Multiple { r: rule_factor / if rule.in_standard { k } else { 1.0 } },
        k,
    )
    .map_err(|error| (NoValue, format!("no verdict for the {name}: {error}")))?;
    let verdict = match (rule.four_words, judgement.accepted) {
        _ if lane.is_closed() => Verdict::Fail,
        (true, _) if lane.closed > 0 => judgement.verdict.max(Verdict::ConditionalFail),
        (true, _) => judgement.verdict,
        (false, true) if lane.closed == 0 => Verdict::Pass,
        (false, _) => Verdict::Fail,
    };
    let accepted = verdict <= Verdict::ConditionalPass;
    let conformance = match &least {
        Some((minimum, ..)) => {
            // Deviations as of a normal distribution, with the tails of the uncertainty's own degrees of freedom.
            let deviations = minimum.deviations_above(bound).map_err(unknown)?;
            let standard = Measured { value: deviations, standard_uncertainty: 1.0, dof: combined.freedom };
            conformance(&standard, &Tolerance::Lower(0.0)).map_err(unknown)?
        }
        None => judgement.conformance,
    };
    let evidence = captures.iter().map(|(_, capture)| capture.mode.evidence()).max().unwrap_or_default();
    Ok(JudgedMetric {
        evidence,
        eye: eye.name,
        metric,
        lane: first.lanes[index],
        lanes: first.lanes.len() as u16,
        value,
        limit: bound,
        margin,
        standard_uncertainty: u,
        expanded_uncertainty: k * u,
        guard_band,
        conformance_probability: conformance.conforming,
        wrong_decision_risk: if accepted { conformance.nonconforming } else { conformance.conforming },
        at_least: only_bound,
        closed: lane.closed > 0,
        off_centre: lane.off_centre > 0,
        jobs: lane.jobs,
        verdict,
        worst_lane: WorstLane {
            as_read,
            centred: least.as_ref().map_or(0.0, |(.., centred)| *centred),
            alone: least.as_ref().map_or(0, |(_, alone, _)| *alone),
            spread: least.as_ref().and(population.spread).map(Spread::middle),
        },
        parts: MetricParts {
            k,
            degrees_of_freedom: combined.freedom.is_finite().then_some(combined.freedom),
            independent: combined.independent.0,
            independent_freedom: combined.independent.1.is_finite().then_some(combined.independent.1),
            shared: common.shared(as_read).0,
            shared_freedom: Some(common.shared(as_read).1).filter(|freedom| freedom.is_finite()),
            shared_otherwise: (of_strobe_and_all).sqrt(),
        },
    })
}
