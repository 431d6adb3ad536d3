//! Reference jobs: the control chart of the reference condition, and which jobs are suspect because of it.

use super::Judge;
use super::digest::mask_of;
use super::gather::{LaneTally, Part};
use crate::audit::ChartNote;
use crate::statistics::control::{ControlLimits, ControlRule, robust_control_limits, signals};
use crate::statistics::summary::median;
use plans::expand::Expansion;
use plans::plan::Plan;
use plans::plan::judge::Metric;
use plans::plan::terms::Terms;
use plans::results::EyeName;

/// Fewest values a chart's limits are drawn from.
const FEWEST: usize = 4;

/// A metric of the reference condition in the order measured: the mean over lanes of each job.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Which eye.
    pub eye: EyeName,
    /// Which metric.
    pub metric: Metric,
    /// Place of each job in the order of its run, and its value, ps or mV.
    pub values: Vec<(u64, f64)>,
}

/// The reference condition of a plan (index into the expansion's conditions), where it has one.
pub fn reference_condition(plan: &Plan, expansion: &Expansion) -> Option<usize> {
    let reference = plan.wishes.reference.as_ref()?;
    expansion.conditions.iter().position(|condition| {
        let wanted = reference.levels.iter().zip(condition.levels);
        wanted.into_iter().all(|(wanted, level)| wanted.is_none_or(|wanted| wanted == level))
    })
}

/// Stretches of the run between a bad reference job and the good ones round it.
#[derive(Debug, Default)]
pub(super) struct Suspects {
    /// Last good place before (none: the run's beginning), first good place after.
    stretches: Vec<(Option<u64>, u64)>,
    words: String,
}

impl Suspects {
    /// Why a condition with these jobs may have no verdict.
    pub fn words(&self, parts: &[Part]) -> Option<&str> {
        let within = |position: u64| {
            self.stretches
                .iter()
                .any(|(after, before)| after.is_none_or(|after| position > after) && position < *before)
        };
        parts.iter().any(|part| within(part.position)).then_some(self.words.as_str())
    }

    fn jobs<'a>(&self, parts: impl Iterator<Item = &'a Part>) -> usize {
        parts.filter(|part| self.words(std::slice::from_ref(part)).is_some()).count()
    }
}

impl Judge<'_> {
    /// The reference condition's values, by the metrics that these limits judge there. `condition` is an index.
    pub fn series(&self, condition: u32, terms: &Terms) -> Vec<Series> {
        let Some(tally) = self.tallies.get(&condition) else { return Vec::new() };
        let Some(levels) = self.expansion.conditions.get(condition as usize) else { return Vec::new() };
        let mut parts: Vec<&Part> = tally.parts.iter().collect();
        parts.sort_by_key(|part| part.position);
        let rate = levels.rate(self.plan);
        let mut list: Vec<Series> = Vec::new();
        for eye in tally.eyes() {
            for limit in terms.limits.iter().filter(|limit| limit.applies(eye.direction, rate)) {
                if list.iter().any(|known| known.eye == eye && known.metric == limit.metric) {
                    continue;
                }
                let mut values = Vec::new();
                for part in &parts {
                    for capture in part.captures.iter().filter(|capture| capture.eye == eye) {
                        let mask = mask_of(limit, &capture.grid);
                        let (mut sum, mut count) = (0.0, 0u32);
                        for lane in 0..capture.lanes.len() {
                            let tally = LaneTally::of(&[(0, capture)], lane, limit.metric, mask.as_ref());
                            if let Some(value) = tally.value() {
                                sum += value;
                                count += 1;
                            }
                        }
                        if count > 0 {
                            values.push((part.position, sum / f64::from(count)));
                        }
                    }
                }
                list.push(Series { eye, metric: limit.metric, values });
            }
        }
        list
    }

    /// Charts of the reference condition, and what is suspect.
    pub(super) fn charts(&self, terms: &Terms) -> (Vec<ChartNote>, Suspects) {
        let mut suspects = Suspects::default();
        let Some(index) = reference_condition(self.plan, self.expansion) else {
            return (Vec::new(), suspects);
        };
        let mut charts = Vec::new();
        for series in self.series(index as u32, terms) {
            let earlier: Vec<f64> = self
                .earlier
                .iter()
                .filter(|known| known.eye == series.eye && known.metric == series.metric)
                .flat_map(|known| known.values.iter().map(|(_, value)| *value))
                .collect();
            let own: Vec<f64> = series.values.iter().map(|(_, value)| *value).collect();
            let mut chart = chart(&series, earlier, own);
            let bad = |place: usize| {
                chart.signals.iter().any(|(at, rule)| {
                    *at == chart.earlier + place && rule == ControlRule::BeyondLimit.words()
                })
            };
            let mut stretches = Vec::new();
            for (place, _) in series.values.iter().enumerate().filter(|(place, _)| bad(*place)) {
                let position = |place: usize| series.values.get(place).map(|(position, _)| *position);
                // From the run's beginning, or to its end, where no good reference stands.
                let after = (0..place).rev().find(|at| !bad(*at)).and_then(position);
                let before = (place + 1..series.values.len()).find(|at| !bad(*at)).and_then(position);
                stretches.push((after, before.unwrap_or(u64::MAX)));
            }
            let own = Suspects {
                words: format!(
                    "suspect: a reference job ({} of {}) lies outside its control limits; repeat the jobs since the \
                     last good one",
                    series.metric.name(),
                    series.eye
                ),
                stretches,
            };
            chart.suspect_jobs = own.jobs(self.tallies.values().flat_map(|tally| &tally.parts));
            if !own.stretches.is_empty() {
                if suspects.words.is_empty() {
                    suspects.words = own.words;
                }
                suspects.stretches.extend(own.stretches);
            }
            charts.push(chart);
        }
        (charts, suspects)
    }
}

fn chart(series: &Series, earlier: Vec<f64>, own: Vec<f64>) -> ChartNote {
    let mut note = ChartNote {
        of: format!("{} of {}, mean over lanes", series.metric.name(), series.eye),
        unit: series.metric.base_unit(),
        earlier: earlier.len(),
        values: earlier.into_iter().chain(own).collect(),
        limits: None,
        signals: Vec::new(),
        suspect_jobs: 0,
        words: String::new(),
    };
    if note.values.len() < FEWEST {
        note.words = format!(
            "reference values: {}; a chart needs {FEWEST}; measure the reference more often or name earlier folders",
            note.values.len()
        );
        return note;
    }
    match robust_control_limits(&note.values).and_then(|limits| Ok((limits, median(&note.values)?))) {
        Ok((limits, centre)) => {
            // About the median: one disturbed reference must not pull the good ones out of their limits.
            let reach = 3.0 * limits.sigma;
            let limits = ControlLimits { centre, lower: centre - reach, upper: centre + reach, ..limits };
            note.limits = Some((limits.centre, limits.lower, limits.upper));
            let found = signals(&note.values, &limits).unwrap_or_default();
            note.signals =
                found.iter().map(|signal| (signal.index, signal.rule.words().to_string())).collect();
            note.words = if note.signals.is_empty() {
                "in control".into()
            } else {
                format!("{} signal(s)", note.signals.len())
            };
        }
        Err(error) => note.words = format!("no limits: {error}"),
    }
    note
}
