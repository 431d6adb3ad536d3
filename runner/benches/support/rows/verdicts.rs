//! Verdicts of rows and columns on limits put in three ways, held against what is true.

use super::METRICS;
use super::truth::Truth;
use crate::simulated::Crossings;
use eye::value::EyeMetric;
use judge::eye_summary::EyeSummary;
use judge::judged::JudgedMetric;
use judge::judged_of;
use plan::Plan;
use plan::expand::Condition;
use plan::limits::{Limit, Metric};
use statistics::proportion::exact_interval;

/// Values of other eyes that each eye is judged against.
const AMONG: usize = 40;

/// Verdicts on limits.
#[derive(Default, Clone, Copy)]
pub struct Verdicts {
    pub decided: usize,
    /// Contradicted by what is true; and those of limits nearer to it than it is known.
    pub wrong: usize,
    pub unsure: usize,
    /// Limits truly beyond U, and how many of them are decided.
    pub beyond: usize,
    pub beyond_decided: usize,
}

impl Verdicts {
    /// Counts one; is it contradicted?
    pub fn add(&mut self, judged: &JudgedMetric, truth: &Truth) -> bool {
        let band = band(judged);
        let decided = judged.margin.abs() >= band;
        let truly = truth.least - judged.limit;
        let contradicted = decided && (judged.margin > 0.0) != (truly > 0.0);
        let known = judged.limit < truth.bounds[0] || judged.limit > truth.bounds[1];
        self.decided += usize::from(decided);
        self.wrong += usize::from(contradicted && known);
        self.unsure += usize::from(contradicted && !known);
        self.beyond += usize::from(truly.abs() >= band);
        self.beyond_decided += usize::from(decided && truly.abs() >= band);
        contradicted
    }

    /// Counts a condition by the margins of its metrics, each in its own bands: the least decides.
    fn add_condition(&mut self, metrics: &[(JudgedMetric, &Truth)]) {
        let judged = least(metrics.iter().map(|(one, _)| one.margin / band(one)));
        let truly = least(metrics.iter().map(|(one, truth)| (truth.least - one.limit) / band(one)));
        let bound =
            |at: usize| least(metrics.iter().map(|(one, truth)| (truth.bounds[at] - one.limit) / band(one)));
        let decided = judged.abs() >= 1.0;
        let contradicted = decided && (judged > 0.0) != (truly > 0.0);
        let known = (bound(0) > 0.0) == (bound(1) > 0.0);
        self.decided += usize::from(decided);
        self.wrong += usize::from(contradicted && known);
        self.unsure += usize::from(contradicted && !known);
        self.beyond += usize::from(truly.abs() >= 1.0);
        self.beyond_decided += usize::from(decided && truly.abs() >= 1.0);
    }

    pub fn share(&self) -> f64 {
        self.beyond_decided as f64 / self.beyond.max(1) as f64
    }

    pub fn words(&self) -> String {
        let wrong = exact_interval(self.wrong as u64, self.decided.max(1) as u64, 0.95).expect("counts");
        let share =
            exact_interval(self.beyond_decided as u64, self.beyond.max(1) as u64, 0.95).expect("counts");
        format!(
            "{} verdicts decided, {} of them wrong (95 % interval up to {:.2} %), {} contradicted within what is unsure of the truth; of {} limits \
             truly beyond U {:.1} % decided ({:.1} to {:.1} %)",
            self.decided,
            self.wrong,
            100.0 * wrong.upper,
            self.unsure,
            self.beyond,
            100.0 * self.share(),
            100.0 * share.lower,
            100.0 * share.upper
        )
    }
}

/// How far a margin must lie off 0 to be decided.
pub fn band(judged: &JudgedMetric) -> f64 {
    judged.guard_band.abs().max(judged.expanded_uncertainty)
}

/// One eye as captured, with what is true of its condition.
pub struct Judged {
    pub plan: Plan,
    pub condition: Condition,
    pub name: String,
    pub found: EyeSummary,
    pub truths: [Truth; 2],
    /// Crossings of every start, and of the one that was captured.
    pub starts: Vec<Vec<Crossings>>,
    pub here: Vec<Crossings>,
}

impl Judged {
    /// By one limit on what was captured.
    pub fn by(&self, metric: Metric, minimum: f64) -> Option<JudgedMetric> {
        judged(&self.plan, &self.condition, metric, minimum, &self.found)
    }

    /// By one limit on another capture of the same.
    pub fn otherwise(&self, metric: Metric, minimum: f64, found: &EyeSummary) -> Option<JudgedMetric> {
        judged(&self.plan, &self.condition, metric, minimum, found)
    }

    /// A verdict that is contradicted: condition, limit, what is true and what was read, U by its parts, and the lanes behind both.
    pub fn contradiction(&self, judged: &JudgedMetric, truth: &Truth) {
        let (eye, starts, here) = (&self.found, &self.starts, &self.here);
        let step = if judged.metric.is_time() { eye.grid.tap_step.0 } else { eye.grid.vref_step.0 };
        let place = eye.lanes.iter().position(|lane| *lane == judged.lane).expect("captured");
        let side = if judged.metric.is_time() { 0 } else { 2 };
        let of = |lane: usize, start: &[Crossings]| {
            start[lane][side].unwrap_or(f64::NAN) + start[lane][side + 1].unwrap_or(f64::NAN)
        };
        let mean =
            |lane: usize| starts.iter().map(|start| of(lane, start)).sum::<f64>() / starts.len() as f64;
        let lowest = (0..here.len()).min_by(|a, b| mean(*a).total_cmp(&mean(*b))).expect("lanes");
        let parts = &judged.parts;
        println!(
            "    CONTRADICTED {}, {} limit {:.1}, true {:.1} ({:.1} to {:.1}), judged {:.1}, U {:.1} = {:.2} x {:.2}: lanes of their own and \
             counting {:.2}, shared by all {:.2}, by strobes {:.2}",
            self.name,
            judged.metric.name(),
            judged.limit,
            truth.least,
            truth.bounds[0],
            truth.bounds[1],
            judged.value,
            judged.expanded_uncertainty,
            parts.k,
            judged.standard_uncertainty,
            parts.independent,
            parts.shared,
            parts.shared_otherwise
        );
        for (words, lane) in [("judged by", place), ("truly worst", lowest)] {
            let read = eye.edges[lane].reach;
            println!(
                "      {words} lane {}: read {:.1}, exact {:.1}, over starts {:.1}; reach read {:.1?}, exact {:.1?}",
                eye.lanes[lane],
                f64::from(read[side] + read[side + 1]) * step,
                of(lane, here) * step,
                mean(lane) * step,
                read,
                here[lane].map(|reach| reach.unwrap_or(f64::NAN))
            );
        }
    }

    /// What a metric is counted in among eyes of other rates: UI and mV.
    fn unit(&self, number: usize) -> f64 {
        if number == 0 { self.found.grid.ui.0 } else { 1.0 }
    }

    /// A limit of a tap or a Vref step asks nothing.
    fn least_limit(&self, number: usize) -> f64 {
        if number == 0 { self.found.grid.tap_step.0 } else { self.found.grid.vref_step.0 }
    }
}

/// A condition judged on a capture's digest by one limit.
fn judged(
    plan: &Plan,
    condition: &Condition,
    metric: Metric,
    minimum: f64,
    eye: &EyeSummary,
) -> Option<JudgedMetric> {
    let mut asked = plan.clone();
    let limit = plan.limits.iter().find(|limit| limit.metric == metric).expect("given");
    asked.limits = vec![Limit { minimum: minimum.max(1.0), ..limit.clone() }];
    judged_of(&asked, condition, None, eye.clone()).metrics.into_iter().next()
}

/// Verdicts on each metric by itself, and on conditions: a condition passes where both its metrics do and fails where either does.
#[derive(Default)]
pub struct Counted {
    pub metrics: Verdicts,
    pub conditions: Verdicts,
}

/// Each eye against true values of other eyes (of other conditions and chips), spread evenly over all of them by rank: widths in UI, heights in mV.
pub fn among(eyes: &[Judged]) -> Counted {
    let ranked = |number: usize| {
        let value = |eye: &Judged| eye.truths[number].least / eye.unit(number);
        let mut sorted: Vec<(f64, usize)> = eyes.iter().map(value).zip(0..).collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        sorted
    };
    let sorted = [0, 1].map(ranked);
    let mut counted = Counted::default();
    for (own, eye) in eyes.iter().enumerate() {
        let asked = (eyes.len() - 1).min(AMONG);
        for at in 0..asked {
            let minimum = |number: usize| {
                let others = sorted[number].iter().filter(|(_, of)| *of != own);
                let place = (2 * at + 1) * (eyes.len() - 1) / (2 * asked);
                others.map(|(value, _)| value * eye.unit(number)).nth(place)
            };
            counted.add(eye, [0, 1].map(minimum));
        }
    }
    counted
}

/// Each eye against a plan's own limits on eyes that are read.
pub fn by_a_plan(eyes: &[Judged], text: &str) -> Counted {
    let library = Plan::read(text).unwrap_or_else(|mistakes| panic!("{mistakes:?}"));
    let mut counted = Counted::default();
    for eye in eyes {
        let grid = &eye.found.grid;
        let minimum = |(metric, _): (Metric, EyeMetric)| {
            let of_eye =
                |limit: &&Limit| limit.metric == metric && limit.direction == eye.found.eye.direction;
            let limit = library.limits.iter().find(of_eye)?;
            Some(limit.in_base_unit(grid.ui, grid.tap_step, grid.vddq, grid.vref_step))
        };
        counted.add(eye, METRICS.map(minimum));
    }
    counted
}

impl Counted {
    /// An eye by a limit of each metric.
    fn add(&mut self, eye: &Judged, limits: [Option<f64>; 2]) {
        let mut both = Vec::new();
        for (number, (metric, _)) in METRICS.into_iter().enumerate() {
            let Some(minimum) = limits[number].filter(|minimum| *minimum >= eye.least_limit(number)) else {
                continue;
            };
            let Some(one) = eye.by(metric, minimum) else { continue };
            let truth = &eye.truths[number];
            if self.metrics.add(&one, truth) {
                eye.contradiction(&one, truth);
            }
            both.push((one, truth));
        }
        self.conditions.add_condition(&both);
    }
}

/// Margins as they decide a condition: the least of them, each in bands.
fn least(margins: impl Iterator<Item = f64>) -> f64 {
    margins.fold(f64::INFINITY, f64::min)
}
